"""What the answers and away tests given so far say about this content. Pure: values in, findings out."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property

import msgspec

from companion.core.evidence import Answer, AwayTest
from companion.core.facts import Facts
from companion.core.findings import Finding, Rule, Severity, ordered
from companion.core.text import listed, plural, visible
from companion.trials import rules
from companion.trials.away import KINDS, is_too_old, opened, standing
from companion.trials.plan import ORDERS, Trial

MOST_QUOTED = 200
"""Characters of a person's note that a finding repeats; the whole of it stays in the evidence."""


def verdicts(trials: Iterable[Trial], answers: Iterable[Answer]) -> dict[str, Answer]:
    """Return the latest pass or fail by trial id; notes decide nothing, and answers to no known trial are left out."""
    known = {trial.id for trial in trials}
    return {answer.subject: answer for answer in answers if answer.subject in known and answer.result != "note"}


class ControlsModel(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """Controls and what was judged of them. trials: the plan for ``facts``. answers: for exactly this content, in
    the order they were given.
    """

    facts: Facts
    trials: tuple[Trial, ...]
    answers: tuple[Answer, ...] = ()

    @cached_property
    def verdicts(self) -> dict[str, Answer]:
        """The latest pass or fail by trial id."""
        return verdicts(self.trials, self.answers)

    def untried(self, *kinds: str) -> list[Trial]:
        """Return the trials of these kinds that have no pass or fail yet."""
        return [trial for trial in self.trials if trial.kind in kinds and trial.id not in self.verdicts]


class AwayModel(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """Away tests. tests: given for exactly this content; others: for any other; both in the order they were given."""

    facts: Facts
    tests: tuple[AwayTest, ...] = ()
    others: tuple[AwayTest, ...] = ()

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
        return frozenset(test.kind for test in self.counting if test.result == "pass" and not test.reached_originals)


def check_controls(model: ControlsModel) -> tuple[Finding, ...]:
    """Return every finding about the controls, in the order they are shown."""
    checks = (controls_none, control_untried, order_missing, pairs_missing, trial_failed)
    return ordered(finding for check in checks for finding in check(model))


def check_away(model: AwayModel) -> tuple[Finding, ...]:
    """Return every finding about the away tests, in the order they are shown."""
    checks = (away_untried, originals_reached, away_differs, helper_too_old, report_old, music_shallow, away_narrow)
    return ordered(finding for check in checks for finding in check(model))


def controls_none(model: ControlsModel) -> list[Finding]:
    """Note that no control is declared. A note only: an instrument without controls is an honest one."""
    return [] if model.facts.controls else [rules.CONTROLS_NONE.finding(measured="no control declared")]


def control_untried(model: ControlsModel) -> list[Finding]:
    """Block until each control was judged alone at both ends; one finding, since one sitting mends it."""
    return _missing(rules.CONTROL_UNTRIED, model, "alone")


def order_missing(model: ControlsModel) -> list[Finding]:
    """Warn of orders not tried: that a result depends on the order of moves shows only when orders are compared."""
    return _missing(rules.ORDER_MISSING, model, *ORDERS)


def pairs_missing(model: ControlsModel) -> list[Finding]:
    """Warn of pairs of extremes not heard together; most faults of combination need two settings, seldom three."""
    return _missing(rules.PAIRS_MISSING, model, "pairs")


def trial_failed(model: ControlsModel) -> list[Finding]:
    """Block on each trial whose latest verdict is fail, and repeat what the person noted."""
    return [
        rules.TRIAL_FAILED.finding(
            where=trial.title,
            measured=_quoted("failed", model.verdicts[trial.id].note),
            limit=trial.expect,
        )
        for trial in model.trials
        if trial.id in model.verdicts and model.verdicts[trial.id].result == "fail"
    ]


def _missing(rule: Rule, model: ControlsModel, *kinds: str) -> list[Finding]:
    missing = model.untried(*kinds)
    if not missing:
        return []
    total = sum(trial.kind in kinds for trial in model.trials)
    names = listed([trial.title for trial in missing])
    return [rule.finding(measured=f"{len(missing):,} of {plural(total, 'trial')} not judged: {names}")]


def away_untried(model: AwayModel) -> list[Finding]:
    """Block until one test that opens the copy away from its originals has passed for exactly this content.

    A piece of music alone does not count: played where the instrument was made, it proves nothing about paths.
    """
    if model.opened:
        return []
    count = len(model.standing)
    return [
        rules.AWAY_UNTRIED.finding(measured=f"{plural(count, 'test')}, none of them proves it" if count else "no test")
    ]


def originals_reached(model: AwayModel) -> list[Finding]:
    """Block on each standing test that saw a file opened outside the copy, even where it was called a pass."""
    return [
        rules.ORIGINALS_REACHED.finding(
            where=_told(test), measured=_quoted("files outside the copy were opened", test.notes)
        )
        for test in model.standing
        if test.reached_originals
    ]


def away_differs(model: AwayModel) -> list[Finding]:
    """Warn of each failed test; block where nothing of its kind that opens the copy has passed.

    A test on an engine below the minimum says nothing about what is promised and is left to ``helper-too-old``.
    """
    return [
        rules.AWAY_DIFFERS.finding(
            where=_told(test),
            measured=_quoted("failed", test.notes),
            severity=Severity.BLOCKS if KINDS[test.kind].opens and test.kind not in model.passed else None,
        )
        for test in model.counting
        if test.result == "fail"
    ]


def helper_too_old(model: AwayModel) -> list[Finding]:
    """Block on a test made below the minimum while nothing else proves the copy; afterwards only note it.

    Evidence is never removed, so it must not go on blocking once a test that counts has passed.
    """
    minimum = visible(model.facts.engine.minimum)
    return [
        rules.HELPER_TOO_OLD.finding(
            where=_told(test),
            measured=f"engine version {visible(test.engine_version)}",
            limit=f"at least {minimum}",
            severity=Severity.NOTES if model.opened else None,
        )
        for test in model.standing
        if is_too_old(test, model.facts)
    ]


def report_old(model: AwayModel) -> list[Finding]:
    """Note kinds of test that were made for other content and not yet for this."""
    kinds = {test.kind for test in model.standing}
    old = [test for test in model.others if test.kind not in kinds]
    if not old:
        return []
    names = listed([guide.title.lower() for kind, guide in KINDS.items() if any(test.kind == kind for test in old)], 4)
    return [rules.REPORT_OLD.finding(measured=f"{plural(len(old), 'report')} for other content: {names}")]


def music_shallow(model: AwayModel) -> list[Finding]:
    """Note what no piece of music used; a second piece that uses it silences the note."""
    pieces = [test.unused for test in model.counting if test.kind == "a piece of music"]
    left = [item for item in pieces[0] if all(item in piece for piece in pieces)] if pieces else []
    if not left:
        return []
    return [rules.MUSIC_SHALLOW.finding(measured=f"never used: {listed([visible(item) for item in left], 8)}")]


def away_narrow(model: AwayModel) -> list[Finding]:
    """Warn while only the maker's own computer was used, note the other kinds; silent until one test has passed."""
    missing = [guide.title.lower() for kind, guide in KINDS.items() if kind not in model.passed]
    if not model.opened or not missing:
        return []
    elsewhere = any(KINDS[test.kind].elsewhere for test in model.opened)
    return [
        rules.AWAY_NARROW.finding(
            measured=f"not made: {listed(missing, 4)}", severity=Severity.NOTES if elsewhere else None
        )
    ]


def _quoted(what: str, note: str) -> str:
    note = visible(" ".join(note.split()))
    if len(note) > MOST_QUOTED:
        note = note[: MOST_QUOTED - 1] + "…"
    return f"{what}: “{note}”" if note else what


def _told(test: AwayTest) -> str:
    """Return who tested where, as one place: ``another computer, by Ada, Windows 11, engine 7.1``."""
    parts = [
        test.kind,
        f"by {test.who}" if test.who else "",
        test.system,
        f"engine {test.engine_version}" if test.engine_version else "",
    ]
    return visible(", ".join(part for part in parts if part))
