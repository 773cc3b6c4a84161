"""What the away tests given so far say about this content. Pure: values in, findings out."""

from collections.abc import Iterator
from functools import cached_property, partial
from typing import Final

import msgspec

from companion.core.evidence import AwayTest
from companion.core.facts import Facts
from companion.core.findings import BLOCKS, NOTES, WARNS, Finding, Severity
from companion.core.rules import Rule, rule
from companion.core.text import listed, plural, visible
from companion.trials.away import KINDS, is_too_old, opened, passes, standing
from companion.trials.away_filing import Aside, Why
from companion.trials.quoting import quoted

_away_rule: Final = partial(rule, step="away")


class AwayModel(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """Away tests. tests: those that count for this content; others: those that do not; both as they were recorded."""

    facts: Facts
    tests: tuple[AwayTest, ...] = ()
    others: tuple[Aside, ...] = ()

    @cached_property
    def standing(self) -> tuple[AwayTest, ...]:
        """The tests for this content that no repeat has replaced."""
        return standing(self.tests)

    @cached_property
    def opened(self) -> tuple[AwayTest, ...]:
        """The tests that prove it opens away from the originals."""
        return opened(self.tests, self.facts)

    @cached_property
    def counting(self) -> tuple[AwayTest, ...]:
        """The standing tests on an engine that is not below the minimum."""
        return tuple(test for test in self.standing if not is_too_old(test, self.facts))

    @cached_property
    def passed(self) -> frozenset[str]:
        """The kinds of which a test passed."""
        return frozenset(test.kind for test in self.counting if passes(test))

    def aside(self, why: Why) -> list[Aside]:
        """The tests that do not count for this reason, of kinds of which none counts."""
        kinds = {test.kind for test in self.standing}
        return [test for test in self.others if test.why == why and test.kind not in kinds]


@_away_rule(
    "away-untried",
    BLOCKS,
    version=2,
    means="No test has shown that exactly this content opens and plays away from the maker’s own files.",
    why="On the maker’s computer an instrument always finds its samples; on a player’s it may open to silence.",
    mend="Make one of these: this computer with the originals hidden, another computer, or another player.",
    limit="one passed test",
    unit="test",
    bound=1,
)
def away_untried(model: AwayModel) -> Iterator[Finding]:
    """No test that opens the copy away from its originals has passed for exactly this content.

    A piece of music alone does not count: played where the instrument was made, it proves nothing about paths.
    """
    if not model.opened:
        count = len(model.standing)
        yield away_untried.finding(
            value=0, says=f"{plural(count, 'test')}, none of which proves it" if count else "no test"
        )


@_away_rule(
    "originals-reached",
    BLOCKS,
    version=2,
    means="During an away test the engine opened files outside the away copy.",
    why="The patch still points at the maker’s folders; nobody else has those.",
    mend="In the engine, let the patch refer to its samples by relative paths, save it, and repeat the test.",
)
def originals_reached(model: AwayModel) -> Iterator[Finding]:
    """A standing test saw a file opened outside the copy, even where it was called a pass."""
    for test in model.standing:
        if test.reached_originals:
            yield _of_test(originals_reached, test, "files outside the copy were opened")


@_away_rule(
    "away-differs",
    WARNS,
    version=2,
    means="An away test failed: it did not open, play or sound there as it does here. It blocks as long as no test of "
    "its kind has passed.",
    why="At least one computer plays something else than what was meant; more of them are among the players.",
    mend="Find out what differed and mend it, or repeat the test if it was a slip. If only an old engine version "
    "fails, raise the minimum in the facts above it.",
)
def away_differs(model: AwayModel) -> Iterator[Finding]:
    """A test failed; it blocks where nothing of its kind that opens the copy has passed.

    A test on an engine below the minimum says nothing about what is promised and is left to ``helper-too-old``.
    """
    for test in model.counting:
        if test.result == "fail":
            blocks = KINDS[test.kind].opens and test.kind not in model.passed
            yield _of_test(away_differs, test, "failed", BLOCKS if blocks else WARNS)


def _of_test(rule: Rule[AwayModel], test: AwayTest, what: str, severity: Severity | None = None) -> Finding:
    note = quoted(test.notes)
    says = f"{what}: “{{value}}”" if note else what
    return rule.finding(where=_described(test), value=note or None, says=says, severity=severity)


def _described(test: AwayTest) -> str:
    """Return who tested where, as one place: ``another computer, by Ada, Windows 11, engine 7.1``."""
    parts = [
        test.kind,
        f"by {test.who}" if test.who else "",
        test.system,
        f"engine {test.engine_version}" if test.engine_version else "",
    ]
    return visible(", ".join(part for part in parts if part))


@_away_rule(
    "helper-too-old",
    BLOCKS,
    version=2,
    means="An away test was made on an engine older than the minimum, so it proves nothing for players. It is only "
    "noted once another test has passed.",
    why="The promise to players is made for the minimum and newer; nothing was shown for those.",
    mend="Let the helper update the engine and repeat the test, or lower the minimum if that version works.",
)
def helper_too_old(model: AwayModel) -> Iterator[Finding]:
    """A test was made below the minimum; it blocks while nothing else proves the copy.

    Evidence is never removed, so it must not go on blocking once a test that counts has passed.
    """
    for test in model.standing:
        if is_too_old(test, model.facts):
            yield helper_too_old.finding(
                where=_described(test),
                value=test.engine_version,
                says="engine version {value}",
                limit=f"at least {visible(model.facts.engine.minimum)}",
                severity=NOTES if model.opened else BLOCKS,
            )


@_away_rule(
    "report-old",
    NOTES,
    version=2,
    means="Away tests exist, but for other content than what would ship now.",
    why="Nobody but the maker has heard what has changed since.",
    mend="Repeat the tests with this content. Those reports count again if that content comes back.",
    unit="report",
)
def report_old(model: AwayModel) -> Iterator[Finding]:
    """Kinds of test were made for other content and not yet for this."""
    yield from _aside(report_old, model.aside("other content"), "for other content")


@_away_rule(
    "engine-other",
    NOTES,
    means="Away tests exist, but they were made with another engine than the facts name now.",
    why="What opens in one engine says nothing of another.",
    mend="Repeat the tests in this engine. If only its name was written otherwise, write it as it was.",
    unit="report",
)
def engine_other(model: AwayModel) -> Iterator[Finding]:
    """Kinds of test were made with an engine of another name, and not yet with this."""
    old = model.aside("another engine")
    names = listed([f"“{name}”" for name in dict.fromkeys(visible(test.engine) for test in old)], 4)
    yield from _aside(engine_other, old, f"with {names}")


@_away_rule(
    "report-unsaid",
    NOTES,
    means="Away tests of this content were recorded as passed, but do not say with which version of the engine, on "
    "which system, or what was played. Older companions did not ask.",
    why="A result alone proves nothing: nobody could tell later what it was a result of.",
    mend="Record them again with what was done, or make them again.",
    unit="report",
)
def report_unsaid(model: AwayModel) -> Iterator[Finding]:
    """Kinds of test passed in so few words that they do not count, and none that counts is there."""
    yield from _aside(report_unsaid, model.aside("not all said"), "with too little said")


def _aside(rule: Rule[AwayModel], old: list[Aside], what: str) -> Iterator[Finding]:
    if old:
        titles = [guide.title.lower() for kind, guide in KINDS.items() if any(test.kind == kind for test in old)]
        yield rule.finding(value=len(old), says=f"{{value}} {what}: {listed(titles, 4)}")


@_away_rule(
    "music-shallow",
    NOTES,
    means="The music that was played left some keys, velocities or controls unused.",
    why="What no piece has touched, a player touches first.",
    mend="Play a piece that uses what is listed.",
)
def music_shallow(model: AwayModel) -> Iterator[Finding]:
    """No piece of music used this; a second piece that does silences the note."""
    pieces = [test.unused for test in model.counting if test.kind == "a piece of music"]
    left = [item for item in pieces[0] if all(item in piece for piece in pieces)] if pieces else []
    if left:
        yield music_shallow.finding(value=listed(left, 8), says="never used: {value}")


@_away_rule(
    "away-narrow",
    WARNS,
    version=2,
    means="It was tested away from the originals, but only in some of the ways that find faults. It is only noted "
    "once another computer or another player is among them.",
    why="Each kind finds other faults: only another computer shows what the maker’s has installed, only another "
    "player shows what the readme leaves out.",
    mend="Make the kinds of test that are listed, as far as you can.",
)
def away_narrow(model: AwayModel) -> Iterator[Finding]:
    """Only some kinds were made; a note once another computer is among them, silent until one test has passed."""
    missing = [guide.title.lower() for kind, guide in KINDS.items() if kind not in model.passed]
    if model.opened and missing:
        elsewhere = any(KINDS[test.kind].elsewhere for test in model.opened)
        severity = NOTES if elsewhere else WARNS
        yield away_narrow.finding(value=listed(missing, 4), says="not made: {value}", severity=severity)


# A rule's version rises whenever it may say something else of the same tests.
RULES: Final[tuple[Rule[AwayModel], ...]] = (
    away_untried,
    originals_reached,
    away_differs,
    helper_too_old,
    report_old,
    engine_other,
    report_unsaid,
    music_shallow,
    away_narrow,
)
