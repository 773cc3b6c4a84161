"""Damaged and hostile bounces and pieces of music: one line each, never a crash, never a hang."""

from __future__ import annotations

import io
import random
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from companion.core.errors import CompanionError
from companion.trials.performance.bounce import Bounce
from companion.trials.performance.judging import judge
from companion.trials.performance.keys import Playable, plan_keys
from companion.trials.performance.midi import asked_in, midi_bytes
from companion.trials.performance.music import played

SCORE = plan_keys(Playable(keys=tuple(range(48, 60))))


def wav() -> bytes:
    out = io.BytesIO()
    draw = np.random.default_rng(5)
    soundfile.write(out, 0.1 * draw.standard_normal((40_000, 2)), 22_050, format="WAV", subtype="PCM_24")
    return out.getvalue()


def damaged(data: bytes, seed: int) -> bytes:
    """Return bytes with 1 % of their first 400 spoilt, and cut, doubled or stuffed as the case may be."""
    draw, spoilt = random.Random(seed), bytearray(data)
    for _ in range(1 + seed % 5):
        spoilt[draw.randrange(min(len(spoilt), 400))] = draw.choice([0, 0x7F, 0x80, 0xFF, draw.randrange(256)])
    match seed % 4:
        case 1:
            del spoilt[draw.randrange(len(spoilt)) :]
        case 2:
            place = draw.randrange(len(spoilt))
            spoilt[place:place] = bytes(draw.randrange(256) for _ in range(draw.randrange(64)))
        case 3:
            spoilt += bytes(spoilt)
    return bytes(spoilt)


def survive(path: Path, sound: bytes, piece: bytes) -> None:
    """Judge and read both: either an answer comes of it, or an error of one line."""
    path.write_bytes(sound)
    lines = []
    try:
        with Bounce(path) as bounce:
            lines.append("found" if judge(bounce, [SCORE]).score else "not found")
    except CompanionError as error:
        lines.append(error.line)
    try:
        played(piece)
    except CompanionError as error:
        lines.append(error.line)
    asked_in(piece)
    assert "found" not in lines
    assert not any("\n" in line for line in lines)


@pytest.mark.parametrize("seed", range(40))
def test_damage_is_survived(tmp_path: Path, seed: int) -> None:
    survive(tmp_path / "x.wav", damaged(wav(), seed), damaged(midi_bytes(SCORE, "x"), seed))


@pytest.mark.campaign
def test_a_thousand_damaged_files_are_survived(tmp_path: Path) -> None:
    sound, piece = wav(), midi_bytes(SCORE, "x")
    for seed in range(1_000):
        survive(tmp_path / "x.wav", damaged(sound, seed), damaged(piece, seed))


def test_numbers_that_are_none_and_beyond_all_bounds_are_held_down(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    hostile = np.array([np.nan, np.inf, -np.inf, 1e38, -1e38, 0] * 20_000, np.float32)
    soundfile.write(path, hostile, 22_050, subtype="FLOAT")
    with Bounce(path) as bounce:
        judged = judge(bounce, [SCORE])
    assert judged.score is None
    assert np.isfinite(judged.playback.peak)


@pytest.mark.parametrize("seconds", [0.001, 0.5, 1.9, 2.1, 3.0, 3.99, 4.01, 6.0])
def test_a_bounce_of_a_few_seconds_is_of_none(tmp_path: Path, seconds: float) -> None:
    path = tmp_path / "x.wav"
    soundfile.write(path, np.random.default_rng(2).normal(0, 0.1, int(seconds * 22_050)), 22_050)
    with Bounce(path) as bounce:
        assert judge(bounce, [SCORE]).score is None


@pytest.mark.parametrize(("rate", "channels"), [(4_000, 1), (22_050, 9)])
def test_rates_and_channels_beyond_use_are_refused(tmp_path: Path, rate: int, channels: int) -> None:
    path = tmp_path / "x.wav"
    soundfile.write(path, np.zeros((100, channels)), rate)
    with pytest.raises(CompanionError, match="is not judged"):
        Bounce(path)


def test_a_piece_without_an_end_is_refused() -> None:
    track = mido.MidiTrack()
    track += [mido.Message("note_on", note=60, velocity=64, time=0) for _ in range(600_000)]
    file = mido.MidiFile()
    file.tracks.append(track)
    out = io.BytesIO()
    file.save(file=out)
    with pytest.raises(CompanionError, match="more events"):
        played(out.getvalue())
