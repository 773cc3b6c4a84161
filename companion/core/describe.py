"""The sentences of a finding, written from its data in one place."""

import math
import re
from collections.abc import Callable
from functools import partial
from typing import Final

from companion.core.findings import At, Finding
from companion.core.text import plural, visible
from companion.core.units import both_bytes, level

Value = float | int | str


def _plain(value: float) -> str:
    """Return a number with thousands set off and no more places than it has, at most three."""
    if isinstance(value, int) or (math.isfinite(value) and value == int(value)):
        return f"{int(value):,}".replace("-", "−")
    return f"{value:,.3f}".rstrip("0").replace("-", "−")


def _three(value: float) -> str:
    """Return a number to three significant figures, whole ones from 100 on: ``0.25``, ``12.3``, ``1,234``."""
    return f"{value:,.0f}" if abs(value) >= 99.95 else f"{value:.3g}"


_FORMATS: Final[dict[str, Callable[[float], str]]] = {
    **{unit: partial(level, unit=unit) for unit in ("dB", "dBFS", "dBTP", "LU", "LUFS")},
    "": _plain,
    "bytes": lambda value: both_bytes(int(value)),
    "cents": lambda value: f"{value:.0f} cents".replace("-", "−"),
    "signed cents": lambda value: f"{value:+.0f} cents".replace("-", "−"),
    "s": lambda value: f"{_three(value)} s",
    "ms": lambda value: f"{_three(value)} ms",
    "Hz": lambda value: f"{_plain(value)} Hz",
    "%": lambda value: f"{_plain(value)} %",
    "bit": lambda value: f"{_plain(value)} bit",
}
"""How a value of each unit is written; any other unit is a countable noun in the singular."""


def value_text(value: Value | None, unit: str) -> str:
    """Return a value with its unit, such as ``−0.3 dBFS`` or ``200 flat tops``; text is made visible-safe."""
    if value is None:
        return ""
    if isinstance(value, str):
        return visible(value)
    if unit in _FORMATS:
        return _FORMATS[unit](value)
    return plural(int(value), unit)


def filled(template: str, **values: str) -> str:
    """Return ``template`` with the first ``{value}`` and ``{bound}`` filled in: what follows may be text of a file."""
    for name, text in values.items():
        template = template.replace(f"{{{name}}}", text, 1)
    return template


def where_text(at: At) -> str:
    """Return a place as people read it: ``0.197 s (frame 9,433), channel 2``, ``line 12``, ``byte 2,676``."""
    parts = [visible(text) for text in (at.fact, at.control) if text]
    if at.line is not None:
        parts.append(f"line {at.line:,}")
    elif at.byte is not None:
        parts.append(f"byte {at.byte:,}")
    if at.frames is not None:
        start = at.frames[0]
        parts.append(f"{start / at.rate:.3f} s (frame {start:,})" if at.rate else f"frame {start:,}")
    if at.channel is not None:
        parts.append(f"channel {at.channel + 1}")
    return ", ".join(parts)


def places_of(finding: Finding) -> tuple[str, ...]:
    """Return each way in which the place of a finding is told: in a text by its line, and as before lines were counted
    by its byte, which alone tells two places in one line apart.
    """
    at = finding.at
    return (finding.where, f"byte {at.byte:,}") if at.line and at.byte is not None else (finding.where,)


def as_told(where: str) -> str:
    """Return a line or a byte that somebody wrote (``byte 1204``) as places are told (``byte 1,204``)."""
    match = re.fullmatch(r"(line|byte) ([0-9][0-9,]{0,15})", where)
    return f"{match[1]} {int(match[2].replace(',', '')):,}" if match else where


def rule_words(rule: str) -> str:
    """Return a rule's id as words: ``fact missing``."""
    return visible(rule.replace("-", " "))


def headline(finding: Finding) -> str:
    """Return a finding in a few words: ``clipped: samples/a.wav``.

    Of a fact what it lacks, ``contact: not stated``, or how its value is wrong, ``fact invalid: licence “MIT 2”``.
    """
    words, fact = rule_words(finding.rule), finding.at.fact
    if fact:
        table, _, rest = fact.partition(".")
        named = rest if table == "instrument" and rest else fact
        named = visible(named).replace(".", " ").replace("_", " ")
        if finding.value is None:
            return f"{named}: {finding.measured or words}"
        return f"{words}: {named} {finding.measured}"
    return f"{words}: {visible(finding.path)}" if finding.path else words
