"""A waiver covers the findings it was given for and no others, and says so when it lapses."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec
import pytest

from companion.core.errors import CompanionError
from companion.core.evidence import AwayTest
from companion.core.facts import FACTS_FILE, Waiver
from companion.core.findings import At, Finding, Severity
from companion.steps.model import State
from companion.steps.waivers import (
    CHANGED_FILE,
    OTHER,
    UNMARKED,
    Grounds,
    means,
    place_of,
    waive,
    waiver_of,
)
from companion.workshop import Workshop

PATCH = "Slate.eeng"
HERE = Grounds(
    contents={PATCH: "p" * 64, "a.wav": "a" * 64, "b.wav": "b" * 64, "": "s" * 64}, whole="w", facts="version 1.0"
)


def finding(rule: str = "reference-missing", path: str = PATCH, **more: object) -> Finding:
    return Finding(rule=rule, severity=Severity.BLOCKS, path=path, **more)  # type: ignore[arg-type]


def given(*found: Finding, where: str = "", grounds: Grounds = HERE) -> Waiver:
    return waiver_of(found, grounds, where, "it is meant so", "1.0")


def told(one: Finding, waiver: Waiver, grounds: Grounds = HERE) -> str:
    """Return why a waiver has lapsed for a finding; empty where it covers it, or is not meant for it."""
    (found,) = waive([one], [waiver], grounds)
    assert not (found.waived and found.lapsed)
    if not found.waived:
        assert found.lapsed, "no waiver of this place"
    return found.lapsed.rpartition(": ")[2] if found.lapsed else ""


def test_the_same_finding_is_covered_and_another_in_the_same_file_is_not() -> None:
    wind, rain = finding(value="wind.wav", where="byte 2"), finding(value="rain.wav", where="byte 9")
    both, one = given(wind, rain), given(wind)
    assert (told(wind, both), told(rain, both), told(wind, one)) == ("", "", "")
    assert told(rain, one) == OTHER
    assert told(finding("name-reserved", value=3), given(finding("name-reserved", value=2))) == "", "a number follows"
    assert place_of(rain) == "byte 9", "what has a name is let pass by itself"
    assert place_of(finding("clipped", value=4, where="0.2 s")) == ""


def test_a_place_in_a_text_that_was_told_by_its_byte_is_the_same_by_its_line() -> None:
    by_line = finding(value="wind.wav", where="line 7", at=At(byte=1_234, line=7))
    assert told(by_line, given(by_line, where="byte 1,234")) == ""
    with pytest.raises(AssertionError, match="no waiver of this place"):
        told(by_line, given(by_line, where="byte 1,235"))


def changed(**contents: str) -> Grounds:
    return msgspec.structs.replace(
        HERE, contents={**HERE.contents, **{k.replace("_", "."): v for k, v in contents.items()}}
    )


def test_it_lapses_with_the_file_and_with_the_other_file_it_was_held_against() -> None:
    same = finding("takes-same", "a.wav", at=At(others=("b.wav",)))
    waiver = given(same)
    assert told(same, waiver) == ""
    assert told(same, waiver, changed(a_wav="c" * 64)) == CHANGED_FILE
    assert told(same, waiver, changed(b_wav="c" * 64)) == OTHER
    assert told(finding("takes-same", "a.wav", at=At(others=("c.wav",))), waiver) == OTHER


def test_what_is_told_of_a_lapsed_one_is_what_it_covered_and_why() -> None:
    tone = finding(
        "trial-failed", "", where="Tone alone", at=At(control="Tone"), value="crackles", measured="failed: “crackles”"
    )
    waiver = given(tone, where="Tone alone")
    (lapsed,) = waive([tone], [waiver], msgspec.structs.replace(HERE, whole="other", step="controls"))
    assert lapsed.lapsed == (
        "“it is meant so” (1.0, failed: “crackles”): the patch, a script or the controls have changed since"
    )
    hammer = finding("trial-failed", "", where="Hammer alone", at=At(control="Hammer"), value="does nothing")
    (other,) = waive([hammer], [waiver], HERE)
    assert (other.waived, other.lapsed) == ("", ""), "another place altogether"
    assert told(hammer, given(tone)) == OTHER, "given by rule alone it covered Tone alone"


def test_a_fact_is_asked_about_anew_at_each_version() -> None:
    missing = finding("fact-missing", FACTS_FILE, where="instrument.contact")
    waiver = given(missing, where="instrument.contact")
    assert told(missing, waiver) == ""
    later = msgspec.structs.replace(HERE, facts="version 1.1", step="facts")
    assert told(missing, waiver, later) == "it was given for version 1.0"
    bad = finding("fact-invalid", FACTS_FILE, where="instrument.version", value="one")
    worse = msgspec.structs.replace(bad, value="two")
    assert told(worse, given(bad, where="instrument.version")) == OTHER


@pytest.mark.parametrize("unchanged", [True, False])
def test_one_without_marks_holds_only_where_it_cannot_err(unchanged: bool) -> None:
    grounds = msgspec.structs.replace(HERE, unchanged=unchanged)
    in_doubt = "" if unchanged else UNMARKED
    whole = Waiver(rule="away-untried", reason="later")
    assert told(finding("away-untried", ""), whole, grounds) == in_doubt
    fact = Waiver(rule="fact-missing", reason="later", path=FACTS_FILE, where="instrument.contact")
    assert told(finding("fact-missing", FACTS_FILE, where="instrument.contact"), fact, grounds) == in_doubt
    file = Waiver(rule="clipped", reason="tape", path="a.wav", content="a" * 64)
    assert told(finding("clipped", "a.wav", value=3), file, grounds) == "", "the file tells"
    named = Waiver(rule="reference-missing", reason="tape", path=PATCH, content="p" * 64)
    assert told(finding(value="rain.wav"), named, grounds) == in_doubt


def test_a_group_covers_by_file_and_by_what_was_found_there() -> None:
    covers = given(finding(value="x")).covers
    group = Waiver(rule="reference-missing", path="**", reason="meant", contents=("p" * 16,), covers=covers, said="“x”")
    assert told(finding(value="x"), group) == ""
    assert told(finding(value="y"), group) == OTHER
    assert told(finding(value="x"), group, changed(Slate_eeng="q" * 64)).endswith("as they were")


# -- in a folder ------------------------------------------------------------------------------------------------------


@pytest.fixture
def shop(demo_folder: Path, mend_demo: Callable[..., None]) -> Iterator[Workshop]:
    """The demo without faults, its version 1.1.0."""
    mend_demo(demo_folder)
    opened = Workshop.open(demo_folder)
    opened.save_facts({"instrument.version": "1.1.0"})
    yield opened
    opened.close()


def blocking(shop: Workshop, step: str) -> list[str]:
    return [one.where or one.path for one in shop.status().step(step).findings if one.blocks]


def again(shop: Workshop, rule: str) -> Finding:
    return next(one for step in shop.status().steps for one in step.findings if one.rule == rule and one.lapsed)


def touch_patch(shop: Workshop) -> None:
    patch = shop.folder / "Slate Choir.eeng"
    patch.write_bytes(patch.read_bytes() + b"\0")


def test_a_failed_trial_let_pass_covers_no_other_of_a_later_version(shop: Workshop) -> None:
    plan = {view.trial.title: view.trial.id for view in shop.trials()}
    for trial in plan.values():
        shop.answer(trial, "pass")
    shop.answer(plan["Air alone"], "fail", "it crackles")
    shop.waive("trial-failed", "", "only at the very end", where="Air alone")
    assert shop.status().step("controls").state is State.WAIVED
    shop.answer(plan["Body alone"], "fail", "does nothing at all")
    assert blocking(shop, "controls") == ["Body alone"], "of the same patch"
    touch_patch(shop)
    shop.save_facts({"instrument.version": "2.0.0"})
    for trial in plan.values():
        shop.answer(trial, "pass")
    shop.answer(plan["Air alone"], "fail", "it crackles")
    assert blocking(shop, "controls") == ["Air alone"]
    lapsed = again(shop, "trial-failed")
    assert "“only at the very end” (1.1.0, failed: “it crackles”): the patch" in lapsed.lapsed
    assert shop.status().step("controls").because.endswith("its waiver has lapsed")


def test_an_away_test_let_pass_is_asked_for_with_another_patch_and_renewed_at_once(shop: Workshop) -> None:
    shop.waive("away-untried", "", "a beta for friends")
    assert shop.status().step("away").state is State.WAIVED
    shop.save_facts({"instrument.version": "9.0.0"})
    assert shop.status().step("away").state is State.WAIVED, "of the same patch"
    touch_patch(shop)
    assert shop.status().step("away").state is State.OPEN
    assert again(shop, "away-untried").lapsed.endswith("what plays has changed since")
    assert shop.renew("away-untried") == "a beta for friends"
    assert shop.status().step("away").state is State.WAIVED
    (kept,) = shop.facts.waivers
    assert (kept.version, kept.said) == ("9.0.0", "no test")


def test_a_fact_let_pass_is_renewed_for_each_version(shop: Workshop) -> None:
    shop.save_facts({"instrument.contact": ""})
    shop.waive("fact-missing", FACTS_FILE, "the page has it", where="instrument.contact")
    assert shop.status().step("facts").state is State.WAIVED
    shop.save_facts({"instrument.summary": "Slabs of slate, and more."})
    assert shop.status().step("facts").state is State.WAIVED
    shop.save_facts({"instrument.version": "1.2.0"})
    assert blocking(shop, "facts") == ["instrument.contact"]
    shop.renew("fact-missing", FACTS_FILE, "instrument.contact")
    assert shop.status().step("facts").state is State.WAIVED


def test_another_file_that_is_missing_from_the_same_patch_is_not_let_pass(shop: Workshop) -> None:
    gone = [f"Samples/Struck/struck_{note}_v40_rr1.wav" for note in ("C4", "E3")]
    (shop.folder / gone[0]).unlink()
    shop.check(("contents",))
    shop.waive("reference-missing", "Slate Choir.eeng", "an extra that was dropped")
    assert blocking(shop, "contents") == []
    (shop.folder / gone[1]).unlink()
    found = [one for one in shop.check(("contents",)).step("contents").findings if one.blocks]
    assert [one.value for one in found] == [gone[1]]
    assert found[0].lapsed.endswith(OTHER)


def test_a_text_that_is_drafted_takes_no_waiver_of_the_whole_away(shop: Workshop) -> None:
    (shop.folder / "Slate Choir.eeng").write_bytes(b"Scripts/Sway.txt\n")
    shop.check(("contents",))
    (unused,) = [one for one in shop.status().step("contents").findings if one.rule == "sample-unused"]
    assert unused.path == ""
    shop.waive("sample-unused", "", "the patch loads whole folders")

    def waived() -> str:
        found = shop.check(("contents",)).step("contents").findings
        return next(one.waived for one in found if one.rule == "sample-unused")

    assert waived()
    shop.write_draft("readme")
    assert waived()
    (shop.folder / "Samples/Struck/struck_C4_v40_rr1.wav").unlink()
    assert not waived()


def test_a_link_is_let_pass_until_it_points_elsewhere(shop: Workshop, tmp_path: Path) -> None:
    link = shop.folder / "Samples" / "aside.wav"
    try:
        link.symlink_to(tmp_path / "one.wav")
    except OSError:
        pytest.skip("no links here")
    shop.check(("contents",))
    shop.waive("symlink-outside", "Samples/aside.wav", "players need it not")
    assert blocking(shop, "contents") == []
    link.unlink()
    link.symlink_to(tmp_path / "two.wav")
    shop.check(("contents",))
    assert blocking(shop, "contents") == ["Samples/aside.wav"]


def test_nothing_is_let_pass_that_is_not_found_and_nothing_renewed_that_was_not_given(shop: Workshop) -> None:
    for rule, path in (
        ("clipped", "Samples/Struck/struck_C4_v40_rr1.wav"),
        ("trial-failed", ""),
        ("clipped", "no.wav"),
    ):
        with pytest.raises(CompanionError, match="finds nothing there now"):
            shop.waive(rule, path, "for later")
    with pytest.raises(CompanionError, match="There is no waiver"):
        shop.renew("away-untried")
    assert shop.facts.waivers == ()


def test_what_an_away_test_settles_is_no_waiver(shop: Workshop) -> None:
    (shop.folder / "Slate Choir.eeng").write_bytes(b"HELLO")
    shop.check(("paths",))
    shop.waive("patch-opaque", "Slate Choir.eeng", "it is mine, I know")
    assert shop.status().step("paths").state is State.WAIVED
    shop.unwaive("patch-opaque", "Slate Choir.eeng")
    assert shop.status().step("paths").state is State.UNKNOWN
    shop.record_away(
        AwayTest(
            kind="another player", result="pass", who="Ada", engine_version="7.2.1", edition="full",
            system="Windows 11", played="all of it",
        )
    )  # fmt: skip
    assert shop.status().step("paths").state is State.PROVEN


def test_a_waiver_says_in_words_what_it_covered_and_how_much_more() -> None:
    one, two, three = (finding(value=f"{name}.wav", measured=f"“{name}.wav”") for name in ("wind", "rain", "hail"))
    assert given(one).said == "“wind.wav”"
    assert given(one, two).said == "“wind.wav”, and 1 more"
    assert given(one, two, three).said == "“wind.wav”, and 2 more"


@pytest.mark.parametrize(
    ("path", "meant"), [("a.wav", True), ("b.wav", True), ("c.txt", False), ("", False), (FACTS_FILE, False)]
)
def test_a_group_is_meant_for_the_files_its_pattern_covers_and_for_nothing_else(path: str, meant: bool) -> None:
    group = Waiver(rule="clipped", path="*.wav", reason="meant", contents=(Waiver.mark("a" * 64),))
    everything = msgspec.structs.replace(group, path="**")
    one = finding("clipped", path)
    assert means(group, one) is meant
    assert means(everything, one) is (path not in ("", FACTS_FILE))
