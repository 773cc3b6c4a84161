from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest
import soundfile

from companion.core.errors import CompanionError
from companion.core.facts import FACTS_FILE, Waiver
from companion.core.findings import Finding, Severity
from companion.steps.deeds.waiving import EVERY, group_waiver, without_one
from companion.steps.model import State
from companion.steps.waivers import Grounds, waive
from companion.workshop import Workshop


def found(path: str, rule: str = "tail-wasteful", waived: str = "") -> Finding:
    return Finding(
        rule=rule, severity=Severity.NOTES, path=path, where="", measured="", limit="", why="", mend="", waived=waived
    )


CONTENTS = Grounds(contents={"a.wav": "a" * 64, "b.wav": "b" * 64, "c.wav": "c" * 64, "": "f" * 64})


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


def test_what_could_not_be_told_is_judged_singly() -> None:
    doubt = msgspec.structs.replace(found("a.wav"), unknown=True)
    given = group_waiver("tail-wasteful", [doubt, found("b.wav")], CONTENTS, "rooms", [])
    assert given.contents == ("b" * 16,)


@pytest.mark.parametrize("path", ["", FACTS_FILE])
def test_the_whole_and_the_facts_are_judged_singly(path: str) -> None:
    with pytest.raises(CompanionError, match="has no open finding"):
        group_waiver(
            "tail-wasteful", [found(path)], Grounds(contents={**CONTENTS.contents, path: "e" * 64}), "rooms", []
        )


def test_one_file_is_taken_out_of_its_group() -> None:
    group = Waiver(rule="tail-wasteful", path=EVERY, reason="rooms", contents=("a" * 16, "b" * 16))
    left = without_one([group], "tail-wasteful", "a" * 64)
    assert left is not None
    assert left.contents == ("b" * 16,)
    assert without_one([group], "tail-wasteful", "c" * 64) is None
    assert without_one([group], "clipped", "a" * 64) is None


SAMPLES = [f"Samples/Struck/struck_{note}_v40_rr1.wav" for note in ("C4", "E3")]


@pytest.fixture
def silent(demo_folder: Path, mend_demo: Callable[..., None]) -> Workshop:
    """The demo without faults, but with two silent samples of different lengths, looked at."""
    mend_demo(demo_folder)
    for frames, path in enumerate(SAMPLES, 1000):
        assert (demo_folder / path).is_file()
        soundfile.write(demo_folder / path, np.zeros(frames, np.int16), 22_050)
    shop = Workshop.open(demo_folder)
    assert shop.check(("sound",)).step("sound").state is State.FAILING
    return shop


def blocking(shop: Workshop) -> list[str]:
    return [one.path for one in shop.status().step("sound").findings if one.blocks]


def test_a_group_is_judged_at_once_and_each_file_comes_back_by_itself(silent: Workshop) -> None:
    assert blocking(silent) == SAMPLES
    assert silent.waive_all("silent", " rests, on purpose ") == 2
    assert silent.status().step("sound").state is State.WAIVED
    assert {one.waived for one in silent.status().step("sound").findings if one.rule == "silent"} == {
        "rests, on purpose"
    }
    soundfile.write(silent.folder / SAMPLES[0], np.zeros(1500, np.int16), 22_050)
    silent.check(("sound",))
    assert blocking(silent) == [SAMPLES[0]]
    assert silent.waive_all("silent", "rests, on purpose") == 1
    assert blocking(silent) == []


def test_one_of_a_group_is_taken_back_and_then_the_rest(silent: Workshop) -> None:
    silent.waive_all("silent", "rests")
    silent.unwaive("silent", SAMPLES[1])
    assert blocking(silent) == [SAMPLES[1]]
    silent.unwaive("silent", SAMPLES[0])
    assert blocking(silent) == SAMPLES
    assert silent.facts.waivers == ()
    with pytest.raises(CompanionError, match="no waiver"):
        silent.unwaive("silent", SAMPLES[0])


def test_a_group_is_refused_as_one_finding_would_be(silent: Workshop) -> None:
    for rule, reason, why in (
        ("nonsense", "r", "no rule"),
        ("silent", "  ", "needs a reason"),
        ("claim-unproven", "r", "cannot be waived"),
        ("clipped", "r", "has no open finding"),
    ):
        with pytest.raises(CompanionError, match=why):
            silent.waive_all(rule, reason)
    with pytest.raises(CompanionError, match="has no open finding"):
        silent.waive_all("silent", "r", Severity.WARNS)
    assert silent.facts.waivers == ()
