"""Facts: is everything stated that a release needs, in a form that can be relied on?"""

import math
import re
from collections.abc import Collection, Iterator
from datetime import date
from functools import partial
from typing import Final

import msgspec

from companion.contents.kinds import LICENCE
from companion.core.facts import FACTS_FILE, Facts
from companion.core.findings import BLOCKS, WARNS, At, Finding
from companion.core.rules import Rule, rule
from companion.core.text import plural, visible
from companion.core.versions import engine_version, instrument_version

_facts_rule: Final = partial(rule, step="facts")
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


class FactsModel(msgspec.Struct, frozen=True, kw_only=True):
    """What the facts are held against. files: paths that ship. released: the version it must lie above, empty for none;
    same_content: whether exactly that release would ship again. samples: how many samples ship.
    """

    facts: Facts
    files: Collection[str] = ()
    released: str = ""
    same_content: bool = True
    samples: int = 0


def fact(facts: Facts, key: str) -> str:
    """Return the text of a dotted key such as ``instrument.title``."""
    table, _, name = key.partition(".")
    return str(getattr(getattr(facts, table), name))


@_facts_rule(
    "fact-missing",
    BLOCKS,
    means="A fact that players or the archive rely on is not stated.",
    why="Players would not know what this is, whose it is, or whether they may use it.",
    mend="State it in the facts form, or in release.toml under the key named.",
)
def fact_missing(model: FactsModel) -> Iterator[Finding]:
    """Every fact of :data:`REQUIRED` is stated; white space does not count as stated."""
    for key, what in REQUIRED:
        if not fact(model.facts, key).strip():
            yield fact_missing.finding(FACTS_FILE, at=At(fact=key), says="not stated", limit=what)


@_facts_rule(
    "fact-invalid",
    BLOCKS,
    version=3,
    means="A fact is stated in a form that cannot be relied on.",
    why="A version that cannot be compared or a licence nobody can look up leaves players guessing.",
    mend="Write it in the form named beside the limit.",
    source="versions: PEP 440; licence expressions: SPDX 2.3, Annex D",
)
def fact_invalid(model: FactsModel) -> Iterator[Finding]:
    """Versions compare, the licence is an SPDX expression, ranges run from low to high within their bounds, and limits
    are numbers that something can exceed.
    """
    facts = model.facts
    for key, value, form in (*_versions(facts), *_day(facts), *_licence(facts, model.files), *_twice(facts)):
        yield fact_invalid.finding(FACTS_FILE, at=At(fact=key), value=value, says="“{value}”", limit=form)
    for key, value, form in (*_controls(facts), *_layers(facts), *_limits(facts)):
        yield fact_invalid.finding(FACTS_FILE, at=At(fact=key), value=value, limit=form)


_Wrong = tuple[str, str, str]
"""A dotted key, what it holds, and the form it should have."""


def _versions(facts: Facts) -> Iterator[_Wrong]:
    version = facts.instrument.version.strip()
    if version and instrument_version(version) is None:
        yield "instrument.version", version, "numbers and dots, such as 1.0 or 2.1.3"
    for key in ("engine.saved_with", "engine.minimum"):
        value = fact(facts, key)
        if value.strip() and engine_version(value) is None:
            yield key, value, "numbers and dots, and “build N” after them where there is one: 7.1.2, 7.1 build 401"


def _day(facts: Facts) -> Iterator[_Wrong]:
    day = facts.instrument.date
    try:
        known = not day or (len(day) == 10 and 1980 <= date.fromisoformat(day).year <= 2107)
    except ValueError:
        known = False
    if not known:
        yield "instrument.date", day, "year-month-day from 1980 to 2107, which is what archives can bear: 2026-11-27"


def _licence(facts: Facts, files: Collection[str]) -> Iterator[_Wrong]:
    licence, text = facts.instrument.licence.strip(), facts.instrument.licence_file
    if licence and (form := licence_problem(licence)):
        yield "instrument.licence", licence, form
    if _own_licence(licence) and text not in files:
        yield "instrument.licence_file", text, f"a file that ships with the text of {visible(licence)}"


def _own_licence(licence: str) -> bool:
    """Tell whether an SPDX expression refers to a text of the maker's own, alone or beside others."""
    return re.search(r"\blicenseref-", licence, re.IGNORECASE) is not None


def _twice(facts: Facts) -> Iterator[_Wrong]:
    for table, names in (("layers", [x.name for x in facts.layers]), ("controls", [x.name for x in facts.controls])):
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield f"{table}.name", name, "a name that only one of them has"


def _controls(facts: Facts) -> Iterator[_Wrong]:
    for control in facts.controls:
        if not all(map(math.isfinite, (control.low, control.high, control.rest))):
            yield f"controls.{control.name}", "not a finite number", "low, high and rest are finite numbers"
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


_SIGNED: Final = frozenset({"true_peak_dbtp", "silence_dbfs", "noise_dbfs"})
"""Limits on levels, which lie below full scale; the others are counts and sizes."""


def _limits(facts: Facts) -> Iterator[_Wrong]:
    """Nothing exceeds what is no number, so that whatever is held to it would count as fine."""
    for name, value in msgspec.structs.asdict(facts.limits).items():
        if value is None:
            continue
        if not math.isfinite(value):
            yield f"limits.{name}", "not a finite number", "a finite number; for no limit leave it out"
        elif name not in _SIGNED and (value < 0 or (isinstance(value, int) and value < 1)):
            yield f"limits.{name}", f"{value:g}", "a number above zero"


USUAL_LICENCES: Final = frozenset(
    [
        "CC0-1.0",
        "CC-BY-4.0",
        "CC-BY-SA-4.0",
        "CC-BY-NC-4.0",
        "CC-BY-NC-SA-4.0",
        "CC-BY-ND-4.0",
        "CC-BY-NC-ND-4.0",
        "MIT",
    ]
)
"""What most instruments carry, of SPDX's list: loading all of that takes as long as a hundred other facts."""


def licence_problem(expression: str) -> str:
    """Return what is wrong with an SPDX licence expression, or an empty string."""
    if expression in USUAL_LICENCES:
        return ""
    from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

    try:
        canonicalize_license_expression(expression)
    except InvalidLicenseExpression:
        return (
            "the short name of a licence on SPDX’s list, such as CC-BY-4.0 or CC0-1.0, or LicenseRef-Name for a text "
            "of your own (licence_file)"
        )
    return ""


@_facts_rule(
    "fact-contradicted",
    BLOCKS,
    means="A fact says that there is none of what another fact declares, or of what ships.",
    why="One of the two is wrong, and whatever rests on it is believed for nothing.",
    mend="Take out the one that is not so.",
)
def fact_contradicted(model: FactsModel) -> Iterator[Finding]:
    """Of what the instrument is stated to be without, none is declared and none ships."""
    declared = {"controls": len(model.facts.controls), "samples": model.samples}
    for name in dict.fromkeys(model.facts.instrument.without):
        if count := declared[name]:
            there = f"{plural(count, name.removesuffix('s'))} {'declared' if name == 'controls' else 'would ship'}"
            yield fact_contradicted.finding(
                FACTS_FILE, at=At(fact="instrument.without"), value=name, says=f"“{{value}}”, yet {there}"
            )


@_facts_rule(
    "version-not-raised",
    BLOCKS,
    means="The content differs from the last release, but the version is not higher.",
    why="Two different downloads would carry the same version, and nobody could tell which one a player has.",
    mend="Raise instrument.version.",
)
def version_not_raised(model: FactsModel) -> Iterator[Finding]:
    """The version is above the last release's unless the content is the same."""
    version = model.facts.instrument.version.strip()
    new, old = instrument_version(version), instrument_version(model.released)
    if not model.same_content and new is not None and old is not None and new <= old:
        yield version_not_raised.finding(
            FACTS_FILE, at=At(fact="instrument.version"), value=version, limit=f"above {visible(model.released)}"
        )


@_facts_rule(
    "licence-text-missing",
    WARNS,
    version=2,
    means="The licence is named, but no file with its text ships.",
    why="Players cannot read what they may do once the page is gone.",
    mend="Put the licence text into the folder and name it in instrument.licence_file.",
)
def licence_text_missing(model: FactsModel) -> Iterator[Finding]:
    """A file with the licence's text ships: the one named, or one that is called so, in any of some languages."""
    licence, named = model.facts.instrument.licence.strip(), model.facts.instrument.licence_file
    found = named in model.files if named else licence_file_in(model.files)
    if licence and not found and not _own_licence(licence):  # the last is reported by fact-invalid
        yield licence_text_missing.finding(
            FACTS_FILE, at=At(fact="instrument.licence_file"), value=named or "none named", limit="a file that ships"
        )


def licence_file_in(files: Collection[str]) -> str:
    """Return the file at the top of the folder that holds the licence by its name, or an empty string."""
    for path in sorted(path for path in files if "/" not in path):
        stem = path.casefold().rpartition(".")[0] or path.casefold()
        if LICENCE.fullmatch(stem):
            return path
    return ""


@_facts_rule(
    "rights-unstated",
    WARNS,
    means="Nothing says that every recording, picture and impulse response may be passed on.",
    why="A sample you had no right to pass on can cost players their finished work, and you the release.",
    mend="Write into instrument.rights where everything comes from and that you may pass it on. "
    "This is no legal advice: where in doubt ask a lawyer; local law comes first.",
)
def rights_unstated(model: FactsModel) -> Iterator[Finding]:
    """The maker says in so many words that everything may be passed on."""
    if not model.facts.instrument.rights.strip():
        yield rights_unstated.finding(FACTS_FILE, at=At(fact="instrument.rights"), says="not stated")


RULES: Final[tuple[Rule[FactsModel], ...]] = (
    fact_missing,
    fact_invalid,
    fact_contradicted,
    version_not_raised,
    licence_text_missing,
    rights_unstated,
)
