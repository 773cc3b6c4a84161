"""What is heard: which frames, at whose rate, how loud, on a device that may be missing, odd, or gone in the middle."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from companion.core.errors import CompanionError
from companion.sound.files.decoding import Unreadable
from companion.sound.hearing import device as devices
from companion.sound.hearing.ear import Ear
from companion.sound.hearing.passages import Stretch, Track, in_stereo, passages_of
from companion.sound.hearing.player import GONE, SLOW, Player, Sound, gain_of
from companion.sound.hearing.resampling import length_at, resampled, span_of
from companion.sound.hearing.values import AskTold, LevelTold, OtherTold, PlayState, PlayTold, StopTold, Take
from companion.sound.hearing.worker import Stage, reply

RATE = 48_000
BLOCK = 480


class NullDevice:
    """Has the rates it is given, asks for blocks when the test says so, and keeps what it got."""

    name = "null"

    def __init__(self, rates: tuple[int, ...] = (RATE,), refuses: str = "") -> None:
        self.rates, self.refuses = rates, refuses
        self.blocks: list[Sound] = []
        self.stopped = 0
        self._fill: Callable[[Sound], bool] = lambda _: False
        self._ended: Callable[[bool], None] = lambda _: None

    def rate_for(self, rate: int) -> int:
        return rate if rate in self.rates else self.rates[0]

    def begin(self, rate: int, fill: Callable[[Sound], bool], ended: Callable[[bool], None]) -> None:
        if self.refuses:
            raise CompanionError(self.refuses, self.name, "choose another")
        self._fill, self._ended = fill, ended

    def ask(self, frames: int = BLOCK) -> bool:
        block = np.full((frames, 2), np.nan, np.float32)
        more = self._fill(block)
        self.blocks.append(block)
        if not more:
            self._ended(True)
        return more

    def vanish(self) -> None:
        self._ended(False)

    def stop(self) -> None:
        self.stopped += 1

    @property
    def heard(self) -> Sound:
        return np.concatenate(self.blocks)


class Tone:
    """A track of a constant, ready at once; from frame ``shut`` on when the gate is open."""

    def __init__(self, value: float, frames: int = RATE, shut: int = 0) -> None:
        self.value, self.frames, self.shut = value, frames, shut
        self.waits = threading.Event()
        self.gate = threading.Event()
        self.gate.set()
        self.asked: list[int] = []

    def length(self, rate: int) -> int:
        return self.frames

    def piece(self, first: int, count: int, rate: int) -> Sound:
        if first >= self.shut and not self.gate.is_set():
            self.waits.set()
            self.gate.wait()
        self.asked.append(first)
        return np.full((max(0, min(count, self.frames - first)), 2), self.value, np.float32)


def run_dry(player: Player, most: int = 4000) -> Sound:
    """Ask for block after block as a device would that is never late; return what was heard."""
    blocks = []
    for _ in range(most):
        wait_ready(player)
        block = np.full((BLOCK, 2), np.nan, np.float32)
        more = player.fill(block)
        blocks.append(block)
        if not more:
            player.ended(True)
            assert player.join(60)
            break
    return np.concatenate(blocks)


def wait_ready(player: Player) -> None:
    """Wait until the next two blocks lie ready, or nothing more comes."""
    for _ in range(60_000):
        with player._lock:
            now = player._now
            left = player._now.track.length(player.rate) - player._at
            # A block is played in full only while the one behind it lies ready too.
            enough = now.end - player._at >= (2 * BLOCK if player.again else min(2 * BLOCK, left))
            waits = player._next is not None and player._next.end < player._at + BLOCK
        if player.done.is_set() or (enough and not waits):
            return
        threading.Event().wait(0.001)
    raise AssertionError("it never came")


def playing(*tracks: Any, level_db: float = 0.0, again: bool = False, patience: float = 60.0) -> Player:
    player = Player(tracks, RATE, level_db, again=again, patience=patience)
    player.start()
    return player


# -- which frames ---------------------------------------------------------------------------------------------------


def test_a_part_is_those_seconds_and_all_of_it_is_the_file() -> None:
    assert passages_of(Take(path=b""), 100, 1000) == (Stretch(start=0, end=1000, frames=1000),)
    assert passages_of(Take(path=b"", start_s=2, seconds=3), 100, 1000) == (Stretch(start=200, end=500, frames=300),)
    assert passages_of(Take(path=b"", start_s=9, seconds=3), 100, 1000) == (Stretch(start=900, end=1000, frames=100),)
    assert passages_of(Take(path=b"", start_s=9), 100, 1000) == (Stretch(start=900, end=1000, frames=100),)


@pytest.mark.parametrize(
    "take", [Take(path=b"", start_s=10), Take(path=b"", seam=(5, 5)), Take(path=b"", seam=(5, 1001))]
)
def test_what_is_not_there_is_said(take: Take) -> None:
    with pytest.raises(Unreadable):
        passages_of(take, 100, 1000)


def test_an_empty_file_holds_no_sound() -> None:
    with pytest.raises(Unreadable, match="holds no sound"):
        passages_of(Take(path=b""), 100, 0)


def test_a_seam_is_heard_from_a_second_before_it_to_a_second_behind() -> None:
    assert passages_of(Take(path=b"", seam=(300, 800)), 100, 1000) == (
        Stretch(start=700, end=800, frames=100),
        Stretch(start=300, end=800, frames=100),
    )
    before, behind = passages_of(Take(path=b"", seam=(40, 50)), 100, 1000)
    assert (before.start, before.frames) == (0, 50), "no more than there is before it"
    assert (behind.start, behind.end, behind.frames) == (40, 50, 100), "a short loop goes round more than once"


def ramp(write: Any, frames: int = 1000, rate: int = 100, channels: int = 1) -> Path:
    """A file in which each frame says which it is."""
    sound = np.arange(frames)[:, None] / 2048 * np.ones((1, channels))
    path: Path = write("ramp.wav", sound.T if channels > 1 else sound[:, 0], rate=rate, subtype="FLOAT")
    return path


def frames_of(track: Track, pieces: int) -> list[int]:
    """Which frames of the file are read, in pieces of so many."""
    found: list[int] = []
    while len(part := track._frames(len(found), min(len(found) + pieces, track.frames))):
        found += [round(float(value) * 2048) for value in part[:, 0]]
    return found


@pytest.mark.parametrize("pieces", [1, 7, 100, 999])
def test_a_loop_goes_round_in_whatever_pieces_it_is_read(write: Any, pieces: int) -> None:
    track = Track(Take(path=b"", seam=(300, 337)), ramp(write))
    expected = [*range(237, 337), *(300 + n % 37 for n in range(100))]
    assert frames_of(track, pieces) == expected
    assert [track.second(frame, 100) for frame in (0, 99, 100, 137)] == [2.37, 3.36, 3.0, 3.0]
    track.close()


def test_only_the_part_is_read(write: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    track = Track(Take(path=b"", start_s=4, seconds=1), ramp(write))
    read: list[tuple[int, int]] = []
    segment = track._reader.segment

    def noted(start: int, end: int) -> Any:
        read.append((start, end))
        return segment(start, end)

    monkeypatch.setattr(track._reader, "segment", noted)
    assert frames_of(track, 1000) == list(range(400, 500))
    assert read == [(400, 500)]
    track.close()


def test_a_file_shorter_than_it_says_ends_where_it_ends(write: Any) -> None:
    path = ramp(write)
    path.write_bytes(path.read_bytes()[:-2000])  # 500 frames of float32 are gone
    track = Track(Take(path=b"", start_s=1), path)
    track.passages = (Stretch(start=100, end=1000, frames=900),)  # as a decoder says that believes the header
    track.frames = 900
    track.piece(0, 900, 100)
    assert track.length(100) == 400
    assert len(track.piece(400, 100, 100)) == 0
    track.close()


def test_we_fade_where_we_cut_and_not_where_the_file_begins_and_ends(write: Any) -> None:
    path = write("one.wav", np.full(RATE, 0.5), rate=RATE, subtype="FLOAT")
    whole, inside = Track(Take(path=b""), path), Track(Take(path=b"", start_s=0.2, seconds=0.5), path)
    assert np.allclose(whole.piece(0, RATE, RATE), 0.5)
    part = inside.piece(0, RATE, RATE)
    assert len(part) == RATE // 2
    assert part[0, 0] == 0
    assert part[-1, 0] == 0
    assert np.allclose(part[300:-300], 0.5)
    assert np.abs(np.diff(part[:, 0])).max() < 0.0025, "no step larger than the fade's own"
    whole.close()
    inside.close()


# -- channels -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("channels", [1, 2, 3, 6, 8])
def test_any_number_of_channels_is_heard_in_two_and_never_louder_than_full_scale(channels: int) -> None:
    for sign in (1, -1):
        both = in_stereo(np.full((5, channels), sign, np.float32))
        assert both.shape == (5, 2)
        assert np.abs(both).max() <= 1 + 1e-6
    for channel in range(channels):
        one = np.zeros((5, channels), np.float32)
        one[:, channel] = 1
        left, right = in_stereo(one)[0]
        assert left + right > 0.15, "each can be heard"
        assert (left > right) == (channels > 1 and channel == 0)
        assert (left < right) == (channels > 1 and channel == 1)


def test_what_is_no_number_is_silence() -> None:
    assert in_stereo(np.array([[np.nan], [np.inf], [0.5]], np.float32)).tolist() == [[0, 0], [0, 0], [0.5, 0.5]]


# -- rates ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("source", "target"), [(44_100, 48_000), (48_000, 44_100), (22_050, 48_000), (96_000, 48_000)])
@pytest.mark.parametrize("pitch", [0.02, 0.3])
def test_a_tone_stays_the_tone_it_is_at_any_rate(source: int, target: int, pitch: float) -> None:
    """Expected: the same sine, sampled at the target rate; closed form."""
    hertz = pitch * min(source, target)
    frames = 4000
    count = 1500
    first = length_at(1000, source, target)
    start, end = span_of(first, count, source, target)
    sound = np.sin(2 * np.pi * hertz * np.arange(start, end) / source).astype(np.float32)
    found = resampled(np.column_stack((sound, sound)), first, count, source, target)
    expected = np.sin(2 * np.pi * hertz * np.arange(first, first + count) / target)
    assert frames > count
    assert np.abs(found[:, 0] - expected).max() < 2e-4


def test_what_the_lower_rate_cannot_hold_is_gone() -> None:
    source, target = 96_000, 32_000
    start, end = span_of(1000, 500, source, target)
    sound = np.sin(2 * np.pi * 20_000 * np.arange(start, end) / source).astype(np.float32)[:, None]
    assert np.abs(resampled(sound, 1000, 500, source, target)).max() < 1e-3


@pytest.mark.parametrize("sizes", [(700,), (1, 699), (256, 256, 188)])
def test_pieces_join_without_a_seam(sizes: tuple[int, ...]) -> None:
    noise = np.random.default_rng(1).standard_normal((4000, 2)).astype(np.float32)

    def piece(first: int, count: int) -> Sound:
        start, end = span_of(first, count, 44_100, 48_000)
        return resampled(noise[start + 1000 : end + 1000], first, count, 44_100, 48_000)

    found, first = [], 300
    for size in sizes:
        found.append(piece(first, size))
        first += size
    assert np.array_equal(np.concatenate(found), piece(300, 700))


def test_a_file_lasts_as_long_at_the_rate_of_the_device(write: Any) -> None:
    path = write("a.wav", np.full(22_050, 0.25), rate=22_050, subtype="FLOAT")
    track = Track(Take(path=b""), path)
    assert track.length(RATE) == RATE
    middle = track.piece(1000, 5000, RATE)
    assert np.allclose(middle, 0.25, atol=1e-4)
    track.close()


# -- the player -----------------------------------------------------------------------------------------------------


def test_it_plays_to_the_end_at_its_level() -> None:
    heard = run_dry(playing(Tone(0.5, 1000), level_db=-6.0))
    assert np.allclose(heard[:1000], 0.5 * 10 ** (-6 / 20))
    assert not heard[1000:].any()


def test_it_never_plays_above_full_scale() -> None:
    heard = run_dry(playing(Tone(40.0, 1000)))
    assert heard.max() == 1.0
    assert run_dry(playing(Tone(-40.0, 1000))).min() == -1.0


@pytest.mark.parametrize(("asked", "is_"), [(0, 1.0), (20, 1.0), (-20, 0.1), (-60, 0.001), (-300, 0.001)])
def test_a_level_is_kept_between_the_softest_and_full_scale(asked: float, is_: float) -> None:
    assert gain_of(asked) == pytest.approx(is_)


def test_a_level_moves_softly() -> None:
    player = playing(Tone(1.0, 5000), level_db=-20.0)
    wait_ready(player)
    blocks = [np.empty((BLOCK, 2), np.float32) for _ in range(3)]
    player.fill(blocks[0])
    player.set_level(0.0)
    player.fill(blocks[1])
    player.fill(blocks[2])
    player.end()
    heard = np.concatenate(blocks)[:, 0]
    assert np.allclose(heard[:BLOCK], 0.1)
    assert np.allclose(heard[2 * BLOCK :], 1.0)
    assert np.diff(heard).max() <= 0.9 / BLOCK + 1e-6


def test_stopped_it_fades_out_within_a_block() -> None:
    player = playing(Tone(1.0, 5000))
    wait_ready(player)
    first, last = np.empty((BLOCK, 2), np.float32), np.empty((BLOCK, 2), np.float32)
    assert player.fill(first)
    player.stop()
    assert not player.fill(last)
    assert last[-1, 0] == 0
    assert np.abs(np.diff(np.concatenate((first, last))[:, 0])).max() <= 1 / BLOCK + 1e-6
    player.ended(True)
    assert player.problem is None


def test_over_and_over_there_is_a_pause_and_then_it_begins_again() -> None:
    player = playing(Tone(0.5, 1000), again=True)
    blocks = []
    for _ in range(40):
        wait_ready(player)
        blocks.append(np.empty((BLOCK, 2), np.float32))
        assert player.fill(blocks[-1])
    player.end()
    heard = np.concatenate(blocks)[:, 0]
    pause = round(0.3 * RATE)
    assert np.allclose(heard[:1000], 0.5)
    assert not heard[1000 : 1000 + pause].any()
    assert np.allclose(heard[1000 + pause : 2000 + pause], 0.5)


def test_the_other_take_comes_in_at_the_same_moment_and_without_a_click() -> None:
    one, other = Tone(0.2), Tone(0.8)
    player = playing(one, other)
    for _ in range(3):
        wait_ready(player)
        player.fill(np.empty((BLOCK, 2), np.float32))
    player.other()
    assert player.take == 1
    heard = run_dry(player, 6)[:, 0]
    assert np.allclose(heard[-1], 0.8)
    assert np.diff(heard).max() <= 0.6 / BLOCK + 1e-6
    player.end()
    assert other.asked[0] == 3 * BLOCK
    assert player.at == 9 * BLOCK


def test_a_take_that_comes_late_leaves_the_first_playing() -> None:
    one, other = Tone(0.2), Tone(0.8)
    other.gate.clear()
    player = playing(one, other)
    player.other()
    block = np.empty((BLOCK, 2), np.float32)
    for _ in range(10):
        assert player.fill(block)
        assert np.allclose(block, 0.2)
    other.gate.set()
    assert np.allclose(run_dry(player, 20)[-1], 0.8)
    player.end()


def test_what_is_not_ready_is_silence_that_waits() -> None:
    tone = Tone(0.5, RATE, shut=1)
    tone.gate.clear()
    player = playing(tone)
    assert tone.waits.wait(60)
    ready = player._now.end
    blocks = []
    for _ in range(ready // BLOCK + 2):
        blocks.append(np.full((BLOCK, 2), np.nan, np.float32))
        assert player.fill(blocks[-1])
    assert player._at == ready
    heard = np.concatenate(blocks)[:, 0]
    assert not heard[ready:].any()
    assert np.abs(np.diff(heard)).max() < 0.5, "it dies away, and is not cut"
    tone.gate.set()
    wait_ready(player)
    block = np.empty((BLOCK, 2), np.float32)
    player.fill(block)
    assert abs(block[0, 0]) < 0.01
    assert block[-1, 0] == pytest.approx(0.5)
    player.end()


def test_a_device_that_asks_for_nothing_has_gone() -> None:
    player = playing(Tone(0.5), patience=-1.0)
    player.look()
    assert (player.problem, player.done.is_set()) == (GONE, True)


def test_a_file_that_brings_nothing_is_given_up() -> None:
    player = playing(Tone(0.5))
    player._fed -= 61
    player.look()
    assert player.problem == SLOW


def test_in_its_time_nothing_is_given_up() -> None:
    player = playing(Tone(0.5))
    player.look()
    assert not player.done.is_set()
    player.end()


# -- the stage ------------------------------------------------------------------------------------------------------


@pytest.fixture
def stage() -> Any:
    made: list[Stage] = []

    def make(output: Any) -> Stage:
        made.append(Stage(lambda _: output))
        return made[-1]

    yield make
    for one in made:
        one.close()


def take_of(path: Path, **more: Any) -> Take:
    return Take(path=os.fsencode(path), **more)


def test_a_file_at_a_rate_the_device_lacks_is_heard_at_the_device_s(write: Any, stage: Any) -> None:
    path = write("a.wav", np.full(2205, 0.5), rate=22_050, subtype="FLOAT")
    output = NullDevice()
    on = stage(output)
    heard = on.told(PlayTold(takes=(take_of(path),), level_db=0))
    assert heard == PlayState(
        playing=True, start_s=0, end_s=0.1, rate=22_050, channels=1, device="null", device_rate=RATE
    )
    wait_ready(on._player)
    while output.ask():
        wait_ready(on._player)
    over = on.told(AskTold())
    assert (over.playing, over.problem) == (False, None)
    assert output.stopped
    assert np.allclose(output.heard[200:4600], 0.5, atol=0.01)
    assert not output.heard[4800:].any()
    assert on.told(AskTold()) == PlayState()


def test_a_device_that_has_the_rate_is_given_it(write: Any, stage: Any) -> None:
    path = write("a.wav", np.full(2205, 0.5), rate=22_050)
    assert stage(NullDevice((RATE, 22_050))).told(PlayTold(takes=(take_of(path),))).device_rate == 22_050


def test_a_device_that_vanishes_in_the_middle_is_one_line(write: Any, stage: Any) -> None:
    path = write("a.wav", np.full(RATE, 0.5))
    output = NullDevice()
    on = stage(output)
    on.told(PlayTold(takes=(take_of(path),)))
    output.ask()
    output.vanish()
    heard = on.told(AskTold())
    assert (heard.playing, heard.problem) == (False, GONE)
    assert output.stopped


def test_stop_level_and_other_take_are_heeded(write: Any, stage: Any) -> None:
    one, other = write("a.wav", np.full(RATE, 0.5), subtype="FLOAT"), write("b.wav", np.zeros(RATE))
    output = NullDevice()
    on = stage(output)
    on.told(PlayTold(takes=(take_of(one), take_of(other)), level_db=-20))
    wait_ready(on._player)
    output.ask()
    on.told(LevelTold(level_db=0))
    output.ask()
    assert output.heard[-1, 0] == pytest.approx(0.5)
    assert on.told(OtherTold()).take == 1
    wait_ready(on._player)
    output.ask()
    assert output.heard[-1, 0] == 0
    assert on.told(OtherTold()).take == 0
    on.told(StopTold())
    assert not output.ask()
    assert not on.told(AskTold()).playing


def test_what_plays_next_takes_the_place_of_what_plays(write: Any) -> None:
    path = write("a.wav", np.full(RATE, 0.5))
    outputs = [NullDevice(), NullDevice()]
    left = iter(outputs)
    on = Stage(lambda _: next(left))
    on.told(PlayTold(takes=(take_of(path),)))
    on.told(PlayTold(takes=(take_of(path),)))
    assert [one.stopped for one in outputs] == [1, 0]
    on.close()
    assert [one.stopped for one in outputs] == [1, 1]


def test_told_nothing_it_stands_still(stage: Any) -> None:
    on = stage(NullDevice())
    for telling in (AskTold(), StopTold(), OtherTold(), LevelTold(level_db=0)):
        assert on.told(telling) == PlayState()


def test_whatever_fails_is_told_and_the_process_goes_on(write: Any, stage: Any, tmp_path: Path) -> None:
    import msgspec

    def told(on: Stage, path: Path) -> PlayState:
        body = reply(on, msgspec.msgpack.encode(PlayTold(takes=(take_of(path),))))
        return msgspec.msgpack.decode(body, type=PlayState)

    noise = tmp_path / "noise.wav"
    noise.write_bytes(b"no sound at all")
    assert told(stage(NullDevice()), noise).problem[0].startswith("It does not read as sound: ")  # type: ignore[index]
    refusing = NullDevice(refuses="The sound device does not open")
    path = write("a.wav", np.full(RATE, 0.5))
    assert told(stage(refusing), path).problem == ("The sound device does not open (null)", "choose another")
    assert refusing.stopped
    odd = NullDevice()
    odd.rate_for = lambda rate: 1 // 0  # type: ignore[method-assign]
    assert told(stage(odd), path).problem[0] == "It cannot be played: integer division or modulo by zero"  # type: ignore[index]
    assert reply(stage(NullDevice()), b"\xc1")


# -- devices --------------------------------------------------------------------------------------------------------


class Library:
    """As much of ``sounddevice`` as is asked of it."""

    class PortAudioError(Exception):
        pass

    class CallbackStop(Exception):
        pass

    def __init__(self, channels: int = 2, rates: tuple[int, ...] = (RATE,), fails: bool = False) -> None:
        self.channels, self.rates, self.fails = channels, rates, fails
        self.streams: list[Any] = []

    def query_devices(self, name: str | None, kind: str) -> dict[str, Any]:
        if name == "nowhere" or not self.channels:
            raise ValueError("No output device matching")
        rate = float(self.rates[0])
        return {"name": "Desk", "index": 3, "default_samplerate": rate, "max_output_channels": self.channels}

    def check_output_settings(self, device: int, channels: int, dtype: str, samplerate: int) -> None:
        if samplerate not in self.rates:
            raise self.PortAudioError("Invalid sample rate")

    def OutputStream(self, **given: Any) -> Any:
        library = self

        class Stream:
            calls: list[str] = []  # noqa: RUF012

            def start(self) -> None:
                if library.fails:
                    raise library.PortAudioError("Device unavailable")

            def abort(self, ignore_errors: bool) -> None:
                self.calls.append("abort")

            def close(self, ignore_errors: bool) -> None:
                self.calls.append("close")

        stream = Stream()
        stream.given = given  # type: ignore[attr-defined]
        self.streams.append(stream)
        return stream


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Library]:
    def put(*given: Any, **named: Any) -> Library:
        import sys

        one = Library(*given, **named)
        monkeypatch.setitem(sys.modules, "sounddevice", one)
        return one

    return put


@pytest.mark.parametrize("channels", [1, 2, 8])
def test_the_computer_s_device_is_asked_for_what_it_has(library: Callable[..., Library], channels: int) -> None:
    lib = library(channels, (RATE, 96_000))
    output = devices.open_device()
    assert (output.name, output.rate_for(96_000), output.rate_for(44_100)) == ("Desk", 96_000, RATE)
    told: list[bool] = []

    def fill(block: Sound) -> bool:
        block[:] = [0.2, 0.6]
        return len(told) == 0 and not done

    done: list[int] = []
    output.begin(RATE, fill, told.append)
    given = lib.streams[0].given
    assert (given["device"], given["channels"], given["samplerate"]) == (3, min(2, channels), RATE)
    block = np.zeros((4, min(2, channels)), np.float32)
    given["callback"](block, 4, None, None)
    assert np.allclose(block, 0.4 if channels == 1 else [0.2, 0.6])
    done.append(1)
    with pytest.raises(lib.CallbackStop):
        given["callback"](block, 4, None, None)
    given["finished_callback"]()
    assert told == [True]
    output.stop()
    output.stop()
    assert lib.streams[0].calls[-2:] == ["abort", "close"]


def test_a_stream_that_ends_by_itself_is_a_device_that_has_gone(library: Callable[..., Library]) -> None:
    lib = library()
    told: list[bool] = []
    devices.open_device().begin(RATE, lambda _: True, told.append)
    lib.streams[0].given["finished_callback"]()
    assert told == [False]


def test_a_device_that_does_not_open_is_one_line(library: Callable[..., Library]) -> None:
    library(fails=True)
    with pytest.raises(CompanionError, match=r"The sound device does not open \(Desk\)"):
        devices.open_device().begin(RATE, lambda _: True, lambda _: None)


@pytest.mark.parametrize(
    ("channels", "name", "says"), [(0, "", "There is no sound device to play on"), (2, "nowhere", "of that name")]
)
def test_where_there_is_no_device_that_is_one_line(
    library: Callable[..., Library], channels: int, name: str, says: str
) -> None:
    library(channels)
    with pytest.raises(CompanionError, match=says):
        devices.open_device(name)


@pytest.mark.parametrize(
    ("error", "says"), [(ImportError("no"), "pip install"), (OSError("PortAudio library not found"), "libportaudio2")]
)
def test_without_the_extra_that_is_one_line(monkeypatch: pytest.MonkeyPatch, error: Exception, says: str) -> None:
    import builtins

    real = builtins.__import__

    def refuse(name: str, *rest: Any, **more: Any) -> Any:
        if name == "sounddevice":
            raise error
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(CompanionError, match=says):
        devices.open_device()


# -- the process ----------------------------------------------------------------------------------------------------


def test_the_process_plays_a_file_and_ends_with_whoever_listens(write: Any, tmp_path: Path) -> None:
    path = write("a.wav", np.full(2000, 0.5))
    ear = Ear()
    try:
        heard = ear.tell(PlayTold(takes=(take_of(path, name="a.wav"),), device="none"))
        assert (heard.rate, heard.device, heard.channels) == (RATE, "none", 1)
        while heard.playing:
            heard = ear.tell(AskTold())
        noise = tmp_path / "noise.wav"
        noise.write_bytes(b"no sound at all")
        with pytest.raises(CompanionError, match="It does not read as sound"):
            ear.tell(PlayTold(takes=(take_of(noise),), device="none"))
        with pytest.raises(CompanionError, match=r"There is no such file \(gone\)"):
            ear.tell(PlayTold(takes=(take_of(tmp_path / "gone.wav", name="gone"),)))
        process = ear._child._process
    finally:
        ear.close()
    assert process
    assert process.poll() is not None
