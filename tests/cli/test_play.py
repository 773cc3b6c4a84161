"""``play``: what it plays, how it ends, and that what cannot be played is one line and exit code 2."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.core.errors import Cancelled, CompanionError
from companion.core.progress import QUIET, Watch
from companion.sound.hearing.ear import Ear
from companion.sound.hearing.values import CAUTION, AskTold, PlayState, PlayTold, StopTold, Telling

Companion = Callable[..., Any]
STRUCK = "Samples/Struck/struck_C4_v110_rr1.wav"


class Deck:
    """Plays nothing, for as many questions as it is given, and keeps what it was told."""

    def __init__(self) -> None:
        self.told: list[Telling] = []
        self.asks = 2
        self.stop_at = 0
        self.refuses = ""
        self.closed = False

    def tell(self, ear: Ear, telling: Telling, watch: Watch = QUIET) -> PlayState:
        self.told.append(telling)
        if self.refuses:
            raise CompanionError(self.refuses, "", "connect one")
        if self.stop_at and len(self.told) == self.stop_at:
            raise Cancelled
        self.asks -= isinstance(telling, AskTold)
        on = self.asks > 0
        return PlayState(
            playing=on, start_s=0.25, end_s=0.5, rate=22_050, channels=1, device="Desk", device_rate=48_000
        )


@pytest.fixture
def deck(monkeypatch: pytest.MonkeyPatch) -> Deck:
    one = Deck()
    monkeypatch.setattr(Ear, "tell", lambda ear, telling, watch=QUIET: one.tell(ear, telling, watch))
    monkeypatch.setattr(Ear, "close", lambda ear: setattr(one, "closed", True))
    monkeypatch.setattr("companion.cli.play._LOOK_S", 0)
    return one


def test_it_plays_to_the_end_and_says_what(companion: Companion, demo_folder: Path, deck: Deck) -> None:
    shown = companion("play", demo_folder, STRUCK)
    assert shown.code == 0
    assert shown.out == (
        f"Played {STRUCK}: 0.250 to 0.500 s (1 channel, 22,050 Hz, played at 48,000 Hz) at −24.0 dB on Desk.\n"
    )
    assert shown.err == f"{CAUTION}\n"
    assert deck.closed
    (played, *asked) = deck.told
    assert isinstance(played, PlayTold)
    assert (played.level_db, played.again, played.takes[0].seconds) == (-24, False, 0)
    assert played.takes[0].path == os.fsencode(demo_folder / STRUCK)
    assert asked == [AskTold(), AskTold()]
    assert companion("play", demo_folder, STRUCK).err == "", "the caution is said once"


def test_options_say_which_part_how_loud_and_how_often(companion: Companion, demo_folder: Path, deck: Deck) -> None:
    shown = companion("play", demo_folder, STRUCK, "--at", 0.1, "--for", 0.2, "--loop", "--level", -6, "--json")
    (played, *_) = deck.told
    assert isinstance(played, PlayTold)
    assert (played.takes[0].start_s, played.takes[0].seconds, played.again, played.level_db) == (0.1, 0.2, True, -6)
    assert shown.json["played"] == {
        "path": STRUCK, "take": "", "start_s": 0.25, "end_s": 0.5, "rate": 22_050, "channels": 1,
        "device": "Desk", "device_rate": 48_000, "level_db": -6.0, "again": True,
    }  # fmt: skip


def test_stopped_it_fades_out_and_ends_as_what_is_interrupted(
    companion: Companion, demo_folder: Path, deck: Deck
) -> None:
    deck.asks, deck.stop_at = 4, 3
    shown = companion("play", demo_folder, STRUCK, "--loop")
    assert (shown.code, shown.err.splitlines()[-1]) == (130, "Stopped.")
    assert [type(one) for one in deck.told[1:]] == [AskTold, AskTold, StopTold, AskTold, AskTold, AskTold]
    assert deck.closed


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("gone.wav",), "There is no such file in the folder (gone.wav)"),
        (("Slate Choir.eeng",), "That is no sound file (Slate Choir.eeng)"),
        ((STRUCK, "--at", "nan"), "That is no number of seconds or dB"),
        ((STRUCK, "--at", "-1"), "--at"),
        ((STRUCK, "--for", "0"), "--for"),
        ((STRUCK, "--level", "3"), "--level"),
        ((STRUCK, "--snapshot", "7"), "7"),
        ((STRUCK, "--rule", "clipped"), "No finding of “clipped”"),
        ((), "PATH"),
    ],
)
def test_what_cannot_be_played_is_one_line(
    companion: Companion, demo_folder: Path, deck: Deck, arguments: tuple[str, ...], says: str
) -> None:
    shown = companion("play", demo_folder, *arguments)
    assert (shown.code, shown.out) == (2, "")
    assert len(shown.err.splitlines()) == 1
    assert says in shown.err
    assert deck.told == []


def test_without_a_device_that_is_one_line(companion: Companion, demo_folder: Path, deck: Deck) -> None:
    deck.refuses = "There is no sound device to play on"
    shown = companion("play", demo_folder, STRUCK)
    assert shown.code == 2
    assert shown.err.splitlines()[1:] == ["There is no sound device to play on. Connect one."]
    assert deck.closed
