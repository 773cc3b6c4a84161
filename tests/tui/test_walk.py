"""How many keys a maker presses who knows the way: from a folder nobody has seen to a released archive."""

from __future__ import annotations

import math
import struct
import wave
from pathlib import Path

import pytest

from companion.steps.model import State
from companion.tui.parts.form import FieldBox
from companion.workshop import Workshop
from tests.tui.conftest import Hand, Opened

PRACTISED = 40
NOTES = {"C3": 48, "E3": 52, "G3": 55}


class Counted:
    """Presses keys and counts them; what is typed as words is not counted."""

    def __init__(self, hand: Hand) -> None:
        self.hand = hand
        self.keys = 0

    async def press(self, *keys: str) -> None:
        self.keys += len(keys)
        await self.hand.press(*keys)

    async def answer(self, words: str, *keys: str) -> None:
        """Type words into the field that has the focus, then press keys."""
        await self.hand.write(words)
        await self.press(*keys)


@pytest.fixture
def unknown(tmp_path: Path) -> Path:
    """A folder as a maker has it before: three recordings and a patch that names them."""
    folder = tmp_path / "Iron Stair"
    (folder / "Samples").mkdir(parents=True)
    for name, note in NOTES.items():
        hertz = 440 * 2 ** ((note - 69) / 12)
        frames = [
            round(12_000 * math.sin(2 * math.pi * hertz * n / 22_050) * math.exp(-n / 4000) * min(1, n / 60))
            for n in range(11_025)
        ]
        with wave.open(str(folder / "Samples" / f"stair_{name}.wav"), "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(2)
            file.setframerate(22_050)
            file.writeframes(struct.pack(f"<{len(frames)}h", *frames))
    lines = [f'part "Samples/stair_{name}.wav"' for name in NOTES]
    (folder / "Iron Stair.eeng").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


ANSWERS = {
    "last saved": "7.1",
    "edition": "any",
    "version": "1.0",
    "Whose": "Ada Field",
    "one sentence": "An iron stair, struck.",
    "reach you": "ada@field.example",
    "licence": "CC0-1.0",
    "engine": "Example Engine",
}
"""What is answered, by a part of the question."""


async def test_an_unknown_folder_goes_to_a_released_archive(unknown: Path, opened: Opened) -> None:
    shop = Workshop.open(unknown)
    async with opened(shop, (80, 24)) as hand:
        maker = Counted(hand)
        while not shop.has_facts:
            box = next(box for box in hand.app.query(FieldBox) if box.box.has_focus)
            said = next((words for part, words in ANSWERS.items() if part in box.field.label), "")
            await maker.answer("" if box.box.value else said, "enter")
        await maker.press("5", "o", "a", "6", "n", "right", "down", "right", "down")
        await maker.answer("The lowest and the highest key.", "down")
        await maker.answer("7.1", "down")
        await maker.answer("any", "down")
        await maker.answer("Windows 11", "down", "right", "down")
        await maker.answer("Ada", "enter")
        await maker.press("8", "w", "t", "w", "t", "w", "9", "b", "0", "o", "y")
        assert [step.id for step in shop.status().steps if not step.state.settled] == [], hand.text()
        assert shop.releases()[0].version == "1.0"
        assert maker.keys <= PRACTISED
    shop.close()


async def test_the_first_measured_finding_is_two_keys_away(demo_folder: Path, opened: Opened) -> None:
    shop = Workshop.open(demo_folder)
    async with opened(shop, (80, 24)) as hand:
        maker = Counted(hand)
        await maker.press("4", "r")
        step = shop.status().step("sound")
        assert step.state is State.FAILING
        assert hand.shows(next(one.measured for one in step.findings)[:9])
        assert maker.keys <= 2
    shop.close()
