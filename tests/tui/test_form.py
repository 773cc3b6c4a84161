"""What a newcomer does in a form: sees what is written and where, and nothing is kept that was not meant."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.widgets import Button, Input

from companion.core.facts import Facts
from companion.core.findings import Severity
from companion.steps.deeds.start import Proposal
from companion.steps.model import State
from companion.tui.bodies.start import told
from companion.tui.frame.workspace import Workspace
from companion.tui.parts.choice import PartsBar
from companion.tui.parts.fields import BY_KEY, PAGES
from companion.tui.parts.findings import FindingList
from companion.tui.parts.form import FieldBox
from tests.tui.conftest import Bench, Hand, Opened, finding


def box(hand: Hand, key: str) -> FieldBox:
    return next(one for one in hand.app.query(FieldBox) if one.field.key == key and one.is_on_screen)


def any_box(hand: Hand, key: str) -> FieldBox:
    return next(one for one in hand.app.query(FieldBox) if one.field.key == key)


def text_of_facts(folder: Path) -> str:
    return (folder / "release.toml").read_text(encoding="utf-8")


async def test_the_end_of_a_long_line_stays_in_sight_while_it_is_written(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("1", "enter", *["down"] * 3)
        assert hand.app.focused is box(hand, "instrument.summary").box
        await hand.write("a struck choir of slate recorded in one long cold night by the old quay")
        assert hand.shows("the old quay")


async def test_the_field_one_is_in_is_marked_without_colour(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("1", "enter")
        assert [line.partition("▕")[2].strip() for line in hand.lines() if "▌" in line] == ["▌Slate Choir"]
        await hand.press("down", "down")
        assert [line.partition("▕")[2].strip() for line in hand.lines() if "▌" in line] == ["▌Quay Room"]
        await hand.press("escape")
        assert "▌" not in hand.text()


async def test_what_is_typed_into_a_filled_field_takes_the_place_of_what_was_there(
    bench: Bench, opened: Opened
) -> None:
    async with opened(bench) as hand:
        await hand.press("1", "enter")
        await hand.write("Basalt")
        assert box(hand, "instrument.title").box.value == "Basalt"


async def test_what_is_not_kept_is_marked_and_no_other_fields_enter_keeps_it(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("1", "enter", "end", "2", "down", "down")
        assert hand.shows("Title ● not kept yet", "▸Who ●")
        await hand.write("Ida")
        await hand.press("enter")
        assert 'maker = "Ida"' in text_of_facts(bench.folder)
        assert 'title = "Slate Choir"' in text_of_facts(bench.folder)
        assert hand.shows("Kept: maker. Not kept yet: title.", "Title ● not kept yet", "▸Who ●")
        assert hand.app.query_one(Workspace).unsaved == "Facts"
        box(hand, "instrument.title").box.focus()
        await hand.press("end", "backspace")
        assert not hand.shows("not kept yet")
        assert hand.shows("▸Who ")
        assert not hand.shows("▸Who ●")


async def test_the_button_keeps_all_that_was_written(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("1", "enter", "end", "2", "down", "down", "end", "2")
        hand.app.query_one(Button).focus()
        await hand.press("enter")
        assert 'title = "Slate Choir2"' in text_of_facts(bench.folder)
        assert 'maker = "Quay Room2"' in text_of_facts(bench.folder)
        assert not hand.shows("not kept yet")


async def test_enter_on_a_finding_leads_to_the_field_it_is_about(bench: Bench, opened: Opened) -> None:
    bench.found["facts"] = tuple(
        finding("fact-missing", "release.toml", where=where, measured=f"{where} is not stated")
        for where in ("engine.edition", "instrument.contact", "controls.Tone.rest")
    )
    bench.states["facts"] = State.FAILING
    async with opened(bench) as hand:
        for steps, key in ((0, "controls"), (1, "engine.edition"), (2, "instrument.contact")):
            await hand.press("1", *["left"] * 9)
            while not hand.app.query(FindingList):
                await hand.press("right")
            body = hand.app.query_one(Workspace).body
            assert body
            await body.go("findings")
            hand.app.query_one(FindingList).focus()
            await hand.press("home", "down", *["down"] * steps, "enter")
            assert hand.app.focused is box(hand, key).box


async def test_enter_on_a_finding_without_a_picture_leads_to_its_details(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = (finding("sample-none"),)
    async with opened(bench) as hand:
        await hand.press("4", "enter")
        assert hand.app.focused is not hand.app.query_one(FindingList)
        assert type(hand.app.focused).__name__ == "Detail"


async def test_the_cursor_stays_where_a_finding_was_waived(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = tuple(
        finding("late-onset", f"{name}.wav", severity=Severity.WARNS) for name in ("a", "b", "c")
    )
    async with opened(bench) as hand:
        await hand.press("4", "home", "down", "down")
        assert hand.shows("Where b.wav")
        await hand.press("v")
        await hand.write("meant")
        await hand.press("enter")
        assert bench.calls[-1][:3] == ("waive", "late-onset", "b.wav")
        assert hand.shows("Where c.wav")


async def test_the_first_questions_are_gone_through_one_by_one(tmp_path: Path, opened: Opened) -> None:
    bench = Bench(tmp_path)
    async with opened(bench) as hand:
        assert hand.shows("1 of 3 What is the instrument called?", "2 of 3 Which files do players open", "Enter Next")
        await hand.write("Basalt")
        await hand.press("enter", "enter")
        assert bench.calls == []
        assert hand.app.focused is hand.app.query(Input).last()
        await hand.press("enter")
        assert bench.calls == [("start", {"instrument.title": "Basalt", "contents.patches": []})]


def test_what_is_wrong_may_be_told_before_a_field_is_laid_out() -> None:
    box = FieldBox(BY_KEY["instrument.title"], "")
    box.wrong("not stated")
    assert box.has_class("-wrong")


@pytest.mark.parametrize("width", [24, 54, 70])
def test_the_names_of_the_parts_stand_on_one_line(width: int) -> None:
    names = {name: name for name in ("Who", "Engine", "Files", "Names", "Controls", "Limits", "Page", "Found 12")}
    bar = PartsBar(names)
    for name in names:
        bar.set_reactive(PartsBar.value, name)
        (row,) = bar.rows(width)
        line = " ".join(text.plain for _, (_, text) in row)
        assert len(line) <= width
        assert f"▸{name}" in line
        assert line.startswith(f"{list(names).index(name) + 1} of 8") == (width < 70)
        assert [column for column, _ in row] == [
            sum(len(text.plain) + 1 for _, (_, text) in row[:place]) for place in range(len(row))
        ], "a click finds the name it is on"


def test_each_limit_says_what_holds_while_nothing_is_written() -> None:
    from companion.sound.checks import edges, files, formats, levels, pitch

    rules: dict[str, float] = {
        "dc_offset": edges.DC_OFFSET, "late_onset_s": edges.LATE_ONSET_S, "tail_s": edges.TAIL_S,
        "silence_dbfs": files.SILENCE_DBFS, "noise_dbfs": formats.NOISE_DBFS, "pitch_cents": pitch.PITCH_CENTS,
        "level_step_db": levels.LEVEL_STEP_DB, "layer_drop_db": levels.LAYER_DROP_DB,
    }  # fmt: skip
    for field in PAGES["Limits"]:
        assert field.default
        name = field.key.partition(".")[2]
        if name in rules:
            assert float(field.default.replace("−", "-")) == rules.pop(name)
    assert rules == {}


def test_in_a_low_terminal_examples_leave_room_for_the_first_question() -> None:
    lines = ("2 samples.", "Samples/a.wav: A2, take 1.", "Middle C is C3.")
    assert told(lines, 24) == ["2 samples.", "Middle C is C3."]
    assert told(lines, 40) == list(lines)


async def test_enter_goes_on_until_all_that_is_needed_is_said_and_then_records(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("6", "n", "right", "right", "enter", "right", "enter")
        await hand.write("low to high")
        assert hand.shows("Enter Go on")
        await hand.press("enter")
        await hand.write("3.2")
        await hand.press("enter", "enter")  # no edition
        await hand.write("Windows 11")
        await hand.press("enter")
        assert bench.tests == []
        assert hand.app.focused is any_box(hand, "reached_originals").box
        await hand.press("right", "enter")
        await hand.write("Ida")
        await hand.press("enter")
        assert [(test.who, test.system, test.played) for test in bench.tests] == [("Ida", "Windows 11", "low to high")]


async def test_enter_in_the_last_needed_field_tells_what_is_not_said(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("6", "n")
        any_box(hand, "who").box.focus()
        await hand.press("enter")
        assert hand.shows("Say which test it was.")
        assert hand.app.focused is any_box(hand, "kind").box


async def test_a_licence_that_is_none_is_told_where_it_is_asked_for(folder: Path, opened: Opened) -> None:
    (folder / "release.toml").unlink()
    bench = Bench(folder)
    bench.propose = lambda *_: Proposal(  # type: ignore[method-assign]
        facts=Facts(), lines=(), asks=(("instrument.licence", "Which licence?"), ("instrument.maker", "Whose?"))
    )
    async with opened(bench) as hand:
        licence, maker = any_box(hand, "instrument.licence"), any_box(hand, "instrument.maker")
        licence.box.focus()
        await hand.write("free for all")
        await hand.press("enter")
        assert hand.app.focused is licence.box
        assert hand.shows("“free for all” is not one.", "such as CC-BY-4.0")
        licence.box.value = "CC0-1.0"
        await hand.press("enter")
        assert hand.app.focused is maker.box
        assert not licence.has_class("-wrong")
        licence.box.value = ""
        licence.box.focus()
        await hand.press("enter")
        assert hand.app.focused is maker.box, "left blank for later"


async def test_a_version_that_is_none_is_told_where_it_is_asked_for(folder: Path, opened: Opened) -> None:
    (folder / "release.toml").unlink()
    bench = Bench(folder)
    bench.propose = lambda *_: Proposal(  # type: ignore[method-assign]
        facts=Facts(), lines=(), asks=(("instrument.version", "Which version?"), ("instrument.maker", "Whose?"))
    )
    async with opened(bench) as hand:
        version, maker = any_box(hand, "instrument.version"), any_box(hand, "instrument.maker")
        version.box.focus()
        await hand.write("Quay Room")
        await hand.press("enter")
        assert hand.app.focused is version.box
        assert hand.shows("“Quay Room” is not one.", "such as 1.0")
        version.box.value = "1.0-beta"
        await hand.press("enter")
        assert hand.app.focused is maker.box


async def test_lines_are_kept_by_a_key_and_take_no_more_room_with_the_focus(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("1")
        lines, thanks = any_box(hand, "instrument.description"), any_box(hand, "instrument.credits")
        before = lines.box.size.height, lines.box.region.height
        lines.box.focus()
        await hand.pilot.pause()
        assert (lines.box.size.height, lines.box.region.height) == before
        thanks.box.value = "Nobody"
        await hand.press("a", "enter", "b")
        assert hand.shows("Ctrl+S Keep")
        await hand.press("ctrl+s")
        assert bench.facts.instrument.description == "a\nb"
        assert not lines.changed
        assert thanks.changed, "of another field nothing is written"


async def test_what_stops_nothing_is_no_cross_beside_a_field(bench: Bench, opened: Opened) -> None:
    bench.found["facts"] = (
        finding("fact-missing", "release.toml", where="instrument.contact", measured="not stated"),
        finding("rights-unstated", "release.toml", where="instrument.rights", severity=Severity.WARNS),
    )
    async with opened(bench, (100, 60)) as hand:
        await hand.press("1")
        assert hand.shows("✗ not stated; wanted: −0.1 dBFS", "! 0.0 dBFS; wanted: −0.1 dBFS")
        assert [any_box(hand, f"instrument.{key}").has_class("-mild") for key in ("contact", "rights")] == [False, True]
