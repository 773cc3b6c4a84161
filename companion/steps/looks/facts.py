"""Facts: is everything stated that a release needs, in a form that can be relied on?"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator
from typing import Final

from companion.core.facts import Facts
from companion.core.findings import Finding
from companion.core.text import visible
from companion.core.versions import engine_version, instrument_version
from companion.steps.desk import Desk
from companion.steps.looks.own_rules import (
    FACT_INVALID,
    FACT_MISSING,
    LICENCE_TEXT_MISSING,
    RIGHTS_UNSTATED,
    VERSION_NOT_RAISED,
)
from companion.steps.model import Look

REQUIRED: Final = (
    ("instrument.title", "what the instrument is called"),
    ("instrument.version", "the version of this release"),
    ("instrument.maker", "whose it is"),
    ("instrument.summary", "one sentence that says what it is"),
    ("instrument.contact", "where players reach you: an address or a page"),
    ("instrument.licence", "what players may do with it"),
    ("engine.name", "the host it plays in"),
    ("engine.saved_with", "the engine version that last saved the patch"),
)
"""The facts no release can do without, and what each tells a player."""


def fact(facts: Facts, key: str) -> str:
    """Return the text of a dotted key such as ``instrument.title``."""
    table, _, name = key.partition(".")
    return str(getattr(getattr(facts, table), name))


def fact_missing(facts: Facts) -> list[Finding]:
    """Every fact of :data:`REQUIRED` is stated; white space does not count as stated."""
    return [
        FACT_MISSING.finding("release.toml", where=key, measured="not stated", limit=what)
        for key, what in REQUIRED
        if not fact(facts, key).strip()
    ]


def fact_invalid(facts: Facts, files: Collection[str]) -> list[Finding]:
    """Versions compare, the licence is an SPDX expression, and ranges run from low to high within their bounds."""
    wrong = [*_versions(facts), *_licence(facts, files), *_twice(facts), *_controls(facts), *_layers(facts)]
    return [
        FACT_INVALID.finding("release.toml", where=visible(key), measured=visible(value), limit=form)
        for key, value, form in wrong
    ]


_Wrong = tuple[str, str, str]
"""A dotted key, what it holds, and the form it should have."""


def _versions(facts: Facts) -> Iterator[_Wrong]:
    version = facts.instrument.version.strip()
    if version and instrument_version(version) is None:
        yield "instrument.version", f"“{version}”", "numbers and dots, such as 1.0 or 2.1.3"
    for key in ("engine.saved_with", "engine.minimum"):
        value = fact(facts, key)
        if value.strip() and engine_version(value) is None:
            yield key, f"“{value}”", "numbers and dots, with “build N” behind them if need be: 7.1.2, 7.1 build 401"


def _licence(facts: Facts, files: Collection[str]) -> Iterator[_Wrong]:
    licence, text = facts.instrument.licence.strip(), facts.instrument.licence_file
    if licence and (form := licence_problem(licence)):
        yield "instrument.licence", f"“{licence}”", form
    if _own_licence(licence) and text not in files:
        yield "instrument.licence_file", f"“{text}”", f"a file that ships with the text of {visible(licence)}"


def _own_licence(licence: str) -> bool:
    """Tell whether an SPDX expression refers to a text of the maker's own, alone or beside others."""
    return re.search(r"\blicenseref-", licence, re.IGNORECASE) is not None


def _twice(facts: Facts) -> Iterator[_Wrong]:
    for table, names in (("layers", [x.name for x in facts.layers]), ("controls", [x.name for x in facts.controls])):
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield f"{table}.name", f"“{name}”", "a name that only one of them has"


def _controls(facts: Facts) -> Iterator[_Wrong]:
    for control in facts.controls:
        if not all(map(math.isfinite, (control.low, control.high, control.rest))):
            yield f"controls.{control.name}", "a number without end, or none", "low, high and rest are numbers"
        elif not control.low < control.high:
            yield f"controls.{control.name}", f"{control.low:g} to {control.high:g}", "low is below high"
        elif not control.low <= control.rest <= control.high:
            yield f"controls.{control.name}.rest", f"{control.rest:g}", f"{control.low:g} to {control.high:g}"
        if control.cc is not None and not 0 <= control.cc <= 127:
            yield f"controls.{control.name}.cc", str(control.cc), "a MIDI controller number, 0 to 127"


def _layers(facts: Facts) -> Iterator[_Wrong]:
    for layer in facts.layers:
        for what, low, high in (
            ("keys", layer.low_key, layer.high_key),
            ("velocities", layer.low_velocity, layer.high_velocity),
        ):
            if not 0 <= low <= high <= 127:
                yield f"layers.{layer.name}", f"{what} {low} to {high}", "0 to 127, low before high"


def licence_problem(expression: str) -> str:
    """Return what is wrong with an SPDX licence expression, or an empty string."""
    from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

    try:
        canonicalize_license_expression(expression)
    except InvalidLicenseExpression:
        return "an SPDX licence expression such as CC-BY-4.0, or LicenseRef-Name with a licence_file"
    return ""


def version_not_raised(facts: Facts, released: str, same_content: bool) -> list[Finding]:
    """The version is above the last release's (``released``, empty for none) unless the content is the same."""
    version = facts.instrument.version.strip()
    new, old = instrument_version(version), instrument_version(released)
    if same_content or new is None or old is None or new > old:
        return []
    return [
        VERSION_NOT_RAISED.finding(
            "release.toml", where="instrument.version", measured=visible(version), limit=f"above {visible(released)}"
        )
    ]


def licence_text_missing(facts: Facts, files: Collection[str]) -> list[Finding]:
    """A file with the licence's text ships: the one named, or one called LICENCE, LICENSE or COPYING."""
    licence, named = facts.instrument.licence.strip(), facts.instrument.licence_file
    if not licence or named in files or _own_licence(licence):  # the last is told by fact-invalid
        return []
    if not named and licence_file_in(files):
        return []
    return [
        LICENCE_TEXT_MISSING.finding(
            "release.toml",
            where="instrument.licence_file",
            measured=visible(named) or "none named",
            limit="a file that ships",
        )
    ]


def licence_file_in(files: Collection[str]) -> str:
    """Return the file at the top of the folder that holds the licence by its name, or an empty string."""
    for path in sorted(files):
        stem = path.lower().rpartition(".")[0] or path.lower()
        if "/" not in path and stem in ("licence", "license", "copying"):
            return path
    return ""


def rights_unstated(facts: Facts) -> list[Finding]:
    """The maker says in so many words that everything may be passed on."""
    if facts.instrument.rights.strip():
        return []
    return [RIGHTS_UNSTATED.finding("release.toml", where="instrument.rights", measured="not stated")]


def check_facts(
    facts: Facts, files: Collection[str], released: str = "", same_content: bool = True
) -> tuple[Finding, ...]:
    """Return the findings of the Facts step. ``files``: paths that ship; ``released``: the last released version."""
    return (
        *fact_missing(facts),
        *fact_invalid(facts, files),
        *version_not_raised(facts, released, same_content),
        *licence_text_missing(facts, files),
        *rights_unstated(facts),
    )


def look_facts(desk: Desk) -> Look:
    """Judge the facts, and their version against the last release."""
    last = desk.last_release
    same = last is not None and {(path, sha) for path, _, sha in last.files} == {(e.path, e.sha256) for e in desk.ships}
    findings = check_facts(desk.facts, {entry.path for entry in desk.ships}, last.version if last else "", same)
    return Look(findings=findings, details={"because": "complete and consistent"})
