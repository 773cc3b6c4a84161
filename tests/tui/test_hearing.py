"""Space plays and stops, keys make it softer or louder, one goes over to the other take; nothing else waits for it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from companion.core.errors import CompanionError
from companion.core.findings import At
from companion.core.progress import QUIET, Watch
from companion.core.text import visible
from companion.sound.hearing.values import (
    CAUTION,
    AskTold,
    LevelTold,
    OtherTold,
    PlayState,
    PlayTold,
    StopTold,
    Take,
    Telling,
)
from companion.steps.drawn.heard import Hearing
from companion.steps.drawn.which import Sight
from companion.tui.parts import hearing
from companion.tui.parts.hearing import heard_content
from tests.tui.conftest import HOSTILE, Bench, Hand, Opened, finding
from tests.tui.test_picture import Easel, leave, see


class Deck:
    """Plays until it is stopped, or until the test says that the end has come."""

    def __init__(self) -> None:
        self.told: list[Telling] = []
        self.asked: list[tuple[Sight, tuple[str, ...]]] = []
        self.plays = False
        self.take = 0
        self.refuses = ""
        self.lock = threading.Lock()
        self.closed = False
        self.names = ["", "a.wav, as in snapshot 3"]

    def tell(self, telling: Telling, watch: Watch = QUIET) -> PlayState:
        with self.lock:
            if not isinstance(telling, AskTold):
                self.told.append(telling)
            match telling:
                case PlayTold():
                    if self.refuses:
                        raise CompanionError(self.refuses, "a.wav", "connect one")
                    self.plays, self.take = True, 0
                case StopTold():
                    self.plays = False
                case OtherTold():
                    self.take = 1 - self.take
            return PlayState(playing=self.plays, take=self.take, at_s=0.5, start_s=0.25, end_s=1.25, rate=48_000)

    # what the bench's look for pictures does
    def hearing(self, sight: Sight, beside: Sequence[str] = (), watch: Watch = QUIET) -> Hearing:
        self.asked.append((sight, tuple(beside)))
        return Hearing(takes=tuple(Take(path=b"x", name=name or sight.place) for name in self.names))

    def __enter__(self) -> Deck:
        return self

    def __exit__(self, *_: object) -> None:
        self.closed = True


@pytest.fixture
def deck(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Deck:
    one = Deck()
    monkeypatch.setattr(hearing, "_LOOK_S", 0.001)
    monkeypatch.setattr(bench, "ear", lambda: one)
    monkeypatch.setattr(bench, "sights", lambda watch=QUIET: one)
    at = At(frames=(640, 641), rate=48_000)
    bench.found["sound"] = (
        finding("click-inside", "a.wav", at=at),
        finding("clipped", "b.wav"),
        finding("sample-none"),
    )
    return one


async def until(hand: Hand, true: Callable[[], Any]) -> None:
    for _ in range(8_000):
        if true():
            await hand.pilot.pause()
            return
        await hand.pilot.pause(0.002)
    raise AssertionError(f"it never came\n{hand.text()}")


async def play(hand: Hand, *keys: str) -> None:
    """Press keys, the last of which makes something sound."""
    for key in keys:
        await hand.pilot.press(key)
    await until(hand, lambda: hand.app.listening.heard is not None and hand.app.listening.hearing is not None)


async def test_space_plays_the_place_of_a_finding_and_space_again_stops(
    bench: Bench, opened: Opened, deck: Deck
) -> None:
    async with opened(bench) as hand:
        await hand.press("4")
        assert hand.shows("Space Play, stop")
        assert not hand.shows("Softer")
        await play(hand, "space")
        sight, beside = deck.asked[0]
        assert (sight.finding, sight.path, beside) == (bench.found["sound"][0], "a.wav", ())
        (played,) = deck.told
        assert isinstance(played, PlayTold)
        assert (played.level_db, played.again) == (-24.0, False)
        assert hand.shows("♪ a.wav 0.50 of 0.25 to 1.25 s −24.0 dB", ", Softer", ". Louder", "h The other")
        await hand.press("space")
        assert deck.told[1:] == [StopTold()]
        assert not hand.shows("♪")
        assert deck.closed
        assert not hand.app.plays


async def test_the_caution_is_said_once_and_the_level_kept_for_what_is_played_next(
    bench: Bench, opened: Opened, deck: Deck
) -> None:
    async with opened(bench) as hand:
        await hand.press("4")
        await play(hand, "space")
        assert hand.shows(CAUTION)
        await hand.pilot.press("full_stop", "full_stop", "comma")
        await until(hand, lambda: hand.shows("−21.0 dB"))
        await hand.press("space")
        levels = [one.level_db for one in deck.told if isinstance(one, LevelTold)]
        assert levels[-1] == -21.0
        await play(hand, "space")
        last = [one for one in deck.told if isinstance(one, PlayTold)][-1]
        assert last.level_db == -21.0
        assert not hand.shows(CAUTION)
        for _ in range(9):
            hand.app.action_louder(1)
        assert hand.app.listening.level_db == 0
        for _ in range(30):
            hand.app.action_louder(-1)
        assert hand.app.listening.level_db == -60
        await hand.press("space")


async def test_the_other_take_is_told_by_its_name(bench: Bench, opened: Opened, deck: Deck) -> None:
    async with opened(bench) as hand:
        await hand.press("4")
        await play(hand, "space")
        await hand.pilot.press("h")
        await until(hand, lambda: hand.shows("♪ a.wav, as in snapshot 3"))
        await hand.pilot.press("h")
        await until(hand, lambda: not hand.shows("as in snapshot 3"))
        await hand.press("space")


async def test_with_nothing_to_compare_there_is_no_such_key_and_the_end_leaves_no_line(
    bench: Bench, opened: Opened, deck: Deck
) -> None:
    deck.names = [""]
    async with opened(bench) as hand:
        await hand.press("4")
        await play(hand, "space")
        assert not hand.shows("The other")
        await hand.pilot.press("h")
        deck.plays = False
        await hand.rest()
        assert len(deck.told) == 1
        assert not hand.shows("♪")
        assert not hand.app.plays


async def test_another_sample_takes_the_place_of_what_plays(bench: Bench, opened: Opened, deck: Deck) -> None:
    async with opened(bench) as hand:
        await hand.press("4")
        await play(hand, "space")
        await hand.pilot.press("down", "down")
        await hand.pilot.press("space")
        await until(hand, lambda: hand.shows("♪ b.wav"))
        assert [sight.path for sight, _ in deck.asked] == ["a.wav", "b.wav"]
        assert not any(isinstance(one, StopTold) for one in deck.told)
        await hand.pilot.press("down", "down")  # on what is no sound Space stops what plays
        await hand.press("space")
        assert not hand.app.plays


async def test_what_cannot_be_played_is_one_line(bench: Bench, opened: Opened, deck: Deck) -> None:
    deck.refuses = "There is no sound device to play on"
    async with opened(bench) as hand:
        await hand.press("4", "space")
        assert hand.shows("✗ There is no sound device to play on (a.wav). Connect one.")
        assert not hand.app.plays
        assert not hand.shows("♪")


async def test_where_there_is_nothing_to_hear_the_key_is_not_offered(bench: Bench, opened: Opened, deck: Deck) -> None:
    async with opened(bench) as hand:
        await hand.press("4", "end")
        assert not hand.shows("Play, stop")
        await hand.press("space")
        assert deck.asked == []


def test_names_of_strangers_are_inert() -> None:
    for name in HOSTILE:
        shown = heard_content(name, PlayState(playing=True, end_s=1.0), -24.0)
        assert shown.plain == f"♪ {visible(name)}  0.00 of 0.00 to 1.00 s  −24.0 dB"


async def test_quitting_waits_for_nothing_that_plays(bench: Bench, opened: Opened, deck: Deck) -> None:
    async with opened(bench) as hand:
        await hand.press("4")
        await play(hand, "space")
        await hand.pilot.press("q")
        await until(hand, lambda: hand.app.leaving)


def test_a_real_workshop_ends_what_plays(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from companion.sound.hearing.ear import Ear
    from companion.workshop import Workshop

    closed: list[Ear] = []

    def close(ear: Ear) -> None:
        closed.append(ear)

    monkeypatch.setattr(Ear, "close", close)
    shop = Workshop.open(folder)
    ear = shop.ear()
    assert shop.ear() is ear
    shop.close()
    assert closed == [ear]


async def test_a_picture_is_heard_as_it_is_seen(
    bench: Bench, opened: Opened, deck: Deck, monkeypatch: pytest.MonkeyPatch
) -> None:
    easel = Easel()
    monkeypatch.setattr(easel, "hearing", deck.hearing, raising=False)
    monkeypatch.setattr(Easel, "__enter__", lambda one: one, raising=False)
    monkeypatch.setattr(Easel, "__exit__", lambda *_: None, raising=False)
    monkeypatch.setattr(bench, "sights", lambda watch=QUIET: easel)
    async with opened(bench) as hand:
        await see(hand, "4", "enter", "plus")
        await play(hand, "space")
        sight, _ = deck.asked[0]
        assert (sight.path, sight.kind, sight.start, sight.end) == ("a.wav", "waveform", 320, 820)
        assert hand.shows("♪ a.wav", ", Softer")
        await hand.press("space")
        assert not hand.app.plays
        await leave(hand, "escape")
