"""Needs: what a player must have, and the evidence behind each line of it."""

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Final

import msgspec

from companion.core.evidence import AwayTest
from companion.core.facts import FACTS_FILE, Facts
from companion.core.findings import BLOCKS, WARNS, At, Finding
from companion.core.rules import Rule, rule
from companion.core.systems import SYSTEM_NAMES, system_family, system_of
from companion.core.text import listed, plural, visible
from companion.core.units import both_bytes, duration
from companion.core.versions import engine_version
from companion.trials.away import KINDS, not_opened, opened

_needs_rule: Final = partial(rule, step="needs")
ANY: Final = "any"
"""What the facts say where the engine has one edition, or any will do."""


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


def _contest(failed: AwayTest, passed: AwayTest) -> bool:
    """Tell whether a failure speaks against a pass: on the same system, or on one that nobody named."""
    family = system_family(failed.system)
    return not family or family == system_family(passed.system)


def proof_of_minimum(facts: Facts, tests: Sequence[AwayTest]) -> AwayTest | None:
    """Return the away test that shows that it opens in the minimum version; None while none does.

    Only a test that opens the copy away from its originals counts, of exactly that version: an older engine is none
    that is promised, a newer one says nothing of it, and a piece of music is played where the patch is loaded already.
    Against it counts a failure in that version on the same system, whoever met it.
    """
    minimum = engine_version(facts.engine.minimum)
    if minimum is None:
        return None
    failed = [test for test in not_opened(tests, facts) if engine_version(test.engine_version) in (minimum, None)]
    for test in opened(tests, facts):
        if engine_version(test.engine_version) == minimum and not any(_contest(other, test) for other in failed):
            return test
    return None


def uncontested(facts: Facts, tests: Sequence[AwayTest]) -> list[AwayTest]:
    """Return the tests that show that it opens, on systems on which no test that counts has failed."""
    failed = not_opened(tests, facts)
    return [test for test in opened(tests, facts) if not any(_contest(other, test) for other in failed)]


def failed_on(system: str, facts: Facts, tests: Sequence[AwayTest]) -> list[AwayTest]:
    """Return the tests that count and showed that it does not open on a system of the facts."""
    return [test for test in not_opened(tests, facts) if system_family(test.system) in ("", system)]


class NeedsModel(msgspec.Struct, frozen=True, kw_only=True):
    """What is stated, and the away tests that count for this content."""

    facts: Facts
    tests: Sequence[AwayTest] = ()

    @property
    def untested(self) -> bool:
        """Whether a minimum is stated that no passed away test backs."""
        minimum = self.facts.engine.minimum
        return engine_version(minimum) is not None and proof_of_minimum(self.facts, self.tests) is None

    @property
    def below_saved(self) -> bool:
        """Whether the minimum is lower than the version the patch was saved with."""
        minimum, saved = engine_version(self.facts.engine.minimum), engine_version(self.facts.engine.saved_with)
        return minimum is not None and saved is not None and minimum < saved


@_needs_rule(
    "minimum-unset",
    BLOCKS,
    version=2,
    means="No minimum engine version is stated, or what is stated is no version.",
    why="Players with an older engine download it, and it does not open.",
    mend="Set engine.minimum; the version it was saved with is the safe choice.",
)
def minimum_unset(model: NeedsModel) -> Iterator[Finding]:
    """A minimum is stated, and one that can be compared."""
    minimum = model.facts.engine.minimum
    if not minimum.strip():
        yield minimum_unset.finding(FACTS_FILE, at=At(fact="engine.minimum"), says="not stated")
    elif engine_version(minimum) is None:
        yield minimum_unset.finding(FACTS_FILE, at=At(fact="engine.minimum"), value=minimum, says="“{value}”")


@_needs_rule(
    "minimum-below-saved",
    BLOCKS,
    version=2,
    means="The minimum is lower than the version the patch was saved with, and no away test shows that it opens.",
    why="Engines often refuse patches saved by a newer version.",
    mend="Raise engine.minimum, or record a passed away test on that version: originals hidden, another computer or "
    "another player. A piece of music does not show that it opens.",
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
    version=2,
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
    "minimum-unbacked",
    WARNS,
    version=2,
    means="A minimum is stated that nothing backs: nobody has opened this content away from its originals, or neither "
    "was it tested in the minimum nor is a version stated that the patch was saved with.",
    why="Whether it opens there, nobody knows.",
    mend="Record a passed away test, best on the minimum itself. One on a newer version will do where the minimum is "
    "the version that saved the patch (engine.saved_with).",
    unknown=True,
)
def minimum_unbacked(model: NeedsModel) -> Iterator[Finding]:
    """A minimum rests on a test of it, or on any test and the version the maker works with; on no word alone."""
    engine = model.facts.engine
    if not model.untested or model.below_saved:  # which blocks already
        return
    if engine_version(engine.saved_with) is None:
        says = "{value}: nothing backs it"
    elif not opened(model.tests, model.facts):
        says = "{value}: stated, and no away test of this content has passed"
    else:
        return
    yield minimum_unbacked.finding(FACTS_FILE, at=At(fact="engine.minimum"), value=engine.minimum, says=says)


@_needs_rule(
    "system-unproven",
    WARNS,
    version=2,
    means="A supported system is stated on which nobody has opened this content, or on which a test has failed.",
    why="Paths, names and fonts differ between systems; some faults show on one of them only.",
    mend="Run an away test there, or take the system out of engine.systems.",
)
def system_unproven(model: NeedsModel) -> Iterator[Finding]:
    """Each system stated was tested."""
    tested = {system_of(test.system) for test in opened(model.tests, model.facts)}
    for system in model.facts.engine.systems:
        if failed_on(system, model.facts, model.tests):
            says = "{value}: a test failed there"
        elif system not in tested:
            says = "{value}: not tested"
        else:
            continue
        yield system_unproven.finding(FACTS_FILE, at=At(fact="engine.systems"), value=SYSTEM_NAMES[system], says=says)


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


@_needs_rule(
    "edition-unproven",
    WARNS,
    means="An edition of the engine is stated, and the away tests that passed were made in others.",
    why="What opens in one edition may not open in another; players buy or install the one that is named.",
    mend="Run an away test in the edition that is stated and name it in the record, or state the one it was tested in.",
)
def edition_unproven(model: NeedsModel) -> Iterator[Finding]:
    """Of the tests that passed, some name an edition and none the one that is stated. “any” is no edition."""
    tried = _editions(model.facts, model.tests)
    stated = model.facts.engine.edition.strip().casefold()
    if tried and stated not in ("", ANY, *(name.casefold() for name in tried)):
        yield edition_unproven.finding(
            FACTS_FILE,
            at=At(fact="engine.edition"),
            value=visible(listed(tried)),
            says="tested in {value}",
            limit=visible(model.facts.engine.edition.strip()),
        )


RULES: Final[tuple[Rule[NeedsModel], ...]] = (
    minimum_unset,
    minimum_below_saved,
    minimum_unproven,
    minimum_unbacked,
    system_unproven,
    edition_unstated,
    edition_unproven,
)


def requirement(facts: Facts, tests: Sequence[AwayTest], weight: Weight) -> tuple[Line, ...]:
    """Return the requirement line by line, each with the evidence behind it."""
    engine = facts.engine
    lines = [engine_line(facts, tests)]
    if engine.edition.strip():
        lines.append(_edition_line(facts, tests))
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
    proof = proof_of_minimum(facts, tests)
    if proof:
        because, proven = f"an away test on {proof.engine_version} passed", True
    elif engine.saved_with and engine_version(engine.minimum) == engine_version(engine.saved_with):
        because, proven = "the version it was saved with; no away test on it yet", False
    else:
        because, proven = "as stated by the maker; no away test on it", False
    return Line("Engine", f"{name} {engine.minimum} or newer", because, proven)


def _editions(facts: Facts, tests: Sequence[AwayTest]) -> list[str]:
    """Return the editions in which it has opened, each as it was written first; “any” names none."""
    found = {test.edition.strip().casefold(): test.edition.strip() for test in reversed(uncontested(facts, tests))}
    return sorted(name for key, name in found.items() if key not in ("", ANY))


def next_test(facts: Facts, tests: Sequence[AwayTest]) -> str:
    """Return, in a sentence, the away test that would settle most of what is only stated; empty where nothing is."""
    engine, good = facts.engine, uncontested(facts, tests)
    tried = {system_of(test.system) for test in good}
    systems = [system for system in engine.systems if system not in tried]
    least = engine.minimum.strip() if NeedsModel(facts=facts, tests=tests).untested else ""
    stated = engine.edition.strip()
    edition = stated if stated.casefold() not in ("", ANY, *map(str.casefold, _editions(facts, tests))) else ""
    settles = [SYSTEM_NAMES[systems[0]]] if systems else []
    settles += [f"the minimum of {least}"] if least else []
    settles += [f"the {edition} edition"] if edition else []
    if not any(KINDS[test.kind].elsewhere for test in good):
        settles.append("that it opens on a computer that is not yours")
    if not settles:
        return ""
    name = engine.name.strip() or "the engine"
    using = f" with {name}{f' {least}' if least else ''}{f', {edition} edition' if edition else ''}"
    where = f"on {SYSTEM_NAMES[systems[0]]}" if systems else "on another computer"
    return f"Most useful next: a test {where}{using if least or edition else ''}. It would settle {listed(settles, 9)}."


def settles(facts: Facts, test: AwayTest) -> tuple[str, ...]:
    """Return what an away test settles by itself, in a few words each: its system, the minimum, the edition.

    Empty where it is none that proves that it opens; what others contest, it does not settle alone.
    """
    if not opened([test], facts):
        return ()
    minimum, edition = engine_version(facts.engine.minimum), facts.engine.edition.strip()
    found = [SYSTEM_NAMES[system]] if (system := system_of(test.system)) else []
    if minimum is not None and engine_version(test.engine_version) == minimum:
        found.append(f"the minimum of {facts.engine.minimum.strip()}")
    if edition.casefold() not in ("", ANY) and test.edition.strip().casefold() == edition.casefold():
        found.append(f"the {edition} edition")
    return tuple(found)


def _edition_line(facts: Facts, tests: Sequence[AwayTest]) -> Line:
    """Return the line on the edition: proven by a test in that very one; “any” by tests in two at least."""
    edition, tried = facts.engine.edition.strip(), _editions(facts, tests)
    proven = len(tried) > 1 if edition.casefold() == ANY else edition.casefold() in map(str.casefold, tried)
    if not tried:
        because = "as stated by the maker"
    elif proven:
        because = f"opened in {listed(tried)}"
    else:
        because = f"as stated by the maker; opened in {listed(tried)} alone"
    return Line("Edition", edition, because, proven)


def _system_lines(facts: Facts, tests: Sequence[AwayTest]) -> list[Line]:
    lines = []
    passed = opened(tests, facts)
    systems = dict.fromkeys([*facts.engine.systems, *(s for s in (system_of(t.system) for t in passed) if s)])
    for system in systems:
        names = sorted({test.system for test in passed if system_of(test.system) == system})
        failed = failed_on(system, facts, tests)
        because = f"opened and played on {listed(names)}" if names else "as stated by the maker; not tried there yet"
        if failed:
            where = listed(sorted({test.system or "a system not named" for test in failed}))
            because = f"{because if names else 'as stated by the maker'}; a test on {where} failed"
        lines.append(Line("System", SYSTEM_NAMES[system], because, bool(names) and not failed))
    return lines
