"""A snapshot is offered in one quiet line while it is due, and taken with one key and Enter."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.widgets import Input

from companion.steps.account.due import Due, Unkept
from companion.steps.account.moved import Counts, Moved
from companion.steps.model import State
from companion.steps.table import STEP_IDS
from companion.tui.bodies.out import before_release
from companion.tui.parts.dialogs import Ask
from companion.tui.parts.foot import DueLine
from companion.workshop import Workshop
from tests.tui.conftest import Bench, Opened

DUE = Due(because="21 samples changed since snapshot 3", label="21 samples changed", since="2026-01-01T00:00:00Z")


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_the_line_offers_and_enter_accepts(bench: Bench, opened: Opened, size: tuple[int, int]) -> None:
    bench.due = DUE
    async with opened(bench, size) as hand:
        assert hand.shows("k Keep a snapshot  21 samples changed since snapshot 3 (2026-01-01)")
        await hand.press("4", "k")
        assert hand.shows("21 samples changed since snapshot 3. What will you know it by")
        assert hand.app.screen.query_one(Input).value == "21 samples changed"
        await hand.press("enter")
        assert [(shot.label, shot.kind) for shot in bench.shots] == [("21 samples changed", "due")]
        assert hand.shows("Snapshot 1 is kept")
        assert not hand.shows("k Keep a snapshot")


async def test_words_typed_take_the_place_of_those_offered(bench: Bench, opened: Opened) -> None:
    bench.due = DUE
    async with opened(bench) as hand:
        await hand.press("escape", "k")
        await hand.write("before retuning")
        await hand.press("enter")
        assert [(shot.label, shot.kind) for shot in bench.shots] == [("before retuning", "asked")]


async def test_going_back_changes_nothing_and_the_line_stays(bench: Bench, opened: Opened) -> None:
    bench.due = DUE
    async with opened(bench) as hand:
        await hand.press("escape", "k", "escape")
        assert bench.shots == []
        assert hand.shows("k Keep a snapshot")


async def test_a_click_on_the_line_offers_what_the_key_does(bench: Bench, opened: Opened) -> None:
    bench.due = DUE
    async with opened(bench) as hand:
        await hand.pilot.click(DueLine)
        await hand.rest()
        assert hand.shows("Keep a snapshot", "21 samples changed since snapshot 3. What will you know it by")
        assert bench.shots == []
        await hand.press("enter")
        assert [(shot.label, shot.kind) for shot in bench.shots] == [("21 samples changed", "due")]


async def test_while_work_runs_nothing_is_offered(bench: Bench, opened: Opened) -> None:
    bench.due = DUE
    async with opened(bench) as hand:
        bench.gate.clear()
        try:
            await hand.pilot.press("a")
            await hand.pilot.pause()
            assert hand.app.jobs.work
            assert not hand.shows("k Keep a snapshot")
            await hand.pilot.press("k")
            await hand.pilot.pause()
            assert not isinstance(hand.app.screen, Ask)
        finally:
            bench.gate.set()
        await hand.rest()
        assert hand.shows("k Keep a snapshot")


async def test_the_key_works_when_nothing_is_due_but_asks_for_words(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        assert not hand.shows("Keep a snapshot")
        await hand.press("escape", "k", "enter")
        assert hand.shows("Write a few words.")


async def test_where_none_can_be_kept_the_reason_is_said(bench: Bench, opened: Opened) -> None:
    bench.no_history = "git is not installed"
    async with opened(bench) as hand:
        await hand.press("escape", "k")
        await hand.write("words")
        await hand.press("enter")
        assert hand.shows("✗ No snapshots can be kept here: git is not installed")
        assert bench.shots == []


async def test_in_the_drawer_the_same_label_is_offered(bench: Bench, opened: Opened) -> None:
    bench.snapshot("one")
    bench.due = DUE
    async with opened(bench) as hand:
        await hand.press("escape", "s", "t", "enter")
        assert [shot.label for shot in bench.shots] == ["one", "21 samples changed"]
        assert hand.shows("kept when due: 2 samples added")


async def test_before_a_release_it_says_that_it_keeps_its_own(bench: Bench, opened: Opened) -> None:
    bench.states = dict.fromkeys(STEP_IDS[:-1], State.PROVEN)
    bench.unkept = Unkept(snapshot=3, samples=9, moved=Moved(samples=Counts(changed=2)))
    async with opened(bench) as hand:
        await hand.press("0")
        assert hand.shows("A release takes its own snapshot, whatever is kept already")
        await hand.press("o")
        assert hand.shows("Record Slate Choir 1.0 as released?", "A release takes its own snapshot")
        assert hand.shows("Not kept so far: 2 samples changed", "since snapshot 3. Archive")
        await hand.press("escape")
        bench.no_history = "git is not installed"
        await hand.press("r", "o")
        assert hand.shows("No snapshot can be taken: git is not installed.")


def test_with_nothing_left_to_keep_a_release_says_no_more_than_that() -> None:
    kept = before_release(Unkept(snapshot=3), "")
    assert kept == before_release(None, "")
    assert "Not kept" not in kept


async def test_in_the_real_app_over_a_real_folder(demo_folder: Path, opened: Opened) -> None:
    shop = Workshop.open(demo_folder)
    async with opened(shop) as hand:
        assert hand.shows("k Keep a snapshot  no snapshot of this folder yet")
        await hand.press("escape", "k", "enter")
        assert hand.shows("Snapshot 1 is kept")
        assert not hand.shows("k Keep a snapshot")
        samples = sorted((demo_folder / "Samples" / "Struck").glob("*.wav"))
        for path in samples[:3]:
            path.write_bytes(path.read_bytes() + b"\0\0")
        await hand.press("1", "r")
        assert hand.shows("k Keep a snapshot  3 samples changed since snapshot 1 (just now)")
        samples[3].unlink()
        await hand.press("k", "enter", "s")
        assert hand.shows("2 3 samples changed", "kept when due: 1 sample removed, 3 changed", "its own")
        assert hand.shows("All that is in the folder now is kept.")
        await hand.press("down", "r")
        assert hand.shows("Writes 4 files", "takes none away", "comes back: Samples/Struck/")
        await hand.press("y", "escape")
        assert not hand.shows("k Keep a snapshot"), "what was brought back is in snapshot 1"
    assert [shot.kind for shot in shop.snapshots()] == ["due", "due"]
    shop.close()
