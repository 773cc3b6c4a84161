"""What pictures of sound are made from: extremes by stretch, seams, pitch along a file, decay, spectra."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from companion.core.errors import Cancelled, CompanionError
from companion.core.progress import Watch
from companion.sound.drawing.values import (
    DecayAsked,
    DecayCurve,
    PitchAsked,
    PitchTrack,
    SeamAsked,
    SeamSides,
    SpectrumAsked,
    SpectrumLine,
    Wave,
    WaveAsked,
)
from companion.sound.drawing.viewer import Viewer
from companion.sound.drawing.worker import answer
from companion.sound.measures.edges import decay_of

RATE = 48_000


def wave(path: Path, **asked: Any) -> Wave:
    found = answer(WaveAsked(path=os.fsencode(path), **asked))
    assert isinstance(found, Wave)
    return found


def silence_with(frame: int, value: float, frames: int = RATE) -> Any:
    sound = np.zeros(frames)
    sound[frame] = value
    return sound


@pytest.mark.parametrize("frame", [0, 1, 12_345, RATE - 1])
def test_a_click_lies_in_the_column_of_its_frame(write: Any, frame: int) -> None:
    found = wave(write("a.wav", silence_with(frame, 0.5)), columns=100)
    assert not found.single
    assert (found.start, found.end, found.whole) == (0, RATE, RATE)
    assert [n for n, high in enumerate(found.highs[0]) if high > 0.1] == [frame * 100 // RATE]
    assert found.peak == pytest.approx(0.5, abs=1e-6)


def test_from_near_every_frame_is_one_value(write: Any) -> None:
    path = write("a.wav", np.arange(1000) / 1000, subtype="FLOAT")
    found = wave(path, start=200, end=240, columns=40)
    assert found.single
    assert found.lows == found.highs
    assert np.allclose(found.lows[0], np.arange(200, 240) / 1000)


def test_a_ramp_rises_in_every_column(write: Any) -> None:
    found = wave(write("a.wav", np.linspace(-1, 1, RATE) * 0.9, subtype="FLOAT"), columns=50)
    assert list(found.highs[0]) == sorted(found.highs[0])
    assert all(low <= high for low, high in zip(found.lows[0], found.highs[0], strict=True))


def test_a_long_file_is_seen_as_a_short_one_is(write: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from companion.sound.files import decoding

    path = write("a.wav", silence_with(700_000, 0.5, 1_000_000), subtype="PCM_16")
    monkeypatch.setattr(decoding, "BLOCK_SAMPLES", 1 << 17)
    found = wave(path, columns=100)
    assert [n for n, high in enumerate(found.highs[0]) if high > 0.1] == [70]
    near = wave(path, start=699_000, end=701_000, columns=100)
    assert [n for n, high in enumerate(near.highs[0]) if high > 0.1] == [50]
    assert near.whole == 1_000_000
    part = wave(path, start=500_000, end=900_000, columns=100)
    assert [n for n, high in enumerate(part.highs[0]) if high > 0.1] == [50]


def test_channels_together_or_each_for_itself(write: Any) -> None:
    path = write("a.wav", np.column_stack([np.full(900, 0.25), np.full(900, -0.5)]))
    both = wave(path, columns=10)
    assert (max(both.highs[0]), min(both.lows[0])) == pytest.approx((0.25, -0.5), abs=1e-6)
    assert [round(row[0], 3) for row in wave(path, columns=10, apart=True).highs] == [0.25, -0.5]
    assert wave(path, columns=10, channel=1).highs[0][0] == pytest.approx(-0.5, abs=1e-6)


def test_what_is_no_number_is_left_out(write: Any) -> None:
    sound = np.full(1000, 0.25, np.float32)
    sound[[3, 4, 5]] = np.nan, np.inf, 1e30
    found = wave(write("a.wav", sound, subtype="FLOAT"), columns=1000)
    assert set(found.highs[0]) == {0.0, 0.25}
    assert found.peak == 0.25


@pytest.mark.parametrize(("start", "end"), [(-5, 10), (900, 5000), (5000, 6000), (999, 1000)])
def test_a_view_beyond_the_file_is_drawn_back(write: Any, start: int, end: int) -> None:
    found = wave(write("a.wav", np.zeros(1000)), start=start, end=end)
    assert 0 <= found.start <= found.end <= found.whole == 1000


def test_an_empty_sound_has_no_columns(write: Any) -> None:
    found = wave(write("a.wav", np.zeros(0)))
    assert found.lows == ((),)


def test_the_seam_is_the_middle_of_both_sides(write: Any) -> None:
    sound = np.zeros(10_000)
    sound[2_000], sound[7_999] = 0.5, -0.5
    found = answer(SeamAsked(path=os.fsencode(write("a.wav", sound)), start=2_000, end=8_000, reach=50))
    assert isinstance(found, SeamSides)
    assert found.at_start[50] == pytest.approx(0.5, abs=1e-6)
    assert found.at_end[49] == pytest.approx(-0.5, abs=1e-6)
    assert len(found.at_end) == len(found.at_start) == 100


def test_a_seam_at_the_ends_of_a_file_has_no_sound_beyond_them(write: Any) -> None:
    found = answer(SeamAsked(path=os.fsencode(write("a.wav", np.ones(1000) * 0.1)), start=10, end=1000, reach=50))
    assert isinstance(found, SeamSides)
    assert found.at_start[:40] == (None,) * 40
    assert found.at_end[50:] == (None,) * 50
    assert None not in found.at_end[:50]


@pytest.mark.parametrize("hertz", [110.0, 440.0, 1000.0])
def test_pitch_along_a_sine_is_its_own(write: Any, sine: Any, hertz: float) -> None:
    found = answer(PitchAsked(path=os.fsencode(write("a.wav", sine(hertz, 2.0))), count=20))
    assert isinstance(found, PitchTrack)
    assert len(found.cents) == 20
    assert np.allclose(found.cents, 6900 + 1200 * np.log2(hertz / 440), atol=3)
    assert min(found.clarity) > 0.95


def test_pitch_follows_a_glide(write: Any) -> None:
    seconds = np.arange(2 * RATE) / RATE
    sound = 0.5 * np.sin(2 * np.pi * (400 * seconds + 50 * seconds**2))
    found = answer(PitchAsked(path=os.fsencode(write("a.wav", sound)), count=12))
    assert isinstance(found, PitchTrack)
    expected = [6900 + 1200 * np.log2((400 + 100 * s) / 440) for s in found.seconds]
    assert np.allclose(found.cents, expected, atol=15)


@pytest.mark.parametrize("sound", [np.zeros(9000), np.zeros(0), np.ones(10)])
def test_where_nothing_repeats_there_is_no_pitch(write: Any, sound: Any) -> None:
    found = answer(PitchAsked(path=os.fsencode(write("a.wav", sound))))
    assert isinstance(found, PitchTrack)
    assert found.cents == ()


def test_the_decay_of_an_exponential_is_a_straight_line(write: Any) -> None:
    seconds = np.arange(2 * RATE) / RATE
    noise = np.random.default_rng(1).standard_normal(len(seconds))
    sound = 0.3 * noise * 10 ** (-3 * seconds / 1.0)  # 60 dB in a second
    found = answer(DecayAsked(path=os.fsencode(write("a.wav", sound, subtype="FLOAT")), columns=200))
    assert isinstance(found, DecayCurve)
    body = [(s, v) for s, v in zip(found.integrated_seconds, found.integrated, strict=True) if -50 < v < -5]
    slope = np.polyfit([s for s, _ in body], [v for _, v in body], 1)[0]
    assert slope == pytest.approx(-60, abs=1)
    assert max(found.levels) == pytest.approx(0, abs=0.01)


def test_the_decay_drawn_is_the_one_that_is_judged() -> None:
    cells = 10 ** (-6 * np.arange(1500) / 1000)
    assert decay_of(cells, 0.001).t30_s == pytest.approx(1.0, abs=0.005)


def test_silence_has_no_decay(write: Any) -> None:
    found = answer(DecayAsked(path=os.fsencode(write("a.wav", np.zeros(900)))))
    assert isinstance(found, DecayCurve)
    assert found.levels == ()


def test_a_spectrum_is_highest_at_its_tone(write: Any, sine: Any) -> None:
    path = os.fsencode(write("a.wav", sine(1000.0, 1.0)))
    found = answer(SpectrumAsked(path=path, columns=240))
    assert isinstance(found, SpectrumLine)
    top = found.hertz[int(np.argmax(found.levels))]
    assert top <= 1000 <= top + RATE / 2 / 240 + 1
    near = answer(SpectrumAsked(path=path, columns=100, top_hz=2000))
    assert isinstance(near, SpectrumLine)
    assert max(near.hertz) <= 2000


def test_the_spectrum_of_a_noise_floor_is_of_what_lies_behind_the_sound(write: Any, sine: Any) -> None:
    noise = 1e-4 * np.random.default_rng(2).standard_normal(2 * RATE)
    sound = noise + sine(50.0, 2.0, 1e-3)
    sound[:RATE] += sine(1000.0, 1.0)
    path = os.fsencode(write("a.wav", sound, subtype="FLOAT"))
    quiet = answer(SpectrumAsked(path=path, columns=600, top_hz=2000, quiet=True))
    whole = answer(SpectrumAsked(path=path, columns=600, top_hz=2000))
    assert isinstance(quiet, SpectrumLine)
    assert isinstance(whole, SpectrumLine)
    assert quiet.start_s >= 0.99
    assert quiet.hertz[int(np.argmax(quiet.levels))] == pytest.approx(50, abs=5)
    assert whole.start_s == 0
    assert whole.hertz[int(np.argmax(whole.levels))] == pytest.approx(1000, abs=5)


# -- the process that reads ---------------------------------------------------------------------------------------


@pytest.fixture
def viewer() -> Iterator[Viewer]:
    one = Viewer()
    yield one
    one.close()


def test_a_process_of_its_own_answers_again_and_again(write: Any, viewer: Viewer) -> None:
    path = os.fsencode(write("a.wav", silence_with(500, 0.5)))
    for columns in (10, 20):
        assert len(viewer.look(WaveAsked(path=path, columns=columns), Wave).lows[0]) == columns


@pytest.mark.parametrize("content", [b"", b"no sound at all", b"RIFF\xff\xff\xff\xffWAVEfmt "])
def test_what_is_no_sound_is_one_line(tmp_path: Path, viewer: Viewer, content: bytes) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(content)
    with pytest.raises(CompanionError, match="does not read as sound"):
        viewer.look(WaveAsked(path=os.fsencode(path)), Wave)


def test_what_is_not_there_is_one_line(tmp_path: Path, viewer: Viewer) -> None:
    with pytest.raises(CompanionError, match="There is no such file"):
        viewer.look(WaveAsked(path=os.fsencode(tmp_path / "no.wav")), Wave)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no pipes with names here")
def test_a_pipe_is_never_opened(tmp_path: Path, viewer: Viewer) -> None:
    os.mkfifo(tmp_path / "a.wav")
    with pytest.raises(CompanionError, match="There is no such file"):
        viewer.look(WaveAsked(path=os.fsencode(tmp_path / "a.wav")), Wave)


def test_a_stop_ends_it_and_the_next_question_is_answered(write: Any, viewer: Viewer) -> None:
    path = os.fsencode(write("a.wav", silence_with(500, 0.5)))
    watch = Watch()
    watch.cancel()
    with pytest.raises(Cancelled):
        viewer.look(WaveAsked(path=path), Wave, watch)
    assert viewer.look(WaveAsked(path=path), Wave).whole == RATE


def test_nothing_is_left_running(write: Any) -> None:
    before = set(threading.enumerate())
    viewer = Viewer()
    viewer.look(WaveAsked(path=os.fsencode(write("a.wav", np.zeros(900)))), Wave)
    process = viewer._child._process
    assert process is not None
    viewer.close()
    assert process.poll() is not None
    for thread in set(threading.enumerate()) - before:
        thread.join(5)
        assert not thread.is_alive()
