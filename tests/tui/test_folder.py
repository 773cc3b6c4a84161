"""Folders that cannot be opened or written, terminals without colour, and names of folders that mean harm."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.core.errors import CompanionError
from companion.tui.app import CompanionApp, open_workshop
from tests.tui.conftest import HOSTILE, Bench, Opened


async def test_broken_facts_are_explained_and_can_be_read_again(folder: Path) -> None:
    facts = folder / "release.toml"
    good = facts.read_text(encoding="utf-8")
    facts.write_text(good.replace('maker = "Quay Room"', "maker = 3"), encoding="utf-8")
    app = CompanionApp(folder, lambda place: Bench(open_workshop(place).folder))
    async with app.run_test(size=(80, 24)) as pilot:
        from tests.tui.conftest import Hand

        hand = Hand(app, pilot)
        await hand.rest()
        assert hand.shows(
            "This folder cannot be opened yet", "“instrument.maker”", "Read it again once that is mended."
        )
        await hand.press("4", "a", "s", "r")
        assert hand.shows("This folder cannot be opened yet")
        facts.write_text(good, encoding="utf-8")
        await hand.press("r")
        assert hand.shows("0 of 10 proven")
        assert not hand.shows("cannot be opened")


async def test_a_missing_folder_is_explained(opened: Opened) -> None:
    async with opened(CompanionError("There is no such folder", "/x", "check the name")) as hand:
        assert hand.shows("✗ There is no such folder (/x). Check the name.")
        await hand.press("q")
        assert hand.app.return_value == 0


async def test_a_read_only_folder_can_be_looked_at(bench: Bench, opened: Opened) -> None:
    bench.writable = False
    async with opened(bench) as hand:
        assert hand.shows("read-only", "This folder is read-only: look around, but nothing can be kept here.")
        await hand.press("5")
        assert hand.shows("Tone alone")
        await hand.press("1", "enter", "end", *"x", "enter")
        assert hand.shows("✗ The folder is read-only")


@pytest.mark.parametrize("name", [HOSTILE[2], HOSTILE[5]])
async def test_hostile_folder_names_are_inert(tmp_path: Path, opened: Opened, name: str) -> None:
    place = tmp_path / name
    place.mkdir()
    (place / "release.toml").write_text("", encoding="utf-8")
    async with opened(Bench(place)) as hand:
        await hand.press("question_mark")
        assert "\x1b" not in hand.text()
        assert hand.app.is_running


@pytest.mark.parametrize(("value", "without"), [("", False), ("1", True), (None, False)])
def test_an_empty_no_color_means_unset(
    folder: Path, monkeypatch: pytest.MonkeyPatch, value: str | None, without: bool
) -> None:
    if value is None:
        monkeypatch.delenv("NO_COLOR", raising=False)
    else:
        monkeypatch.setenv("NO_COLOR", value)
    assert CompanionApp(folder).no_color is without


async def test_without_colour_everything_is_still_told(
    bench: Bench, opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    async with opened(bench) as hand:
        assert hand.shows("1 · Facts open", "▸Who")
