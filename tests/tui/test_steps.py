"""Going through the ten steps, by keyboard and by mouse, at both sizes."""

from __future__ import annotations

import pytest
from textual.widgets import Input

from companion.core.text import has_invisible
from companion.steps.model import State
from companion.steps.table import STEPS
from companion.tui.bodies import body_of
from companion.tui.frame.checklist import Rail, Steps
from companion.tui.frame.workspace import Workspace
from companion.tui.parts.foot import KeysLine
from tests.tui.conftest import Bench, Opened, finding


@pytest.mark.parametrize("size", [(60, 16), (120, 40), (200, 60)])
async def test_steps_open_at_any_size(bench: Bench, opened: Opened, size: tuple[int, int]) -> None:
    bench.states["contents"] = State.PROVEN
    async with opened(bench, size) as hand:
        assert hand.shows("1 of 10 proven", "Slate Choir", "2 ✓ Contents proven", "3 · Paths open") or size[1] < 20
        for number, step in ((4, "sound"), (5, "controls"), (1, "facts")):
            await hand.press(str(number))
            assert hand.shows(f"because of {step}", "Next", "s Snapshots", "q Quit")
            assert hand.app.query_one(Workspace).query_one(".head").region.bottom < size[1]


async def test_every_step_opens_by_arrows(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("escape", "home")
        for step in STEPS:
            assert hand.app.query_one(Workspace).step_id == step.id
            assert hand.shows(f"because of {step.id}")
            assert isinstance(hand.app.focused, Steps)
            await hand.press("down")


async def test_every_step_opens_by_mouse(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        for row, step in enumerate(STEPS):
            await hand.pilot.click(Steps, offset=(5, row))
            await hand.rest()
            assert hand.app.query_one(Workspace).step_id == step.id


async def test_the_first_step_not_settled_is_opened_first(bench: Bench, opened: Opened) -> None:
    bench.states.update(facts=State.PROVEN, contents=State.WAIVED)
    async with opened(bench) as hand:
        assert hand.app.query_one(Workspace).step_id == "paths"
        assert hand.shows("1 of 10 proven, 1", "waived")


async def test_keys_at_the_foot_can_be_clicked(bench: Bench, opened: Opened) -> None:
    bench.states["facts"] = State.PROVEN
    async with opened(bench) as hand:
        await hand.press("2")
        line = next(row for row in hand.lines() if "Look again" in row)
        await hand.pilot.click(KeysLine, offset=(line.index("Look again"), 0))
        await hand.rest()
        assert ("check", ("contents",)) in bench.calls


async def test_head_and_keys_fit_into_80_by_24_whatever_was_found(bench: Bench, opened: Opened) -> None:
    bench.found = {step.id: (finding("clipped", "a.wav"),) for step in STEPS}
    async with opened(bench) as hand:
        for number, step in enumerate(STEPS, start=1):
            await hand.press(str(number % 10))
            keys = hand.app.screen.query_one(KeysLine)
            assert keys.size.height <= 2
            assert all(column + text.cell_length <= 78 for row in keys.rows(78) for column, (_, text) in row)
            assert hand.shows(step.question.partition("?")[0], f"because of {step.id}", step.title, "Next")
            assert hand.shows("s Snapshots", "? Help", "q Quit")
            assert not isinstance(hand.app.focused, Input), "a digit pressed next would be typed into a field"
            body = hand.app.query_one(Workspace).body
            assert body
            assert body.region.height >= 12
            assert body.region.bottom <= 24 - keys.size.height


async def test_a_digit_does_not_type_into_a_field_but_enter_goes_there(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("1", "enter")
        assert isinstance(hand.app.focused, Input)
        await hand.press("escape", "4")
        assert hand.app.query_one(Workspace).step_id == "sound"


async def test_look_again_runs_the_open_step_and_says_how_it_went(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = (finding("clipped", "a.wav"),)
    async with opened(bench) as hand:
        await hand.press("4", "r")
        assert bench.calls == [("check", ("sound",))]
        assert hand.shows("Sound: failing", "4 ✗ Sound failing", "a.wav")


async def test_check_all_runs_every_step(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("escape", "a")
        assert bench.calls == [("check", ())]


async def test_help_shows_every_area_and_goes_away(bench: Bench, opened: Opened) -> None:
    async with opened(bench, (120, 80)) as hand:
        await hand.press("escape", "question_mark")
        assert hand.shows("Anywhere", "Controls", "fail, and say what was heard", "waived: accepted, with reasons")
        await hand.press("escape")
        assert not hand.shows("Anywhere")


async def test_states_are_told_by_mark_and_word(bench: Bench, opened: Opened) -> None:
    for step, state in zip(STEPS, State, strict=False):
        bench.states[step.id] = state
    async with opened(bench) as hand:
        for step, state in zip(STEPS, State, strict=False):
            assert hand.shows(f"{state.mark} {step.title} {state.value}"), state
        assert hand.app.query_one(Rail).size.width <= 24


async def test_every_state_of_every_step_has_a_next_thing(bench: Bench) -> None:
    for state in State:
        for plan in STEPS:
            bench.states[plan.id] = state
            status = bench.status()
            key, words = body_of(plan.body).next_thing(
                status.step(plan.id), status.steps[0] if plan.id != "facts" else None
            )
            assert len(key) <= 5
            assert not has_invisible(words)
            assert words or status.step(plan.id).next == ""
