"""The keys: each does one thing wherever it is offered, is named in the help, and does what it is listed for."""

from __future__ import annotations

import pytest
from textual.binding import Binding

from companion.steps.table import STEPS
from companion.tui.app import CompanionApp
from companion.tui.bodies import body_of
from companion.tui.parts import foot
from companion.tui.parts.foot import KeysLine
from tests.tui.conftest import Bench, Opened


@pytest.mark.parametrize("name", sorted({step.body for step in STEPS}))
def test_the_keys_of_a_body_stand_beside_those_of_the_app(name: str) -> None:
    body = body_of(name)
    own = [key.key for key in body.KEYS]
    everywhere = {one for key in CompanionApp.BINDINGS if isinstance(key, Binding) for one in key.key.split(",")}
    assert len(set(own)) == len(own)
    assert not set(own) & everywhere
    assert body.NEXT in {*own, "r", "Enter"}
    for key in body.KEYS:
        assert callable(getattr(body, f"step_{key.action}", None)), key
        assert key.label
        assert key.help


async def test_the_help_names_every_key(bench: Bench, opened: Opened) -> None:
    async with opened(bench, (120, 110)) as hand:
        await hand.press("escape", "question_mark")
        for step in STEPS:
            for key in body_of(step.body).KEYS:
                assert hand.shows(f"{key.key} {key.help}")
        assert hand.shows("s snapshots: take, compare, restore", "v waive the finding", "Esc out of a field")


async def test_one_key_does_what_the_open_step_lists_it_for(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("5")
        assert hand.shows("n Note")
        await hand.press("6")
        assert hand.shows("n New test")
        assert not hand.shows("n Note")
        await hand.press("5")
        assert hand.shows("n Note")
        assert not hand.shows("n New test")


def test_a_step_beyond_the_tenth_has_no_digit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(foot, "STEP_IDS", tuple("abcdefghijkl"))
    assert [foot.step_digit(step) for step in "abijkl"] == ["1", "2", "9", "0", "", ""]


async def test_the_help_begins_with_the_step_that_is_open(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("9", "question_mark")
        lines = [line.strip(" │╭╮╰╯") for line in hand.lines()]
        first = next(index for index, line in enumerate(lines) if line.startswith("Here, in Archive"))
        assert all("In a form" not in line for line in lines[:first])
        assert hand.shows("Here, in Archive")


async def test_the_keys_of_a_step_stand_in_their_order_whichever_steps_were_open_before(
    bench: Bench, opened: Opened
) -> None:
    own = [key.key for key in body_of("words").KEYS]
    async with opened(bench, (160, 40)) as hand:
        await hand.press("6", "5", "2", "8")
        shown = [key for key, _ in hand.app.screen.query_one(KeysLine).words()]
        assert [key for key in shown if key in own] == [key for key in own if key in shown]
        assert len(set(own) & set(shown)) >= 5
