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
from companion.trials.performance import music
from companion.trials.performance.bounce import Bounce
from companion.trials.performance.controls_plan import Knob, Panel, plan_panel
from companion.trials.performance.judging import judge
from companion.trials.performance.keys import Playable, plan_keys
from companion.trials.performance.midi import asked_in, midi_bytes
from companion.trials.performance.music import played

SCORE = plan_keys(Playable(keys=tuple(range(48, 60))))
MOVED, PANEL = plan_panel(Panel(knobs=(Knob(name="Tone", cc=20, effect="from dark to bright"), Knob(name="Air", cc=1))))


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
            told = judge(bounce, [SCORE, MOVED], panels={MOVED.mark: PANEL})
            lines.append("found" if told.score else "not found")
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


def whole() -> bytes:
    """A bounce that is one: each note of the controls' performance a burst of noise."""
    out, draw = io.BytesIO(), np.random.default_rng(6)
    sound = np.zeros((MOVED.length * 8 + 8000, 2), np.float32)
    for note in MOVED.notes:
        sound[note.on * 8 : note.off * 8] += 0.1 * draw.standard_normal(((note.off - note.on) * 8, 1)).astype(
            np.float32
        )
    soundfile.write(out, sound, 8_000, format="WAV", subtype="PCM_16")
    return out.getvalue()


@pytest.mark.parametrize("seed", range(12))
def test_a_bounce_of_the_controls_that_was_damaged_is_judged_or_refused_in_one_line(tmp_path: Path, seed: int) -> None:
    path, draw = tmp_path / "x.wav", random.Random(seed)
    spoilt = bytearray(whole())
    first = draw.randrange(44, len(spoilt))
    spoilt[first : first + 60_000] = draw.randbytes(60_000) if seed % 3 else b""
    path.write_bytes(spoilt if seed % 2 else damaged(bytes(spoilt), seed))
    line = ""
    try:
        with Bounce(path) as bounce:
            told = judge(bounce, [SCORE, MOVED], panels={MOVED.mark: PANEL})
        assert told.score in (None, MOVED)
        assert (told.controls is None) == (told.score is None)
    except CompanionError as error:
        line = error.line
    assert "\n" not in line


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


def _piece(events: int) -> bytes:
    track = mido.MidiTrack()
    track += [mido.Message("note_on", note=60, velocity=64, time=0) for _ in range(events)]
    file = mido.MidiFile()
    file.tracks.append(track)
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def test_a_piece_without_an_end_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    assert music.MOST_EVENTS == 500_000, "a symphony has a tenth of that"
    monkeypatch.setattr(music, "MOST_EVENTS", 5_000)
    assert played(_piece(4_990))
    with pytest.raises(CompanionError, match="more events"):
        played(_piece(5_010))
