"""Kits in the app: made and taken in over the real workshop, and how each stands."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest

from companion.steps.deeds.receiving import Received
from companion.steps.looks.kits_sent import SentKit, SentKits, sent_kits
from companion.trials.kit_files import KitRecord
from companion.trials.kit_texts import filled
from companion.trials.kits import Key
from companion.tui.parts.kits import came_line, kits_content
from companion.workshop import Workshop
from tests.tui.conftest import HOSTILE, Opened

FACTS = """
[instrument]
title = "Slate Choir"
version = "1.0"
maker = "Quay Room"
without = ["controls"]

[engine]
name = "Example Engine"
edition = "full"
saved_with = "7.1"
minimum = "7.1"
systems = ["windows", "macos"]

[contents]
patches = ["Slate.eeng"]
samples = ["none"]

[[layers]]
name = "slate"
low_key = 60
high_key = 64
"""
ANSWERS: dict[Key, str] = {
    "engine_version": "7.1",
    "edition": "full",
    "system": "Windows 11",
    "opened": "yes",
    "keys": "yes",
    "played": "all keys",
    "whole": "yes",
}


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Workshop]:
    """A folder with a patch in plain words and a packed archive."""
    folder = tmp_path / "Slate"
    folder.mkdir()
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    (folder / "Slate.eeng").write_text("a patch that names no sample", encoding="utf-8")
    shop = Workshop.open(folder)
    shop.pack()
    yield shop
    shop.close()


def came_back(shop: Workshop, kit: Path, **answers: str) -> Path:
    """The form of a kit, filled by somebody elsewhere."""
    with zipfile.ZipFile(kit) as archive:
        name = next(name for name in archive.namelist() if name.endswith("Form.txt"))
        text = archive.read(name).decode("utf-8-sig")
    form = shop.folder.parent / "it came back.txt"
    said: Any = {**ANSWERS, **answers}
    form.write_text(filled(text, said), encoding="utf-16")
    return form


async def test_a_kit_is_made_and_what_came_back_is_taken_in(shop: Workshop, opened: Opened, tmp_path: Path) -> None:
    other = tmp_path / "other.txt"
    other.write_text("Hello", encoding="utf-8")
    async with opened(shop, (100, 30)) as hand:
        await hand.press("6", "t", "t")
        assert hand.shows("No kit has been sent yet", "Most useful next: a test on Windows with Example Engine 7.1")
        await hand.press("m")
        assert hand.shows("For whom? A first name or initials, or nobody.")
        await hand.write("Ida Lark of Quay Lane")
        await hand.press("enter")
        assert hand.shows("more about a person")
        assert not list(shop.places.kits.glob("*"))
        await hand.press("m")
        await hand.write("Ida")
        await hand.press("enter")
        (kit,) = shop.places.kits.glob("*.zip")
        assert hand.shows("1 kit sent: 1 waiting.", "· Ida, 1.0, sent ", ": waiting")
        await hand.press("m", "enter")
        assert hand.shows("2 kits sent: 2 waiting.", "nobody named, 1.0")
        await hand.press("i", "enter")
        assert hand.shows("Name the file that the helper sent back.")
        await hand.write(str(other))
        await hand.press("enter")
        assert hand.shows("✗ This is no form of a test kit", "2 kits sent: 2 waiting.")
        assert shop.away().here == ()
        await hand.press("i")
        await hand.write(f"'{came_back(shop, kit)}'")
        await hand.press("enter")
        assert hand.shows(
            "from Ida passed, recorded as an away test.", "1 waiting and 1 passed.",
            "Settles Windows, the minimum of 7.1 and the full edition.",
            "Most useful next: a test on macOS. It would settle macOS.",
        )  # fmt: skip
    assert [test.system for test in shop.away().here] == ["Windows 11"]


def test_a_kit_stands_as_the_content_does(shop: Workshop) -> None:
    kit = shop.make_kit("2026-01-01T00:00:00Z", "Ida")
    assert [(one.came, one.here, one.settles) for one in shop.sent_kits().kits] == [("waiting", True, ())]
    shop.receive([came_back(shop, kit.path, engine_version="7.2", edition="lite")], "2026-01-03T00:00:00Z")
    (one,) = shop.sent_kits().kits
    assert (one.came, one.settles) == ("passed", ("Windows",)), "neither that version nor that edition was asked about"
    shop.receive([came_back(shop, kit.path, whole="no")], "2026-01-04T00:00:00Z")
    assert [(one.came, one.settles) for one in shop.sent_kits().kits] == [("failed", ())]
    shop.receive([came_back(shop, kit.path, engine_version="6.9")], "2026-01-05T00:00:00Z")
    (one,) = shop.sent_kits().kits
    assert (one.came, one.kit.system) == ("ended", "")
    shop.receive([came_back(shop, kit.path)], "2026-01-06T00:00:00Z")
    (shop.folder / "Slate.eeng").write_text("another patch", encoding="utf-8")
    (one,) = sent_kits(shop.desk()).kits
    assert (one.came, one.here, one.settles) == ("passed", False, ())
    (shop.folder / "Slate.eeng").write_text("a patch that names no sample", encoding="utf-8")
    shop.save_facts({"engine.name": "example  engine"})
    assert shop.sent_kits().kits[0].here
    shop.save_facts({"engine.name": "Other Engine"})
    assert not shop.sent_kits().kits[0].here


def sent(came: Any, who: str = "Ida", *, here: bool = True, settles: tuple[str, ...] = (), **more: Any) -> SentKit:
    record = KitRecord(code="7f3a-22b1-90cd", who=who, at="2026-01-01T00:00:00Z", version="1.0", **more)
    return SentKit(kit=record, came=came, here=here, settles=settles)


def test_each_kit_says_what_became_of_it() -> None:
    kits = (
        sent("waiting"),
        sent("passed", returned="2026-01-02T00:00:00Z", settles=("Windows",)),
        sent("failed", returned="2026-01-02T00:00:00Z"),
        sent("ended", returned="2026-01-02T00:00:00Z", outcome="helper-too-old: 6.9 is older than 7.1"),
        sent("passed", returned="2026-01-02T00:00:00Z", here=False),
    )
    text = kits_content(SentKits(kits=kits, next="Most useful next: macOS."), 100).plain
    assert text.startswith(
        "Most useful next: macOS.\n\n5 kits sent: 1 waiting, 2 passed, 1 failed and 1 ended early.\n"
    )
    told = [line for line in text.split("\n") if line.startswith(("·", "✓", "✗", "!"))]
    assert [line[0] for line in told] == ["✓", "!", "✗", "✓", "·"], "the latest first"
    assert "Of other content, or another engine, than now: it settles nothing." in text
    assert "helper-too-old: 6.9 is older than 7.1" in text
    assert text.count("Settles ") == 1
    assert "i to take in" in text
    assert kits_content(SentKits(), 80).plain.startswith("No kit has been sent yet")


@pytest.mark.parametrize("name", HOSTILE)
def test_a_stranger_s_kit_is_shown_inert(name: str) -> None:
    one = sent("ended", name, returned="2026-01-02T00:00:00Z", outcome=name)
    text = kits_content(SentKits(kits=(one,)), 60).plain
    assert not {"\x1b", "\u202e", "\udcff"} & set(text)
    line = came_line(Received(code="7f3a-22b1-90cd", who=name, says=(name,), bounce=(name,)))
    assert not {"\x1b", "\u202e", "\udcff", "\n"} & set(line)


def test_what_came_back_is_one_sentence_for_each_thing() -> None:
    came = Received(code="7f", who="Ida", result="fail", recorded=True, says=("report-old: x",), bounce=("a.wav: y.",))
    assert came_line(came) == "Kit 7f from Ida failed, recorded as an away test. report-old: x. a.wav: y."
    none = msgspec.structs.replace(came, who="", result="", recorded=False, bounce=())
    assert came_line(none) == "Kit 7f. report-old: x."
