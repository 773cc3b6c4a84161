"""Opened on no folder: what is known is listed, any folder can be named, and the demo is at hand."""

from __future__ import annotations

import os
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any, cast

import pytest
from textual import events

from companion.core import shelf
from companion.core.errors import CompanionError
from companion.core.own import HOME
from companion.steps.deeds.demo import demo_place
from companion.tui import running
from companion.tui.app import CompanionApp
from companion.tui.frame import opening
from companion.tui.frame.opening import Instruments, Opening
from companion.tui.parts.content import short_path
from companion.tui.parts.place import PlaceInput, completed, folder_meant
from tests.tui.conftest import HOSTILE, Bench, Hand, Opened

Asked = Callable[..., AbstractAsyncContextManager[Hand]]


@pytest.fixture
def asked(tmp_path: Path) -> Asked:
    @asynccontextmanager
    async def run(*folders: Path, here: Path | None = None) -> AsyncIterator[Hand]:
        app = Opening(folders, here, tmp_path / "Slate Choir demo")
        async with app.run_test(size=(80, 24)) as pilot:
            hand = Hand(cast("Any", app), pilot)
            await pilot.pause()
            await hand.rest()
            yield hand

    return run


def chosen(hand: Hand) -> Path | None:
    return cast("Opening", hand.app).chosen


async def test_what_is_known_is_listed_with_how_it_stands(folder: Path, tmp_path: Path, asked: Asked) -> None:
    gone = tmp_path / "gone"
    async with asked(folder, gone) as hand:
        assert hand.shows("Slate Choir 1.0", "0 of 10 steps, next: Facts: failing")
        assert hand.shows(short_path(str(folder), 74))
        assert hand.shows("There is no such folder", "The demo instrument", "Enter Open it")
        await hand.press("enter")
        assert hand.app.leaving
    assert (chosen(hand), hand.app.return_value) == (folder, 0)


async def test_hostile_names_are_inert(tmp_path: Path, asked: Asked) -> None:
    places = [tmp_path / name.replace("/", "") for name in HOSTILE]
    async with asked(*places) as hand:
        assert "\x1b" not in hand.text()
        assert "\u202e" not in hand.text()
        assert "\udcff" not in hand.text()
        assert hand.shows("x[].wav")


async def test_with_nothing_known_the_field_has_the_focus(folder: Path, asked: Asked) -> None:
    async with asked() as hand:
        await hand.write(str(folder))
        await hand.press("enter")
    assert chosen(hand) == folder


async def test_a_name_is_completed_and_a_wrong_one_is_told(folder: Path, tmp_path: Path, asked: Asked) -> None:
    (tmp_path / "Slate Loops").mkdir()
    async with asked() as hand:
        field = hand.app.query_one(PlaceInput)
        await hand.write(f"{tmp_path}{os.sep}Sl")
        await hand.press("tab")
        assert field.value == f"{tmp_path}{os.sep}Slate "
        assert hand.shows("Slate Choir Slate Loops")
        await hand.write("C")
        await hand.press("tab")
        assert field.value == f"{folder}{os.sep}"
        await hand.write("nothing")
        await hand.press("enter")
        assert hand.shows("✗ There is no such folder")
        assert chosen(hand) is None
        field.value = str(folder)
        await hand.press("enter")
    assert chosen(hand) == folder


async def test_what_is_dropped_on_the_list_goes_to_the_field(folder: Path, asked: Asked) -> None:
    async with asked(folder) as hand:
        assert isinstance(hand.app.focused, Instruments)
        hand.app.post_message(events.Paste("\n'/nowhere/else'"))
        hand.app.post_message(events.Key("x", "x"))
        await hand.rest()
        assert hand.app.query_one(PlaceInput).value == "'/nowhere/else'x"
        await hand.press("escape")
        hand.app.post_message(events.Paste(f"'{folder}'\n"))
        await hand.rest()
        assert hand.app.query_one(PlaceInput).value == f"'{folder}'", "what is dropped is a whole name"
        await hand.press("enter")
    assert chosen(hand) == folder


def typed(text: str) -> list[events.Event]:
    """The keys of a text, as a terminal sends them."""
    return [events.Key("slash" if char == "/" else "space" if char == " " else char, char) for char in text]


async def test_a_path_typed_at_once_over_the_list_is_whole(folder: Path, asked: Asked) -> None:
    """Letters that mean something elsewhere among them, with the focus led away from between and within words."""
    away = [events.Key("escape", None), events.Key("up", None), events.Key("shift+tab", None)]
    async with asked(folder) as hand:
        field, listing = hand.app.query_one(PlaceInput), hand.app.query_one(Instruments)
        assert listing.has_focus
        for event in typed("/q x/quay ?1 Xylo"):
            hand.app.post_message(event)
        await hand.rest()
        assert (field.value, field.has_focus) == ("/q x/quay ?1 Xylo", True)
        for move in away:
            for event in [*typed("one"), move, *typed("two")]:
                hand.app.post_message(event)
                hand.app.call_later(listing.focus)
            await hand.rest()
        assert field.value == "/q x/quay ?1 Xylo" + "onetwo" * 3
        await hand.press("escape", "tab", "escape", "x")
        assert field.value.endswith("onetwox"), "what Tab selected is not typed over from the list"
        assert chosen(hand) is None
    assert not hand.app.leaving


async def test_a_path_typed_before_anything_is_painted_is_whole(folder: Path, tmp_path: Path) -> None:
    app = Opening([folder], None, tmp_path / "demo")
    for event in typed("/home/q"):
        app.post_message(event)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert app.query_one(PlaceInput).value == "/home/q"


async def test_the_keys_of_the_list_are_still_its_own(folder: Path, tmp_path: Path, asked: Asked) -> None:
    other = tmp_path / "other"
    other.mkdir()
    async with asked(folder, other) as hand:
        await hand.press("down", "home", "end", "up", "enter")
        assert hand.app.query_one(PlaceInput).value == ""
    assert chosen(hand) == other
    async with asked(folder) as hand:
        await hand.press("tab", "left", *"/x", "escape")
        assert hand.app.query_one(Instruments).has_focus
        await hand.press("enter")
    assert chosen(hand) == folder


async def test_the_folder_one_is_in_and_the_demo_are_offered(tmp_path: Path, asked: Asked) -> None:
    here = tmp_path / "here"
    here.mkdir()
    async with asked(here=here) as hand:
        assert hand.shows("The folder you are in", "The demo instrument")
        await hand.press("shift+tab", "enter")
    assert chosen(hand) == here
    async with asked() as hand:
        await hand.press("shift+tab", "enter")
    assert chosen(hand) == tmp_path / "Slate Choir demo"
    assert (tmp_path / "Slate Choir demo" / "release.toml").is_file()
    async with asked() as hand:  # somebody has put something there meanwhile
        await hand.press("shift+tab", "enter")
        assert hand.shows("✗ There is something there already")
        assert chosen(hand) is None


async def test_one_is_forgotten_and_nothing_in_it_is_touched(folder: Path, asked: Asked) -> None:
    shelf.put([folder])
    before = (folder / "release.toml").read_bytes()
    async with asked(folder) as hand:
        assert hand.shows("Del Forget it", "Ctrl+Q Quit")
        await hand.press("delete")
        assert hand.shows("nothing in it was touched")
        assert not hand.shows("Slate Choir 1.0")
        await hand.press("delete")  # nothing is known any more
    assert shelf.known() == ()
    assert (folder / "release.toml").read_bytes() == before


async def test_quitting_chooses_nothing(folder: Path, asked: Asked) -> None:
    async with asked(folder) as hand:
        await hand.press("ctrl+q")
    assert (chosen(hand), hand.app.return_value) == (None, 0)


async def test_the_app_leaves_for_another_instrument_as_it_quits(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        bench.gate.clear()
        await hand.pilot.press("a", "ctrl+o")
        await hand.pilot.pause()
        assert hand.shows("Checking all steps is still going on", "Stop it and go")
        await hand.pilot.press("escape")
        bench.gate.set()
        await hand.rest()
        assert not hand.app.goes_elsewhere
        await hand.press("ctrl+o")
        assert hand.app.goes_elsewhere


def test_it_asks_until_it_is_quit(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The opening screen, an instrument, elsewhere from there, another instrument, and quit."""
    answers = [folder, None]
    went: list[Path] = []

    def run(self: CompanionApp) -> int:
        went.append(self.folder)
        self.goes_elsewhere = True
        return 0

    monkeypatch.setattr(running, "wants_light", lambda: False)
    monkeypatch.setattr(CompanionApp, "run", run)
    monkeypatch.setattr(running, "choose_folder", lambda *, light, few: answers.pop(0))
    assert running.run_app(None) == 0
    assert (went, answers) == ([folder], [])


@pytest.mark.parametrize("picked", [True, False])
def test_the_screen_hands_on_what_was_chosen(folder: Path, monkeypatch: pytest.MonkeyPatch, picked: bool) -> None:
    def run(self: Opening) -> None:
        if picked:
            self.chosen = folder

    monkeypatch.setattr(Opening, "run", run)
    assert opening.choose_folder(light=True) == (folder if picked else None)


# -- what is known -----------------------------------------------------------------------------------------------------


def test_the_last_one_opened_stands_first_behind_the_shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    a, b, c = (tmp_path / name for name in "abc")
    for one in (a, b, a):
        shelf.opened(one)
    assert shelf.known() == (a, b)
    written: list[object] = []
    with monkeypatch.context() as patch:
        patch.setattr(shelf, "write_safely", lambda *given: written.append(given))
        shelf.opened(a)
        assert written == [], "it stands first already"
        shelf.opened(b)
        assert len(written) == 1
    shelf.put([c])
    assert shelf.known() == (c, a, b)
    assert shelf.on_the_shelf() == (c,), "what was opened is not on the shelf"
    shelf.take([c])
    assert shelf.known() == (a, b), "the shelf keeps what was opened"
    for number in range(20):
        shelf.opened(tmp_path / str(number))
    assert len(shelf.known()) == shelf.MOST_OPENED
    shelf.forget(tmp_path / "19")
    assert tmp_path / "19" not in shelf.known()


def test_where_nothing_can_be_kept_the_app_opens_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv(HOME, str(tmp_path / "file"))
    shelf.opened(tmp_path)
    assert shelf.known() == ()


# -- names -------------------------------------------------------------------------------------------------------------


def test_a_folder_is_meant_however_it_is_named(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (folder / "Samples").mkdir()
    (folder / "Samples" / "a.wav").write_bytes(b"")
    (tmp_path / "loose.wav").write_bytes(b"")
    escaped = str(folder).replace(" ", "\\ ") if os.name != "nt" else str(folder)
    for text in (
        str(folder),
        f"  {folder}\n",
        f'"{folder}"',
        escaped,
        folder.as_uri(),
        "Slate Choir",
        "./Slate Choir/",
    ):
        assert folder_meant(text) == folder, text
    assert folder_meant(str(folder / "Samples" / "a.wav")) == folder, "the instrument a file belongs to"
    assert folder_meant("loose.wav") == tmp_path
    assert folder_meant(str(folder / "Samples")) == folder / "Samples", "a folder is what was asked for"
    for text in ("nowhere", "a\0b", "~nobody-here/x", "x" * 5000):
        with pytest.raises(CompanionError) as caught:
            folder_meant(text)
        assert "\n" not in caught.value.line


def test_completion(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("Alpha", "alphabet", "Beta", ".hidden", *(["bad\x1bname"] if os.name != "nt" else [])):
        (tmp_path / name).mkdir()
    (tmp_path / "Betafile").write_text("")
    base = f"{tmp_path}{os.sep}"
    assert completed(f"{base}Bet") == (f"{base}Beta{os.sep}", ()), "a file is no folder"
    assert completed(f"{base}al") == (f"{base}alphabet{os.sep}", ()), "as it is written, where that is there"
    assert completed(f"{base}AL") == (f"{base}AL", ("Alpha", "alphabet")), "else in any case"
    assert completed("Be") == (f"Beta{os.sep}", ())
    assert completed(f"{base}.h") == (f"{base}.hidden{os.sep}", ())
    assert completed(base)[1] == ("Alpha", "Beta", "alphabet")
    assert completed(f"{base}bad") == (f"{base}bad", ()), "what cannot be typed is not offered"
    assert completed(f"{base}nowhere{os.sep}x") == (f"{base}nowhere{os.sep}x", ())
    assert completed("a\0b") == ("a\0b", ())


def test_where_nobody_keeps_an_instrument_none_is_offered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    assert opening._here() is None
    place = tmp_path / "Downloads"
    place.mkdir()
    monkeypatch.chdir(place)
    assert opening._here() == place
    monkeypatch.setattr(sys, "executable", str(place / "companion"))
    assert opening._here() == place
    monkeypatch.setattr(sys, "frozen", True, raising=False)
    assert opening._here() is None, "a double click begins in the folder of the program"
    monkeypatch.chdir(Path(place.anchor))
    assert opening._here() is None


def test_the_demo_is_offered_where_nothing_lies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    assert demo_place() == tmp_path / "Slate Choir demo"
    (tmp_path / "Slate Choir demo").mkdir()
    assert demo_place() == tmp_path / "Slate Choir demo 2"
    (tmp_path / "Documents").mkdir()
    assert demo_place() == tmp_path / "Documents" / "Slate Choir demo"

    def homeless() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(Path, "home", homeless)
    monkeypatch.chdir(tmp_path / "Documents")
    assert demo_place() == tmp_path / "Documents" / "Slate Choir demo"
