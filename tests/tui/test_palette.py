"""The palette: whatever there is, is found by a few letters, and nothing of a stranger's does anything on the way."""

from __future__ import annotations

import pytest

from companion.core.text import visible
from companion.history.snapshot import Snapshot
from companion.tui.frame.explained import Explained
from companion.tui.frame.workspace import Workspace
from companion.tui.parts.findings import FindingsView
from companion.tui.snapshots.drawer import Drawer
from tests.tui.conftest import HOSTILE, Bench, Hand, Opened, finding


async def find(hand: Hand, words: str) -> None:
    """Type into the palette and wait for what it finds."""
    await hand.press("escape", "ctrl+p")
    await hand.write(words)
    await hand.pilot.pause()
    await hand.app.workers.wait_for_complete()
    await hand.pilot.pause()


async def test_before_anything_is_typed_it_offers_steps_and_actions(bench: Bench, opened: Opened) -> None:
    async with opened(bench, (100, 80)) as hand:
        await find(hand, "")
        assert hand.shows("Sound step", "snapshots: take, compare, restore key s", "Archive: ")


@pytest.mark.parametrize(
    ("words", "step"), [("Sound step", "sound"), ("Away: record", "away"), ("b.wav clipped", "sound")]
)
async def test_it_goes_to_what_was_found(bench: Bench, opened: Opened, words: str, step: str) -> None:
    bench.found["sound"] = tuple(finding("clipped", f"{name}.wav") for name in "abc")
    async with opened(bench, (100, 40)) as hand:
        await hand.press("1")
        await find(hand, words)
        await hand.press("enter")
        await hand.rest()
        assert hand.app.query_one(Workspace).step_id == step
        if "wav" in words:
            view = next(view for view in hand.app.query(FindingsView) if view.is_on_screen)
            assert view.current
            assert view.current.path == "b.wav"


async def test_a_rule_is_explained_in_words(bench: Bench, opened: Opened) -> None:
    async with opened(bench, (100, 40)) as hand:
        await hand.press("escape")
        await find(hand, "name reserved")
        await hand.press("enter")
        assert isinstance(hand.app.screen, Explained)
        assert hand.shows("name reserved", "Why", "Mend", "Id name-reserved")
        await hand.press("escape")
        assert not isinstance(hand.app.screen, Explained)


async def test_a_snapshot_leads_to_the_drawer(bench: Bench, opened: Opened) -> None:
    label = "take [@click=app.quit]x[/]"
    bench.shots = [
        Snapshot(
            number=7, id="0", tree="0" * 40, label=label, at="2026-01-01T00:00:00Z", kind="asked", files=1, bytes=1
        )
    ]
    async with opened(bench, (100, 40)) as hand:
        await hand.press("escape")
        await find(hand, "7 take snapshot")
        assert hand.shows(label)
        await hand.press("enter")
        assert isinstance(hand.app.screen, Drawer)


async def test_hostile_names_are_shown_inert(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = tuple(finding("clipped", name) for name in HOSTILE)
    async with opened(bench, (100, 40)) as hand:
        await hand.press("escape")
        await find(hand, "clipped found in Sound")
        for name in HOSTILE:
            assert hand.shows(visible(name))
        assert not any(char in hand.text() for char in "\x1b\x07\u202e\udcff")
        assert hand.app.is_running
