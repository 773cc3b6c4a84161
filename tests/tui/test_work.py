"""Long work: shown, stopped, refused twice at once, told when it breaks, and ended cleanly before the app goes."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from companion.core.errors import CompanionError
from companion.core.progress import Watch
from companion.steps.model import State
from companion.tui.parts.foot import JobLine
from companion.tui.parts.jobs import WORK, BackgroundJob
from tests.tui.conftest import Bench, Hand, Opened


async def until(hand: Hand, told: Any) -> None:
    """Let the app run until ``told`` is so; a hundred turns are more than anything here takes."""
    for _ in range(400):
        if told():
            return
        await asyncio.sleep(0.01)
    raise AssertionError(hand.text())


async def test_progress_is_shown_and_the_app_stays_live(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        bench.gate.clear()
        await hand.pilot.press("4", "r")
        await until(hand, lambda: hand.shows("Checking: 10 of 100 files"))
        assert hand.shows("10%", "c stops", "c Stop")
        await hand.pilot.press("escape")  # stops it
        await until(hand, lambda: hand.app.jobs.work is None)
        await until(hand, lambda: hand.shows("Stopped before the end; nothing was changed."))
        assert not hand.app.query_one(JobLine).has_class("-on")


async def test_other_steps_can_be_looked_at_meanwhile(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        bench.gate.clear()
        await hand.pilot.press("4", "r")
        await until(hand, lambda: hand.shows("Checking: 10 of 100 files"))
        await hand.pilot.press("5")
        await until(hand, lambda: hand.shows("Tone alone"))
        await hand.pilot.press("p")
        await until(hand, lambda: len(bench.answers) == 1)
        bench.gate.set()
        await hand.rest()
        assert bench.states["sound"] is State.PROVEN


async def test_packing_can_be_stopped(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        bench.gate.clear()
        await hand.pilot.press("9", "b")
        await until(hand, lambda: hand.shows("Packing: 10 of 100 files"))
        await hand.pilot.press("c")
        await hand.rest()
        assert bench.calls == []
        assert hand.shows("Stopped before the end")
        await hand.pilot.press("b")
        bench.gate.set()
        await hand.rest()
        assert bench.calls == [("pack",)]


async def test_a_second_piece_of_long_work_is_refused_by_name(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        bench.gate.clear()
        await hand.pilot.press("4", "r")
        await until(hand, lambda: hand.app.jobs.work)
        hand.app.work("Another", lambda watch: None, str)
        await until(
            hand, lambda: hand.shows("✗ Checking Sound is still going on. Wait for its end, or stop it with c.")
        )
        bench.gate.set()
        await hand.rest()


ERRORS = (
    (CompanionError("The disk is full", "/x", "free some space"), "✗ The disk is full (/x). Free some space."),
    (ValueError("[/] odd\x1b"), "✗ Checking Sound failed unexpectedly: ValueError: [/] odd\\x1b. Try again"),
    (MemoryError(), "✗ Checking Sound failed unexpectedly: MemoryError"),
)


async def test_an_error_is_shown_and_stays(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        for error, told in ERRORS:
            bench.broken = error
            await hand.press("4", "r")
            assert hand.shows(told)
            await hand.press("5")
            assert hand.shows(told)
        bench.broken = None
        await hand.press("4", "r")
        assert not hand.shows(told)


async def test_what_is_found_and_cannot_be_kept_is_shown_as_such(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        bench.not_kept = CompanionError("No space left on device", "/x", "free some space")
        await hand.press("4", "r")
        assert hand.shows("✗ Sound: proven, because of sound. Not kept: No space left on device (/x). Free some space.")
        bench.not_kept = None
        await hand.press("a")
        assert not hand.shows("Not kept")
        assert hand.shows("of 10 proven")


async def test_a_result_that_was_overtaken_is_dropped(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        got: list[str] = []
        import threading

        begun, first = threading.Event(), threading.Event()

        stopped: list[bool] = []

        def slow(watch: Watch) -> str:
            begun.set()
            first.wait(5)
            stopped.append(watch.cancelled)
            return "old"

        hand.app.begin("look", "Old", slow, got.append)
        await until(hand, begun.is_set)
        hand.app.begin("look", "New", lambda _: "new", got.append)
        first.set()
        await hand.rest()
        assert got == ["new"]
        await until(hand, lambda: stopped)
        assert stopped == [True]
        await hand.app.job_ended(BackgroundJob("look", "Stray", lambda _: "stray", got.append), "stray", None)
        assert got == ["new"]


async def test_quitting_asks_stops_and_waits_for_a_clean_end(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        bench.gate.clear()
        await hand.pilot.press("4", "r")
        await until(hand, lambda: hand.app.jobs.work)
        await hand.pilot.press("q")
        await until(hand, lambda: hand.shows("Sound is still going on", "Stop it and quit"))
        await hand.pilot.press("escape")
        await until(hand, lambda: len(hand.app.screen_stack) == 1)
        assert hand.app.jobs.work
        await hand.pilot.press("q")
        await until(hand, lambda: len(hand.app.screen_stack) == 2)
        await hand.pilot.press("y")
        await until(hand, lambda: hand.app._exit)
        assert not hand.app.jobs._current
        assert hand.app.return_value == 0
    assert bench.calls == []


async def test_quitting_with_nothing_on_its_way_just_goes(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.pilot.press("escape", "q")
        await until(hand, lambda: hand.app._exit)
        assert hand.app.return_value == 0


async def test_quitting_with_something_unsaved_asks(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("1", "enter", "end", *"x", "escape", "q")
        assert hand.shows("What you wrote in Facts would be lost.")
        await hand.press("escape")
        assert not hand.app.leaving


async def test_only_one_piece_of_long_work_exists_at_a_time(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        bench.gate.clear()
        hand.app.jobs.start(BackgroundJob(WORK, "One", lambda watch: bench.labour("One", watch), str))
        with pytest.raises(CompanionError, match="One is still going on"):
            hand.app.jobs.start(BackgroundJob(WORK, "Two", lambda watch: None, str))
        bench.gate.set()
        await hand.rest()


async def test_a_refusal_during_work_stands_beside_its_end(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        bench.gate.clear()
        await hand.pilot.press("4", "r")
        await hand.pilot.pause()
        hand.app.action_check_all()  # a second look while the first goes on
        bench.gate.set()
        await hand.rest()
        assert hand.shows("is still going on", "› Sound: proven")
        await hand.press("2", "r")
        assert hand.shows("› Contents: proven")
        assert not hand.shows("is still going on")


async def test_what_went_well_is_left_with_its_step(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("4", "r")
        assert hand.shows("› Sound: proven")
        await hand.press("5")
        assert not hand.shows("› Sound: proven")


async def test_the_next_key_is_named_as_it_works_from_within_a_field(bench: Bench, opened: Opened) -> None:
    bench.states["facts"] = State.PROVEN
    async with opened(bench) as hand:
        await hand.press("1")
        assert hand.shows("Next 2 On to Contents.")
        await hand.press("enter")
        assert hand.shows("Next Esc, then 2 On to Contents.")
        await hand.press("escape")
        assert hand.shows("Next 2 On to Contents.")
