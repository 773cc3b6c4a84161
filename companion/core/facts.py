"""The facts of a release: ``release.toml`` as typed, frozen values.

What is absent is an empty value, and the Facts step says that it is missing; what is of the wrong type, or a key
nobody knows, is an error that names the key, since a typing slip must not pass for a fact.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any, Final, Literal, get_args

import msgspec

from companion.core.errors import CompanionError
from companion.core.folder import FACTS_FILE as FACTS_FILE
from companion.core.text import listed

MOST_BYTES: Final = 1 << 18
"""A quarter of a megabyte of facts is more than any instrument has; larger input is refused before it is parsed."""

MiddleC = Literal["", "C3", "C4"]
System = Literal["windows", "macos", "linux"]
ControlKind = Literal["knob", "slider", "switch", "menu"]


class Instrument(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who made what. ``licence``: an SPDX expression, or ``LicenseRef-…`` with ``licence_file``."""

    title: str = ""
    version: str = ""
    maker: str = ""
    summary: str = ""
    description: str = ""
    contact: str = ""
    credits: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    licence: str = ""
    licence_file: str = ""
    rights: str = ""


class Engine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The host the patch was built in. ``saved_with``: the version that last saved it; ``minimum``: the one promised.

    edition: which edition players need (free, full …). systems: those the maker means to support.
    """

    name: str = ""
    edition: str = ""
    saved_with: str = ""
    minimum: str = ""
    systems: tuple[System, ...] = ()


class Contents(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What ships. All are glob patterns relative to the folder, ``**`` for any depth.

    include empty: everything but the strays. exclude wins over include. scripts, impulses: patterns that mark
    files as such. documents: the texts that ship (readme, changelog and licence are added by themselves).
    """

    patches: tuple[str, ...] = ()
    samples: tuple[str, ...] = ()
    impulses: tuple[str, ...] = ()
    scripts: tuple[str, ...] = ()
    include: tuple[str, ...] = ()
    exclude: tuple[str, ...] = ()
    documents: tuple[str, ...] = ()


class Naming(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How file names tell note, velocity and take.

    pattern: fields in braces among literal text, such as ``{layer}_{note}_v{velocity}_rr{take}``.
    middle_c: the name MIDI note 60 carries here; empty: left open. zones: a CSV that says what names do not.
    """

    pattern: str = ""
    middle_c: MiddleC = ""
    zones: str = ""


class Layer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A group of samples played as one: ``files`` are glob patterns; key and velocity ranges are inclusive (0–127)."""

    name: str
    files: tuple[str, ...] = ()
    low_key: int = 0
    high_key: int = 127
    low_velocity: int = 0
    high_velocity: int = 127
    round_robins: int = 0


class Control(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A control that players see: its range, where it rests, what it is said to do. ``cc``: MIDI controller 0–127."""

    name: str
    kind: ControlKind = "knob"
    low: float = 0.0
    high: float = 1.0
    rest: float = 0.0
    cc: int | None = None
    effect: str = ""


class Limits(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the maker holds the work to; None: the rule's own default."""

    true_peak_dbtp: float | None = None
    dc_offset: float | None = None
    silence_dbfs: float | None = None
    late_onset_s: float | None = None
    tail_s: float | None = None
    pitch_cents: float | None = None
    level_step_db: float | None = None
    noise_dbfs: float | None = None
    layer_drop_db: float | None = None
    voices: int | None = None
    upload_bytes: int | None = None
    page_characters: int | None = None


class Waiver(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A finding let pass: rule, path (empty: the whole), reason, and the content it was given for.

    where: the place in the file, such as the key of a fact; empty: every place. content: SHA-256 of the file when the
    waiver was given (of all that the step judges, where the file is none of the folder's), so that it lapses when
    that changes. contents: of a group judged at once, the first digits of each file's SHA-256; path then is a pattern,
    and the waiver lapses for each file by itself.
    """

    rule: str
    reason: str
    path: str = ""
    where: str = ""
    content: str = ""
    contents: tuple[str, ...] = ()

    @staticmethod
    def mark(content: str) -> str:
        """Return what ``contents`` holds of a SHA-256: 16 digits, too many to meet by chance."""
        return content[:16]


class Facts(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything ``release.toml`` holds."""

    instrument: Instrument = Instrument()
    engine: Engine = Engine()
    contents: Contents = Contents()
    naming: Naming = Naming()
    layers: tuple[Layer, ...] = ()
    controls: tuple[Control, ...] = ()
    limits: Limits = Limits()
    waivers: tuple[Waiver, ...] = ()


DEEPEST: Final = 12
"""Levels of brackets, and parts of a dotted key, that are let through; facts need three."""

# TOML 1.0 as far as nesting goes: texts in quotes and comments are stepped over whole, so that what stands in them
# counts for nothing. A text without an end runs to the end of its line, or of the file: the parser stops there too.
# Possessive throughout (*+): no input makes this look at a character twice.
_TOKEN = re.compile(
    r'''"""(?:[^"\\]|\\.|"(?!""))*+(?:"{3,5}|\\?\Z)'''
    r"""|'{3}(?:[^']|'(?!''))*+(?:'{3,5}|\Z)"""
    r"""|"(?:[^"\\\n]|\\[^\n])*+"?"""
    r"""|'[^'\n]*+'?"""
    r"|\#[^\n]*+|[\[\]{}.,=\n]",
    re.DOTALL,
)


def _too_deep(text: str) -> bool:
    """Tell whether brackets or a dotted key go deeper than :data:`DEEPEST`, in one pass that stops where they do."""
    depth = dots = 0
    for match in _TOKEN.finditer(text):
        mark = match[0][0]
        if mark == ".":
            dots += 1
        elif mark not in "\"'#":
            dots = 0
            depth += (mark in "[{") - (mark in "]}")
        if dots >= DEEPEST or depth > DEEPEST:
            return True
    return False


def parse_toml(text: str, where: str) -> dict[str, Any]:
    """Return parsed TOML 1.0; refuse what only an attack would hold before the parser meets it.

    tomllib recurses on nested brackets and is quadratic in dotted keys (measured: 500 brackets, 40 kB of key), so
    input over 1 MiB, over 12 levels deep or with over 20,000 lines is refused at once.
    """
    if len(text) > MOST_BYTES or text.count("\n") > 20_000:
        raise CompanionError("The file is far too large for facts", where, "check that it is the file you meant")
    if _too_deep(text):
        raise CompanionError("The file nests deeper than facts ever do", where, "write it flatter")
    try:
        return tomllib.loads(text)
    except ValueError as error:  # TOMLDecodeError, and what Python says of a number with over 4,300 digits
        raise CompanionError(f"The file is not valid TOML: {error}", where, "mend that line and try again") from error
    except RecursionError:
        raise CompanionError("The file nests deeper than facts ever do", where, "write it flatter") from None


_CHOICES: Final = {"middle_c": MiddleC, "systems": System, "kind": ControlKind}
_WORDS: Final = {
    "str": "text",
    "array": "a list",
    "object": "a table",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
    "date": "a date",
    "time": "a time",
    "datetime": "a date and time",
}
_TYPE: Final = re.compile(r"`(\w+)(?: \| null)?`")


def _plainly(error: msgspec.ValidationError) -> str:
    """Return msgspec's message with the key as the file writes it: ``“engine.minimum”: expected text …``."""
    message, _, path = str(error).partition(" - at `$")
    key = path.rstrip("`").lstrip(".") or "(top)"
    unknown = re.search(r"unknown field `([^`]*)`", message)
    if unknown:
        return f"unknown key “{unknown[1] if key == '(top)' else f'{key}.{unknown[1]}'}”"
    missing = re.search(r"missing required field `([^`]*)`", message)
    if missing:
        return f"“{key}” needs the key “{missing[1]}”"
    choice = re.fullmatch(r"Invalid enum value (.*)", message, re.DOTALL)
    if choice:
        known = get_args(_CHOICES.get(key.rpartition(".")[2].partition("[")[0], System))
        return f"“{key}”: expected {listed([f'“{value}”' for value in known if value], 9, 'or')}, found {choice[1]}"
    message = _TYPE.sub(lambda match: _WORDS.get(match[1], match[1]), message)
    return f"“{key}”: {message.replace('Expected', 'expected').replace('got', 'found')}"


def facts_from_toml(text: str, where: str = FACTS_FILE) -> Facts:
    """Return the facts written in ``text``. Raises :class:`CompanionError` naming the key and what was expected."""
    return facts_from_plain(parse_toml(text, where), where)


def facts_from_plain(plain: dict[str, Any], where: str = FACTS_FILE) -> Facts:
    """Return facts from plain tables. Raises :class:`CompanionError` naming the key and what was expected."""
    try:
        return msgspec.convert(plain, Facts)
    except msgspec.ValidationError as error:
        raise CompanionError(_plainly(error), where, "mend that key and try again") from error


def facts_to_plain(facts: Facts) -> dict[str, Any]:
    """Return ``facts`` as plain tables for a TOML writer: empty values and None are left out."""
    plain = msgspec.to_builtins(facts)

    def bare(value: Any) -> Any:
        if isinstance(value, dict):
            inner = {key: bare(item) for key, item in value.items()}
            return {key: item for key, item in inner.items() if item not in (None, "", [], {}, ())}
        if isinstance(value, (list, tuple)):
            return [bare(item) for item in value]
        return value

    result: dict[str, Any] = bare(plain)
    return result
