"""What must not happen by a slip of the hand: a yes by Enter, an answer lost by quitting, a file taken away unsaid."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from companion.core.progress import QUIET, Watch
from companion.steps.model import State
from companion.steps.table import STEP_IDS
from companion.tui.parts.dialogs import Confirm
from companion.tui.parts.form import FieldBox
from companion.workshop import Workshop
from tests.tui.conftest import Bench, Opened, finding


@pytest.mark.parametrize(
    ("keys", "given"),
    [
        (("enter",), False),
        (("escape",), False),
        (("n",), False),
        (("y",), True),
        (("left", "enter"), True),
        (("left", "right", "enter"), False),
    ],
)
async def test_a_confirmation_is_given_on_purpose_only(
    bench: Bench, opened: Opened, keys: tuple[str, ...], given: bool
) -> None:
    answers: list[None] = []
    async with opened(bench) as hand:
        hand.app.push_screen(Confirm("Sure?", "It cannot be taken back.", "Do it", answers.append))
        await hand.press(*keys)
        assert len(hand.app.screen_stack) == 1
    assert answers == [None] * given


async def test_enter_records_no_release(bench: Bench, opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.states = dict.fromkeys(STEP_IDS[:-1], State.PROVEN)
    recorded: list[object] = []
    monkeypatch.setattr(bench, "release", recorded.append)
    async with opened(bench) as hand:
        await hand.press("0", "o")
        assert hand.shows("Record Slate Choir 1.0 as released?")
        await hand.press("enter")
        assert not hand.shows("as released?")
        assert recorded == []


async def test_enter_takes_no_waiver_back(bench: Bench, opened: Opened, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.found["sound"] = (finding("clipped", "a.wav", waived="it is meant so"),)
    taken: list[tuple[str, ...]] = []
    monkeypatch.setattr(bench, "unwaive", lambda *of: taken.append(of))
    async with opened(bench) as hand:
        await hand.press("4", "v")
        assert hand.shows("Waived: it is meant so", "Take it back")
        await hand.press("enter")
        assert taken == []
        await hand.press("v", "y")
        assert taken == [("clipped", "a.wav", "")]
        assert hand.shows("“clipped”, a.wav: the waiver is taken back.")


async def test_enter_stops_no_work_and_does_not_quit(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        bench.gate.clear()
        try:
            await hand.pilot.press("4", "r", "q")
            await hand.pilot.pause()
            assert hand.shows("Checking Sound is still going on", "Stop it and quit")
            await hand.pilot.press("enter")
            await hand.pilot.pause()
            assert hand.app.jobs.work
            assert not hand.app.jobs.work.watch.cancelled
            assert not hand.app.leaving
        finally:
            bench.gate.set()
        await hand.rest()
        assert bench.calls == [("check", ("sound",))]


async def test_quitting_waits_for_every_answer_given(
    demo_folder: Path, opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = Workshop.open(demo_folder)
    begun, gate, keep = threading.Event(), threading.Event(), shop.answer

    def slow(*answer: Any) -> None:
        begun.set()
        assert gate.wait(20)
        keep(*answer)

    monkeypatch.setattr(shop, "answer", slow)
    async with opened(shop) as hand:
        await hand.press("5")
        try:
            await hand.pilot.press("p", "p", "q")  # the second answer waits for its turn behind the first
            while not begun.is_set():
                await hand.pilot.pause()
            assert hand.app.leaving
            assert not hand.app._exit
        finally:
            gate.set()
        await hand.rest()
        assert hand.app.return_value == 0
    assert [view.answer.result for view in shop.trials() if view.answer] == ["pass", "pass"]
    shop.close()


async def test_quitting_does_not_stop_the_writing_of_facts(
    demo_folder: Path, opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    (demo_folder / "release.toml").unlink()
    shop = Workshop.open(demo_folder)
    begun, gate, start = threading.Event(), threading.Event(), shop.start

    def slow(answers: Mapping[str, object], watch: Watch = QUIET) -> None:
        begun.set()
        assert gate.wait(20)
        start(answers, watch)

    monkeypatch.setattr(shop, "start", slow)
    async with opened(shop) as hand:
        try:
            hand.app.query(FieldBox).last().box.focus()
            await hand.pilot.press("enter", "enter")
            while not begun.is_set():
                await hand.pilot.pause()
            hand.app.leave()
        finally:
            gate.set()
        await hand.rest()
    assert shop.facts.instrument.title == "Slate Choir"
    assert 'title = "Slate Choir"' in (demo_folder / "release.toml").read_text(encoding="utf-8")
    shop.close()


async def test_a_restore_says_how_many_files_it_takes_away(demo_folder: Path, opened: Opened) -> None:
    shop = Workshop.open(demo_folder)
    shop.snapshot("as it came")
    for name in ("new one.txt", "new two.txt"):
        (demo_folder / name).write_text("not in the snapshot", encoding="utf-8")
    async with opened(shop, (100, 36)) as hand:
        await hand.press("escape", "s", "r")
        assert hand.shows("Writes nothing, takes away 2.", "is taken away: new one.txt", "is taken away: new two.txt")
        await hand.press("y")
        assert hand.shows("0 files brought back, 2 files taken away. What was there is snapshot 2.")
    assert not list(demo_folder.glob("new *.txt"))
    shop.close()
