"""Each rule of Controls and Away: a model that has the fault, and its nearest innocent neighbour."""

from __future__ import annotations

from typing import Any, Literal

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.evidence import Answer, AwayKind, AwayTest
from companion.core.facts import Control, Engine, Facts
from companion.core.findings import Finding, Severity, ordered
from companion.core.rules import Rule, findings_of
from companion.trials import away_rules, control_rules
from companion.trials.away_filing import Aside, Why
from companion.trials.away_rules import AwayModel
from companion.trials.control_rules import ControlsModel
from companion.trials.plan import Trial, trials

RULES: tuple[Rule[Any], ...] = (*control_rules.RULES, *away_rules.RULES)

CONTROLS = tuple(Control(name=name) for name in ("Tone", "Air", "Body", "Length"))
FACTS = Facts(controls=CONTROLS, engine=Engine(minimum="7.1"))
PLAN = trials(CONTROLS, 5)


def ids(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.rule for finding in findings]


def one(findings: tuple[Finding, ...], rule: str) -> Finding:
    (found,) = [finding for finding in findings if finding.rule == rule]
    return found


def answered(*kinds: str, result: Literal["pass", "fail", "note"] = "pass") -> tuple[Answer, ...]:
    return tuple(Answer(subject=trial.id, result=result) for trial in PLAN if trial.kind in kinds)


EVERY = ("alone", "left to right", "right to left", "shuffled", "pairs")


def controls(*answers: Answer) -> tuple[Finding, ...]:
    return ordered(findings_of(control_rules.RULES, ControlsModel(facts=FACTS, trials=PLAN, answers=answers)))


def away(
    *tests: AwayTest, others: tuple[AwayTest, ...] = (), why: Why = "other content", facts: Facts = FACTS
) -> tuple[Finding, ...]:
    aside = tuple(Aside(**msgspec.structs.asdict(test), why=why) for test in others)
    return ordered(findings_of(away_rules.RULES, AwayModel(facts=facts, tests=tests, others=aside)))


def given_test(kind: AwayKind, **more: Any) -> AwayTest:
    said = {"engine_version": "7.1", "system": "Windows 11", "played": "low to high"}
    return AwayTest(**{"kind": kind, "result": "pass", **said, **more})


def hidden(**more: Any) -> AwayTest:
    return given_test("originals hidden", **more)


def computer(**more: Any) -> AwayTest:
    return given_test("another computer", **{"who": "Ada", **more})


def player(**more: Any) -> AwayTest:
    return given_test("another player", **{"who": "Ada", **more})


def music(**more: Any) -> AwayTest:
    return given_test("a piece of music", **more)


def test_rules_are_listed_once_and_have_their_step() -> None:
    assert len({rule.id for rule in RULES}) == len(RULES)
    assert {rule.step for rule in RULES} == {"controls", "away"}
    assert all(rule.means and rule.why and rule.mend for rule in RULES)


# Controls


def test_nothing_tried_asks_for_everything_and_only_single_controls_block() -> None:
    findings = controls()
    assert ids(findings) == ["control-untried", "order-missing", "pairs-missing"]
    assert [finding.severity for finding in findings] == [Severity.BLOCKS, Severity.WARNS, Severity.WARNS]
    assert "4 of 4 trials" in findings[0].measured


def test_everything_passed_is_silent() -> None:
    assert controls(*answered(*EVERY)) == ()


def test_one_control_left_out_blocks_and_is_named() -> None:
    answers = answered(*EVERY)
    missing = next(trial for trial in PLAN if trial.title == "Body alone")
    found = one(controls(*(answer for answer in answers if answer.subject != missing.id)), "control-untried")
    assert "1 of 4" in found.measured
    assert "Body alone" in found.measured


def test_a_note_alone_decides_nothing_and_a_note_behind_a_pass_takes_nothing_away() -> None:
    assert "control-untried" in ids(controls(*answered("alone", result="note")))
    assert "control-untried" not in ids(controls(*answered("alone"), *answered("alone", result="note")))


@pytest.mark.parametrize("kind", ["left to right", "right to left", "shuffled"])
def test_one_order_left_out_warns(kind: str) -> None:
    findings = controls(*answered(*(other for other in EVERY if other != kind)))
    assert ids(findings) == ["order-missing"]
    assert kind in findings[0].measured


def test_one_pair_trial_left_out_warns() -> None:
    last = [trial for trial in PLAN if trial.kind == "pairs"][-1]
    findings = controls(*(answer for answer in answered(*EVERY) if answer.subject != last.id))
    assert ids(findings) == ["pairs-missing"]


@pytest.mark.parametrize("kind", EVERY)
def test_a_failed_trial_of_any_kind_blocks_and_quotes_the_note(kind: str) -> None:
    trial = next(trial for trial in PLAN if trial.kind == kind)
    failed = Answer(subject=trial.id, result="fail", note="crackles\x1b[2J at the top")
    findings = controls(*answered(*EVERY), failed)
    assert ids(findings) == ["trial-failed"]
    assert findings[0].blocks
    assert findings[0].where == trial.title
    assert findings[0].measured == "failed: “crackles\\x1b[2J at the top”"


def test_the_latest_verdict_counts() -> None:
    subject = PLAN[0].id
    answers = answered(*EVERY)
    fail, passed = Answer(subject=subject, result="fail", at="2"), Answer(subject=subject, result="pass", at="1")
    assert ids(controls(*answers, fail)) == ["trial-failed"]
    assert controls(*answers, fail, passed) == (), "the order of giving counts, not the clock"


def test_answers_to_trials_of_other_controls_change_nothing() -> None:
    assert controls(*answered(*EVERY), Answer(subject="alone-000000000000", result="fail")) == ()


def test_no_control_is_a_note_and_one_declared_is_none() -> None:
    found = ordered(findings_of(control_rules.RULES, ControlsModel(facts=Facts(), trials=())))
    assert ids(found) == ["controls-none"]
    assert not any(finding.blocks for finding in found)
    assert "controls-none" not in ids(controls())


# Away


def test_untried_blocks() -> None:
    assert ids(away()) == ["away-untried"]
    assert away()[0].blocks


@pytest.mark.parametrize("test", [hidden(), computer(), player()])
def test_one_pass_that_opens_the_copy_is_enough(test: AwayTest) -> None:
    assert not any(finding.blocks for finding in away(test))


def test_music_alone_does_not_show_that_it_opens() -> None:
    assert ids(away(music())) == ["away-untried"]


def test_all_four_kinds_passed_is_silent() -> None:
    assert away(hidden(), computer(), player(), music()) == ()


def test_originals_reached_blocks_even_when_called_a_pass() -> None:
    findings = away(computer(), hidden(reached_originals=True, notes="asked for D:"))
    found = one(findings, "originals-reached")
    assert found.blocks
    assert found.measured == "files outside the copy were opened: “asked for D:”"
    assert found.where == "originals hidden, Windows 11, engine 7.1"
    assert "originals-reached" not in ids(away(computer(), hidden()))


def test_originals_reached_is_lifted_by_a_repeat() -> None:
    assert "originals-reached" not in ids(away(hidden(reached_originals=True), hidden(notes="again, without")))


def test_a_failed_test_blocks_until_its_kind_has_passed_then_warns() -> None:
    failed = computer(who="Bo", result="fail", notes="silence")
    alone = one(away(hidden(), failed), "away-differs")
    assert alone.blocks
    assert alone.measured == "failed: “silence”"
    assert alone.where == "another computer, by Bo, Windows 11, engine 7.1"
    beside = one(away(hidden(), failed, computer(who="Ada")), "away-differs")
    assert beside.severity is Severity.WARNS
    assert "away-differs" not in ids(away(hidden(), computer(who="Bo")))


def test_a_failed_piece_of_music_warns() -> None:
    assert one(away(hidden(), music(result="fail")), "away-differs").severity is Severity.WARNS


def test_a_test_below_the_minimum_blocks_alone_and_is_noted_beside_one_that_counts() -> None:
    old = computer(engine_version="7.0.4")
    findings = away(old)
    assert set(ids(findings)) == {"away-untried", "helper-too-old"}
    found = one(findings, "helper-too-old")
    assert found.blocks
    assert "7.0.4" in found.measured
    assert found.limit == "at least 7.1"
    assert one(away(old, hidden()), "helper-too-old").severity is Severity.NOTES
    assert "helper-too-old" not in ids(away(computer(engine_version="7.1")))


def test_a_failure_below_the_minimum_says_nothing_about_the_promise() -> None:
    old = computer(engine_version="7.0", result="fail")
    assert "away-differs" not in ids(away(hidden(), old))
    assert "away-differs" in ids(
        away(hidden(), old, facts=msgspec.structs.replace(FACTS, engine=Engine(minimum="7.0")))
    )


def test_reports_for_other_content_are_noted_until_repeated() -> None:
    before = away(others=(computer(), computer(who="Bo"), hidden()))
    found = one(before, "report-old")
    assert found.severity is Severity.NOTES
    assert found.measured == "3 reports for other content: this computer, originals hidden and another computer"
    assert "away-untried" in ids(before), "old reports prove nothing for this content"
    assert "report-old" not in ids(away(computer(), hidden(), others=(computer(), hidden())))
    assert "1 report for" in one(away(computer(), others=(computer(), hidden())), "report-old").measured


def test_tests_with_another_engine_or_too_little_said_are_told_apart_until_repeated() -> None:
    renamed = away(others=(computer(engine="Other\x07"), hidden(engine="Other\x07")), why="another engine")
    assert {finding.rule: finding.severity for finding in renamed} == {
        "away-untried": Severity.BLOCKS,
        "engine-other": Severity.NOTES,
    }
    says = "2 reports with “Other\\x07”: this computer, originals hidden and another computer"
    assert one(renamed, "engine-other").measured == says
    assert "engine-other" not in ids(away(computer(), others=(computer(engine="Other"),), why="another engine"))
    unsaid = away(others=(hidden(played=""),), why="not all said")
    assert set(ids(unsaid)) == {"away-untried", "report-unsaid"}
    assert one(unsaid, "report-unsaid").measured == "1 report with too little said: this computer, originals hidden"
    assert "report-unsaid" not in ids(away(hidden(), others=(hidden(played=""),), why="not all said"))


def test_music_that_used_everything_together_is_silent() -> None:
    findings = away(hidden(), music(unused=("C1 to B1", "Air\x07")))
    assert one(findings, "music-shallow").measured == "never used: C1 to B1 and Air\\x07"
    assert "music-shallow" not in ids(away(hidden(), music()))
    two = (music(unused=("C1 to B1", "Air")), music(who="Bo", unused=("Air", "soft touch")))
    assert one(away(hidden(), *two), "music-shallow").measured == "never used: Air"


def test_only_the_makers_own_computer_warns_and_another_one_notes_the_rest() -> None:
    own = one(away(hidden()), "away-narrow")
    assert own.severity is Severity.WARNS
    assert own.measured == "not made: another computer, another player and a piece of music"
    assert one(away(computer()), "away-narrow").severity is Severity.NOTES
    assert "away-narrow" not in ids(away()), "while nothing is tested, that is said once"


def test_a_long_note_is_cut_where_a_finding_repeats_it() -> None:
    found = one(away(hidden(), computer(result="fail", notes="hum " * 500 + "at the end")), "away-differs")
    assert len(found.measured) == len("failed: “”") + 200
    assert found.measured.endswith("at the end”")


def test_findings_carry_their_data_beside_their_sentences() -> None:
    untried, *_ = controls()
    assert (untried.value, untried.unit, untried.bound) == (4, "trial", 0)
    failed = one(controls(*answered(*EVERY), Answer(subject=PLAN[1].id, result="fail", note="silent")), "trial-failed")
    assert (failed.at.control, failed.value) == ("Air", "silent")
    nothing = one(away(), "away-untried")
    assert (nothing.value, nothing.unit, nothing.bound) == (0, "test", 1)
    assert one(away(computer(engine_version="7.0.4")), "helper-too-old").value == "7.0.4"
    assert one(away(computer(), others=(hidden(),)), "report-old").value == 1
    assert one(away(hidden()), "away-narrow").value == "another computer, another player and a piece of music"


@given(
    st.lists(
        st.builds(
            AwayTest,
            kind=st.sampled_from(["originals hidden", "another computer", "another player", "a piece of music"]),
            result=st.sampled_from(["pass", "fail"]),
            who=st.sampled_from(["", "Ada", "Bo"]),
            engine_version=st.sampled_from(["", "7.0", "7.1", "nonsense"]),
            system=st.sampled_from(["", "Windows 11"]),
            played=st.sampled_from(["", "low to high"]),
            reached_originals=st.booleans(),
            unused=st.sampled_from([(), ("Air",)]),
        ),
        max_size=6,
    )
)
@settings(max_examples=150, deadline=None)
def test_without_a_block_something_opened_it_and_the_words_are_safe(tests: list[AwayTest]) -> None:
    findings = away(*tests)
    if not any(finding.blocks for finding in findings):
        proofs = [test for test in tests if test.result == "pass" and test.kind != "a piece of music"]
        assert any(test.played and test.system and test.engine_version == "7.1" for test in proofs)
        assert "away-untried" not in ids(findings)
    # Whatever happened before, one clean repeat of everything ends every block.
    said = {"engine_version": "7.1", "system": "Windows 11", "played": "low to high"}
    again = [msgspec.structs.replace(test, result="pass", reached_originals=False) for test in tests]
    again += [
        msgspec.structs.replace(test, **{key: getattr(test, key) or text for key, text in said.items()})
        if test.engine_version != "nonsense"
        else msgspec.structs.replace(test, **said)
        for test in again
    ]
    assert not any(finding.blocks for finding in away(*tests, *again, hidden(), computer(), player(), music()))


BY_EAR = Trial(
    id="ear", kind="by ear", title="Does F3 hang?", steps=(), instruction="Play F3 and let go.", expect="It ends."
)


@pytest.mark.parametrize(
    ("answer", "unheard"),
    [(None, True), ("note", True), ("pass", False), ("fail", False)],
)
def test_what_a_bounce_could_not_tell_blocks_until_an_ear_has_judged_it(
    answer: Literal["pass", "fail", "note"] | None, unheard: bool
) -> None:
    given = (Answer(subject="ear", result=answer, note="it rings"),) if answer else ()
    model = ControlsModel(facts=FACTS, trials=(*PLAN, BY_EAR), answers=(*answered(*EVERY), *given))
    found = ordered(findings_of(control_rules.RULES, model))
    assert ("bounce-unheard" in ids(found)) is unheard
    if unheard:
        finding = one(found, "bounce-unheard")
        assert (finding.severity, finding.value) == (Severity.BLOCKS, 1)
        assert "1 question for your ear: Does F3 hang?" in finding.measured
    assert "control-untried" not in ids(found), "a trial by ear is none of the controls'"
