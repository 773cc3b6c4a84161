from __future__ import annotations

import pytest

from companion.core.errors import CompanionError
from companion.core.facts import FACTS_FILE, Waiver
from companion.core.findings import Finding, Severity
from companion.steps.states import waive
from companion.steps.waiving import EVERY, group_waiver, without_one


def found(path: str, rule: str = "tail-wasteful", waived: str = "") -> Finding:
    return Finding(
        rule=rule, severity=Severity.NOTES, path=path, where="", measured="", limit="", why="", mend="", waived=waived
    )


CONTENTS = {"a.wav": "a" * 64, "b.wav": "b" * 64, "c.wav": "c" * 64, "": "f" * 64}


def test_all_open_findings_of_a_rule_and_no_others_are_covered() -> None:
    findings = [found("a.wav"), found("b.wav", "clipped"), found("c.wav", waived="by hand"), found("made.zip")]
    given = group_waiver("tail-wasteful", findings, CONTENTS, "rooms", [])
    assert (given.path, given.reason) == (EVERY, "rooms")
    assert given.contents == ("a" * 16, "f" * 16), "what is no file of the folder goes by what the step judged"
    told = {one.path: one.waived for one in waive(findings, [given], CONTENTS)}
    assert told == {"a.wav": "rooms", "b.wav": "", "c.wav": "by hand", "made.zip": "rooms"}


def test_a_second_time_the_files_of_the_first_stay_covered() -> None:
    first = group_waiver("tail-wasteful", [found("a.wav")], CONTENTS, "rooms", [])
    second = group_waiver("tail-wasteful", [found("b.wav")], CONTENTS, "rooms, and one more", [first])
    assert second.contents == ("a" * 16, "b" * 16)


@pytest.mark.parametrize("path", ["", FACTS_FILE])
def test_the_whole_and_the_facts_are_judged_singly(path: str) -> None:
    with pytest.raises(CompanionError, match="No file is open"):
        group_waiver("tail-wasteful", [found(path)], {**CONTENTS, path: "e" * 64}, "rooms", [])


def test_one_file_is_taken_out_of_its_group() -> None:
    group = Waiver(rule="tail-wasteful", path=EVERY, reason="rooms", contents=("a" * 16, "b" * 16))
    left = without_one([group], "tail-wasteful", "a" * 64)
    assert left is not None
    assert left.contents == ("b" * 16,)
    assert without_one([group], "tail-wasteful", "c" * 64) is None
    assert without_one([group], "clipped", "a" * 64) is None
