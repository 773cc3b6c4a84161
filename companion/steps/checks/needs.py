"""Needs: what a player must have, and the evidence behind each line of it."""

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Final

import msgspec

from companion.core.evidence import AwayTest
from companion.core.facts import FACTS_FILE, Facts
from companion.core.findings import BLOCKS, WARNS, At, Finding
from companion.core.rules import Rule, rule
from companion.core.systems import SYSTEM_NAMES, system_of
from companion.core.text import listed, plural, visible
from companion.core.units import both_bytes, duration
from companion.core.versions import engine_version

_needs_rule: Final = partial(rule, step="needs")


class Weight(msgspec.Struct, frozen=True, kw_only=True):
    """What the content weighs. Bytes; None: not known yet.

    memory: all samples at once as 32-bit floats (frames × channels × 4), as hosts hold them while they mix.
    seconds: how long all samples play one after the other.
    """

    samples: int = 0
    seconds: float | None = None
    memory: int | None = None
    unpacked: int = 0
    download: int | None = None


class Line(msgspec.Struct, frozen=True):
    """One line of the requirement: what is needed, and what that rests on; ``proven``: on evidence, not a statement."""

    name: str
    value: str
    because: str
    proven: bool


def _passed(tests: Sequence[AwayTest]) -> list[AwayTest]:
    return [test for test in tests if test.result == "pass" and not test.reached_originals]


def opened_at_or_below(tests: Sequence[AwayTest], version: str) -> AwayTest | None:
    """Return a passed away test on an engine no newer than ``version``: what shows that it opens there."""
    limit = engine_version(version)
    for test in _passed(tests):
        used = engine_version(test.engine_version)
        if limit and used and used <= limit:
            return test
    return None


class NeedsModel(msgspec.Struct, frozen=True, kw_only=True):
    """What is stated, and the away tests of exactly this content."""

    facts: Facts
    tests: Sequence[AwayTest] = ()

    @property
    def untested(self) -> bool:
        """Whether a minimum is stated that no passed away test backs."""
        minimum = self.facts.engine.minimum
        return engine_version(minimum) is not None and opened_at_or_below(self.tests, minimum) is None

    @property
    def below_saved(self) -> bool:
        """Whether the minimum is lower than the version the patch was saved with."""
        minimum, saved = engine_version(self.facts.engine.minimum), engine_version(self.facts.engine.saved_with)
        return minimum is not None and saved is not None and minimum < saved


@_needs_rule(
    "minimum-unset",
    BLOCKS,
    means="No minimum engine version is stated.",
    why="Players with an older engine download it, and it does not open.",
    mend="Set engine.minimum; the version it was saved with is the safe choice.",
)
def minimum_unset(model: NeedsModel) -> Iterator[Finding]:
    """A minimum is stated."""
    if not model.facts.engine.minimum.strip():
        yield minimum_unset.finding(FACTS_FILE, at=At(fact="engine.minimum"), says="not stated")


@_needs_rule(
    "minimum-below-saved",
    BLOCKS,
    means="The minimum is lower than the version the patch was saved with, and no away test shows that it opens.",
    why="Engines often refuse patches saved by a newer version.",
    mend="Raise engine.minimum, or record a passed away test on that version.",
)
def minimum_below_saved(model: NeedsModel) -> Iterator[Finding]:
    """A minimum below the version it was saved with was tested."""
    engine = model.facts.engine
    if model.untested and model.below_saved:
        yield minimum_below_saved.finding(
            FACTS_FILE,
            at=At(fact="engine.minimum"),
            value=engine.minimum,
            limit=f"{visible(engine.saved_with)}, or a passed away test on {visible(engine.minimum)}",
        )


@_needs_rule(
    "minimum-unproven",
    WARNS,
    means="Nobody has opened this content in the minimum version.",
    why="The requirement on the page would be a hope.",
    mend="Run an away test on exactly that engine version.",
)
def minimum_unproven(model: NeedsModel) -> Iterator[Finding]:
    """Any other minimum was tested."""
    if model.untested and not model.below_saved:
        yield minimum_unproven.finding(
            FACTS_FILE,
            at=At(fact="engine.minimum"),
            says="no away test on it",
            limit=visible(model.facts.engine.minimum),
        )


@_needs_rule(
    "system-unproven",
    WARNS,
    means="A supported system is stated on which nobody has opened this content.",
    why="Paths, names and fonts differ between systems; some faults show on one of them only.",
    mend="Run an away test there, or take the system out of engine.systems.",
)
def system_unproven(model: NeedsModel) -> Iterator[Finding]:
    """Each system stated was tested."""
    tested = {system_of(test.system) for test in _passed(model.tests)}
    for system in model.facts.engine.systems:
        if system not in tested:
            yield system_unproven.finding(
                FACTS_FILE, at=At(fact="engine.systems"), value=SYSTEM_NAMES[system], says="{value}: not tested"
            )


@_needs_rule(
    "edition-unstated",
    WARNS,
    means="It is not stated which edition of the engine a player needs.",
    why="Where an engine has a free and a full edition, players with the wrong one find out after the download.",
    mend="Set engine.edition; where there is only one, write “any”.",
)
def edition_unstated(model: NeedsModel) -> Iterator[Finding]:
    """An edition is stated."""
    if not model.facts.engine.edition.strip():
        yield edition_unstated.finding(FACTS_FILE, at=At(fact="engine.edition"), says="not stated")


RULES: Final[tuple[Rule[NeedsModel], ...]] = (
    minimum_unset,
    minimum_below_saved,
    minimum_unproven,
    system_unproven,
    edition_unstated,
)


def requirement(facts: Facts, tests: Sequence[AwayTest], weight: Weight) -> tuple[Line, ...]:
    """Return the requirement line by line, each with the evidence behind it."""
    engine = facts.engine
    lines = [engine_line(facts, tests)]
    if engine.edition.strip():
        editions = sorted({test.edition for test in _passed(tests) if test.edition})
        because = f"opened in {listed(editions)}" if editions else "as stated by the maker"
        lines.append(Line("Edition", engine.edition, because, bool(editions)))
    lines.extend(_system_lines(facts, tests))
    download = "not built yet" if weight.download is None else both_bytes(weight.download)
    lines += [
        Line("Download", download, "size of the archive", weight.download is not None),
        Line("Disk, unpacked", both_bytes(weight.unpacked), "sum of what ships", proven=True),
    ]
    if weight.memory is not None:
        because = "frames × channels × 4 bytes; hosts that stream from disk need less"
        lines.append(Line("Memory", f"{both_bytes(weight.memory)} with every sample loaded", because, proven=True))
    count = plural(weight.samples, "sample")
    playing = f", {duration(weight.seconds)} of sound" if weight.seconds is not None else ""
    lines.append(Line("Samples", f"{count}{playing}", "counted in what ships", proven=True))
    return tuple(
        msgspec.structs.replace(line, value=visible(line.value), because=visible(line.because)) for line in lines
    )


def engine_line(facts: Facts, tests: Sequence[AwayTest]) -> Line:
    """Return the line on the engine: the minimum and what it rests on."""
    engine = facts.engine
    name = engine.name.strip() or "Engine not stated"
    if not engine.minimum.strip():
        return Line("Engine", f"{name}, version not stated", "no minimum is stated", proven=False)
    proof = opened_at_or_below(tests, engine.minimum)
    if proof:
        because, proven = f"an away test on {proof.engine_version} passed", True
    elif engine.saved_with and engine_version(engine.minimum) == engine_version(engine.saved_with):
        because, proven = "the version it was saved with; not tested elsewhere yet", False
    else:
        because, proven = "as stated by the maker; no away test on it", False
    return Line("Engine", f"{name} {engine.minimum} or newer", because, proven)


def _system_lines(facts: Facts, tests: Sequence[AwayTest]) -> list[Line]:
    lines = []
    passed = _passed(tests)
    systems = dict.fromkeys([*facts.engine.systems, *(s for s in (system_of(t.system) for t in passed) if s)])
    for system in systems:
        names = sorted({test.system for test in passed if system_of(test.system) == system})
        because = f"opened and played on {listed(names)}" if names else "as stated by the maker; not tried there yet"
        lines.append(Line("System", SYSTEM_NAMES[system], because, bool(names)))
    return lines
