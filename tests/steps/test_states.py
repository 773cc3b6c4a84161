"""From evidence to state: each of the six, and what a waiver can and cannot do."""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import msgspec
import pytest

from companion.core.evidence import Evidence
from companion.core.facts import FACTS_FILE, Waiver
from companion.core.findings import Finding, Severity
from companion.steps import waivers as waivers_of
from companion.steps.catalogue import RULES
from companion.steps.model import Look, State, Status, StepStatus, blocked
from companion.steps.states import (
    CHANGED,
    JUDGE_AGAIN,
    UNTRIED,
    judged_otherwise,
    read,
    settle_opaque,
    stale,
    status_from,
)
from companion.steps.table import BY_ID, STEPS
from companion.steps.waivers import NEVER_WAIVED, Grounds


def waive(
    findings: Iterable[Finding], waivers: Iterable[Waiver], contents: dict[str, str], *, unchanged: bool = False
) -> tuple[Finding, ...]:
    """Let pass what ``waivers`` cover, in a folder that holds ``contents``."""
    return waivers_of.waive(findings, waivers, Grounds(contents=contents, unchanged=unchanged))


SOUND = BY_ID["sound"]
WAV = "Samples/C3.wav"


def finding(rule: str = "clipped", severity: Severity = Severity.BLOCKS, path: str = WAV, **more: object) -> Finding:
    return Finding(rule=rule, severity=severity, path=path, **more)  # type: ignore[arg-type]


WARNING = finding("hum", Severity.WARNS)
NOTE = finding("depth-padded", Severity.NOTES)
OPAQUE = finding("patch-opaque", Severity.WARNS, "Slate Choir.patch", unknown=True)
UNTRIED_CONTROL = finding("control-untried", path="", measured="12 trials not done")
WAIVED = finding("silent", waived="meant so")


def status(found: tuple[Finding, ...] = (), **details: object) -> StepStatus:
    return status_from(SOUND, "f", Look(findings=found, details=details), found)


# -- the six states ---------------------------------------------------------------------------------------------------


def test_open_while_nobody_has_ever_looked() -> None:
    fresh = status_from(SOUND, "f", None, ())
    assert (fresh.state, fresh.because, fresh.next) == (State.OPEN, "not looked at yet", SOUND.next)


def test_open_while_the_only_thing_in_the_way_is_that_nobody_has_tried() -> None:
    state, because = read((UNTRIED_CONTROL, WARNING, OPAQUE))
    assert (state, because) == (State.OPEN, "12 trials not done")
    assert read((finding("control-untried"), finding("away-untried")))[1] == "2 trials not done yet"


def test_failing_where_one_finding_blocks() -> None:
    assert read((finding(),)) == (State.FAILING, f"clipped: {WAV}")
    assert read((finding(), finding("silent", path=""), WARNING))[1] == f"clipped: {WAV}, and 1 more"
    assert read((UNTRIED_CONTROL, finding("control-no-effect", path=""))) == (State.FAILING, "control no effect")


def test_unknown_where_a_look_could_not_tell() -> None:
    assert read((OPAQUE,)) == (State.UNKNOWN, "patch opaque: Slate Choir.patch")
    assert read((OPAQUE, OPAQUE, WARNING))[1].endswith("and 1 more")
    assert "away test" in status((OPAQUE,)).next


def test_stale_where_only_other_content_was_looked_at() -> None:
    old = stale(SOUND, "f", CHANGED)
    assert old.state is State.STALE
    assert old.findings == (), "what was found in other content is not held against this"
    assert "changed" in old.because
    assert not old.state.settled


def judged(judge: dict[str, int], *found: Finding) -> Evidence:
    return Evidence(step="sound", fingerprint="f", taken="", companion="", judge=judge, findings=found)


NOW = {"edges": 3, "clipped": 2, "hum": 1}


@pytest.mark.parametrize(
    ("evidence", "because"),
    [
        (judged({}), "judged by an older companion"),
        (judged({"edges": 3, "clipped": 1, "hum": 1}), "judged by an older companion (clipped)"),
        (judged({"edges": 2, "hum": 1}), "judged by an older companion (edges, clipped)"),
        (judged({"edges": 3, "clipped": 2, "hum": 2}), "judged by another companion (hum)"),
        (judged({**NOW, "click-inside": 1}), "judged by another companion (click-inside)"),
        (judged({"other": 1}), "judged by an older companion (edges, clipped, hum)"),
        (
            judged({**NOW, "a": 1, "b": 1, "c": 1, "d": 1}),
            "judged by another companion (a, b, c and 1 more)",
        ),
        (judged(NOW, finding("click-inside")), "judged with rules this companion does not know (click-inside)"),
        (
            judged({}, finding("click-inside")),
            "judged by an older companion with rules this companion does not know (click-inside)",
        ),
        (judged({**NOW, "\x1b[0m": 1}), "judged by another companion (\\x1b[0m)"),
    ],
)
def test_stale_where_the_judge_is_another(evidence: Evidence, because: str) -> None:
    assert judged_otherwise(evidence, NOW, {}) == because
    assert stale(SOUND, "f", because).next == JUDGE_AGAIN


@pytest.mark.parametrize(
    ("judge", "because"),
    [
        ({"claim": 1, "clipped": 1}, "judged by an older companion (clipped)"),
        ({"claim": 1}, "what it rests on has changed since"),
        ({"claim": 1, "clipped": 2}, "what it rests on has changed since"),
        ({"claim": 1, "clipped": 3}, "judged by another companion (clipped)"),
        ({"clipped": 2}, "judged by an older companion (claim)"),
    ],
    ids=["a rule of Sound rose", "Sound was stale then", "Sound is stale now", "newer", "a rule of its own rose"],
)
def test_stale_where_what_it_rests_on_is_judged_otherwise(judge: dict[str, int], because: str) -> None:
    assert judged_otherwise(judged(judge), {"claim": 1}, {"clipped": 2}) == because


def test_waived_where_each_blocking_finding_has_a_reason() -> None:
    assert read((WAIVED,)) == (State.WAIVED, "1 finding waived")
    assert read((WAIVED, WARNING, NOTE)) == (State.WAIVED, "1 finding waived, 1 warning, 1 note")
    assert read((WAIVED, finding()))[0] is State.FAILING


def test_proven_where_nothing_blocks() -> None:
    assert read(()) == (State.PROVEN, "nothing found")
    assert read((WARNING, WARNING, NOTE)) == (State.PROVEN, "2 warnings, 1 note")
    assert read((finding("hum", Severity.WARNS, waived="the room has it"),))[0] is State.PROVEN
    proof = status(because="12 samples measured")
    assert (proof.state, proof.because, proof.next) == (State.PROVEN, "12 samples measured", "")


def test_a_proof_with_warnings_says_both_what_was_done_and_what_was_found() -> None:
    because = status((WARNING,), because="12 samples measured").because
    assert "12 samples measured" in because
    assert "1 warning" in because
    assert status((finding(),), because="12 samples measured").because.startswith("clip")


MIXES = list(itertools.product([finding(), UNTRIED_CONTROL, OPAQUE, WAIVED, WARNING], repeat=3))


@pytest.mark.parametrize("mix", MIXES)
def test_the_worse_always_counts(mix: tuple[Finding, ...]) -> None:
    state, because = read(mix)
    expected = next(
        state
        for told, state in (
            (finding(), State.FAILING),
            (UNTRIED_CONTROL, State.OPEN),
            (OPAQUE, State.UNKNOWN),
            (WAIVED, State.WAIVED),
            (WARNING, State.PROVEN),
        )
        if told in mix
    )
    assert state is expected
    assert because


# -- waivers ----------------------------------------------------------------------------------------------------------


def waiver(rule: str = "clipped", path: str = WAV, reason: str = "meant so", content: str = "aa") -> Waiver:
    return Waiver(rule=rule, path=path, reason=reason, content=content)


def test_a_waiver_holds_for_its_rule_its_path_and_its_content() -> None:
    (covered,) = waive([finding()], [waiver()], {WAV: "aa"})
    assert covered.waived == "meant so"
    assert not covered.blocks


@pytest.mark.parametrize(
    ("given", "contents"),
    [
        (waiver(), {WAV: "bb"}),
        (waiver(), {}),
        (waiver(content=""), {WAV: "aa"}),
        (waiver(content=""), {WAV: ""}),
        (waiver(content=""), {}),
        (waiver(reason=""), {WAV: "aa"}),
        (waiver(rule="silent"), {WAV: "aa"}),
        (waiver(path="Samples/D3.wav"), {WAV: "aa", "Samples/D3.wav": "aa"}),
        (waiver(path="", content=""), {WAV: "aa"}),
    ],
    ids=["changed", "gone", "no content", "unreadable", "neither", "no reason", "other rule", "other path", "whole"],
)
def test_a_waiver_lapses_or_never_held(given: Waiver, contents: dict[str, str]) -> None:
    (found,) = waive([finding()], [given], contents)
    assert (found.waived, found.blocks) == ("", True)
    assert msgspec.structs.replace(found, lapsed="") == finding()


OF_A_GROUP = Waiver(rule="clipped", path="**", reason="a tape, all of it", contents=("a" * 16, "b" * 16))


def test_a_group_judged_at_once_lapses_file_by_file() -> None:
    paths = ("Samples/C3.wav", "Samples/D3.wav", "Samples/E3.wav")
    found = [finding(path=path) for path in paths]
    shas = dict(zip(paths, ("a" * 64, "b" * 64, "c" * 64), strict=True))
    told = {one.path: one.waived for one in waive(found, [OF_A_GROUP], shas)}
    assert told == {paths[0]: "a tape, all of it", paths[1]: "a tape, all of it", paths[2]: ""}
    told = {one.path: one.waived for one in waive(found, [OF_A_GROUP], {**shas, paths[0]: "d" * 64})}
    assert told == {paths[0]: "", paths[1]: "a tape, all of it", paths[2]: ""}


@pytest.mark.parametrize(
    "given",
    [
        msgspec.structs.replace(OF_A_GROUP, rule="silent"),
        msgspec.structs.replace(OF_A_GROUP, path="Takes/**"),
        msgspec.structs.replace(OF_A_GROUP, reason=""),
        msgspec.structs.replace(OF_A_GROUP, contents=("a" * 15,)),
    ],
    ids=["other rule", "other folder", "no reason", "half a mark"],
)
def test_a_group_covers_no_more_than_it_says(given: Waiver) -> None:
    assert waive([finding()], [given], {WAV: "a" * 64})[0].waived == ""


def test_a_group_never_covers_the_whole_nor_the_facts() -> None:
    shas = {"": "a" * 64, FACTS_FILE: "a" * 64}
    for path in ("", FACTS_FILE):
        assert waive([finding(path=path)], [OF_A_GROUP], shas)[0].waived == ""


def test_it_comes_back_with_the_content_it_was_given_for() -> None:
    states = [waive([finding()], [waiver()], {WAV: content})[0].waived for content in ("aa", "bb", "aa")]
    assert states == ["meant so", "", "meant so"]


def test_a_waiver_of_before_for_the_whole_stands_while_what_an_older_companion_judged_is_there() -> None:
    found, given = [finding("rate-mixed", path="")], [waiver("rate-mixed", "", content="")]
    assert waive(found, given, {}, unchanged=True)[0].waived
    (lapsed,) = waive(found, given, {})
    assert (lapsed.waived, lapsed.lapsed) == ("", "“meant so”: it was given before waivers noted what they are for")


def on_the_facts(where: str) -> Finding:
    return Finding(rule="fact-missing", severity=Severity.BLOCKS, path="release.toml", where=where)


def test_each_fact_is_waived_by_its_key_and_never_all_at_once() -> None:
    found = [on_the_facts("instrument.contact"), on_the_facts("instrument.licence")]
    one = Waiver(rule="fact-missing", path="release.toml", where="instrument.contact", reason="meant so")
    every = Waiver(rule="fact-missing", path="release.toml", reason="meant so")
    assert {f.where: f.waived for f in waive(found, [one], {}, unchanged=True)} == {
        "instrument.contact": "meant so",
        "instrument.licence": "",
    }
    assert not any(f.waived for f in waive(found, [every], {}, unchanged=True))


def test_a_waiver_for_what_is_no_file_of_the_folder_lasts_as_long_as_the_step_judges_the_same() -> None:
    archive = "releases/Slate Choir 1.0.zip"
    given = Waiver(rule="upload-unverified", path=archive, reason="meant so", content="mark")
    found = Finding(rule="upload-unverified", severity=Severity.WARNS, path=archive)
    assert [waive([found], [given], {"": mark})[0].waived for mark in ("mark", "other")] == ["meant so", ""]


@pytest.mark.parametrize("rule", sorted(NEVER_WAIVED))
def test_no_reason_makes_an_untruth_fit_to_publish(rule: str) -> None:
    found = finding(rule)
    assert waive([found], [waiver(rule)], {WAV: "aa"}) == (found,)
    whole = finding(rule, path="")
    assert waive([whole], [waiver(rule, "", content="")], {}) == (whole,)


def test_the_rules_named_here_exist_and_block() -> None:
    blocking = {rule.id for rule in RULES if rule.severity is Severity.BLOCKS}
    assert blocking >= NEVER_WAIVED
    assert blocking >= UNTRIED


def test_findings_come_in_the_order_they_are_shown_the_waived_last() -> None:
    found = [NOTE, finding("silent"), WARNING, finding()]
    shown = waive(found, [waiver("clipped")], {WAV: "aa"})
    assert [one.rule for one in shown] == ["silent", "hum", "depth-padded", "clipped"]


def test_what_is_settled_already_keeps_its_reason() -> None:
    (covered,) = waive([finding(waived="settled by an away test")], [waiver()], {WAV: "aa"})
    assert covered.waived == "settled by an away test"


def test_an_away_test_settles_what_no_scan_could_tell_and_nothing_else() -> None:
    settled = settle_opaque([OPAQUE, finding(), WARNING], "settled by Ada")
    assert [one.waived for one in settled] == ["settled by Ada", "", ""]
    assert read(settle_opaque([OPAQUE], "settled by Ada"))[0] is State.PROVEN
    assert settle_opaque([OPAQUE, finding()], "") == (OPAQUE, finding())


# -- the checklist ----------------------------------------------------------------------------------------------------


def test_every_state_has_a_mark_of_its_own_and_two_are_settled() -> None:
    assert len({state.mark for state in State}) == len(State)
    assert {state for state in State if state.settled} == {State.PROVEN, State.WAIVED}


def test_the_checklist_names_the_next_step_and_whether_anything_blocks() -> None:
    def checklist(*states: State, findings: tuple[Finding, ...] = ()) -> Status:
        steps = tuple(
            StepStatus(
                id=step.id,
                title=step.title,
                question=step.question,
                state=state,
                because="",
                next="",
                fingerprint="f",
                findings=findings if step is SOUND else (),
            )
            for step, state in zip(STEPS, states, strict=True)
        )
        return Status(title="Slate Choir", version="1.2", steps=steps)

    proven = [State.PROVEN] * 10
    assert checklist(*proven).next_step is None
    assert (checklist(*proven).proven, blocked(checklist(*proven).steps)) == (10, False)
    left = checklist(
        *(State.PROVEN, State.WAIVED, State.UNKNOWN, State.FAILING, *proven[4:]), findings=(WARNING, finding())
    )
    assert left.next_step is left.step("paths")
    assert (left.proven, left.waived, blocked(left.steps)) == (7, 1, True)
    assert left.count == "7 of 10 proven, 1 waived"
    assert checklist(*proven).count == "10 of 10 proven"
    with pytest.raises(KeyError):
        left.step("none")


@pytest.mark.parametrize(
    ("found", "blocks"),
    [
        (finding(), True),
        (UNTRIED_CONTROL, True),
        (WARNING, False),
        (OPAQUE, False),
        (WAIVED, False),
        (finding("release-unrecorded", path=""), False),
    ],
)
def test_what_stands_in_the_way_of_a_release(found: Finding, blocks: bool) -> None:
    assert blocked([status((found,))]) is blocks
