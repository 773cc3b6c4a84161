"""The demo, from first start to a released archive, by keys in the real app; then back to a snapshot and forth.

A maker who mends the listed faults, each as its advice says, gets ten proven steps. What a maker does in an editor or a
sampler is done on the disk while the app stands open; what the app asks for is typed into it.
"""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from companion.steps.model import State
from companion.steps.table import STEP_IDS
from companion.tui.parts.form import FieldBox
from companion.workshop import Workshop
from tests.tui.conftest import Hand, Opened

IN_THE_APP = ("fact-missing", "rights-unstated", "minimum-below-saved")
"""Faults of the facts: these are mended in the form."""


def states(shop: Workshop) -> dict[str, State]:
    return {step.id: step.state for step in shop.status().steps}


async def state(hand: Hand, key: str, text: str) -> None:
    """Type ``text`` into the field of a fact."""
    field = next(field for field in hand.app.query(FieldBox) if field.field.key == key)
    field.box.focus()
    await hand.press("end", "ctrl+u")
    await hand.write(text)


async def test_from_first_start_to_a_released_archive(
    demo_folder: Path, demo_maker: Any, mend_demo: Callable[..., None], opened: Opened, tmp_path: Path
) -> None:
    shop = Workshop.open(demo_folder)
    async with opened(shop, (100, 36)) as hand:
        assert hand.shows("Slate Choir", "1.0.0", "0 of 10 proven")
        await hand.press("escape", "s", "t")
        await hand.write("as it came")
        await hand.press("enter", "escape")

        await hand.press("a")
        found = states(shop)
        assert {step for step in STEP_IDS if found[step] is State.FAILING} >= {
            "facts",
            "contents",
            "paths",
            "sound",
            "needs",
        }

        mend_demo(demo_folder, {fault.rule for fault in demo_maker.faults.FAULTS} - set(IN_THE_APP))
        await hand.press("1", "r", "enter")
        await state(hand, "instrument.rights", "Everything was recorded by Quay Room.")
        await state(hand, "instrument.contact", "https://quay-room.example/slate-choir")
        await hand.press("enter", "escape", "right", "enter")
        await state(hand, "engine.minimum", "7.2.1")
        await hand.press("enter", "escape")
        assert states(shop)["facts"] is State.PROVEN, shop.status().step("facts")

        await hand.press("5", *"pppppppppppp")
        assert hand.shows("12 of 12 trials answered")
        await hand.press("6", "n", "right", "right", "right", "down", "right")
        next(box for box in hand.app.query(FieldBox) if box.field.key == "reached_originals").box.focus()
        await hand.press("right")
        await state(hand, "who", "Ada")
        await state(hand, "played", "The lowest and the highest key of every layer.")
        await state(hand, "engine_version", "7.2.1")
        await state(hand, "system", "Windows 11")
        await hand.press("enter", "escape")
        assert states(shop)["away"] is State.PROVEN, shop.away()

        await hand.press("8", "w", "t", "w", "t", "w", "escape", "a")
        await hand.press("9", "b")
        assert hand.shows("SHA-256", "Proven. Record the release.")
        await hand.press("0", "o")
        await hand.press(*(["y"] if not shop.desk().records else []))
        assert shop.desk().records, hand.text()

        archive = demo_folder / "releases" / "Slate Choir 1.0.0.zip"
        copy = shutil.copy(archive, tmp_path / "copy.zip")
        assert shop.upload(Path(copy)).findings == ()
        await hand.press("r")
        await hand.press("a")
        assert set(states(shop).values()) <= {State.PROVEN, State.WAIVED}, states(shop)
        assert hand.shows("10 of 10 proven")

        # Back to how it came, and forth again: the proof comes back with the content.
        after = _content(demo_folder)
        await hand.press("escape", "s", "end", "r", "y")
        assert _content(demo_folder) != after
        newest = shop.snapshots()[0]
        shop.restore(newest.number)
        assert _content(demo_folder) == after
    with zipfile.ZipFile(archive) as opened_zip:
        names = opened_zip.namelist()
        assert all(name.startswith("Slate Choir/") for name in names)
        assert {"Slate Choir/README.md", "Slate Choir/CHANGELOG.md", "Slate Choir/Slate Choir.eeng"} <= set(names)
        readme = opened_zip.read("Slate Choir/README.md").decode()
    assert "Tested on Windows 11" in readme
    assert "macOS and Linux" in readme, "systems nobody tried are said to be untested"
    page = next(demo_folder.glob("releases/*page.md")).read_text("utf-8")
    assert "Example Engine 7.2.1 or newer" in page
    shop.close()


def _content(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.relative_to(folder).parts[0] not in (".companion", "releases")
    }
