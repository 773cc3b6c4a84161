"""The gates of integrated loudness, and that nothing of a sound is left out of its true peak, in closed form."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from companion.sound.measures.loudness import integrated
from companion.sound.measures.truepeak import REACH, TruePeak, true_peak

RATE = 48000


def hops(*parts: tuple[float, float]) -> Any:
    """Mean squares in hops of 10 ms of (LUFS, seconds), one after the other; −0.691 is BS.1770's offset."""
    return np.concatenate([np.full(round(seconds * 100), 10 ** ((lufs + 0.691) / 10)) for lufs, seconds in parts])


def test_blocks_under_the_absolute_gate_count_for_nothing() -> None:
    """BS.1770-5, annex 1: blocks at or under −70 LUFS are left out before the relative gate is found.

    10 s at −60 and 90 s at −75: counted in, the long part would bring the whole to −68.9 LUFS.
    """
    assert integrated(hops((-60.0, 10.0), (-75.0, 90.0))) == pytest.approx(-60.0, abs=0.1)
    assert integrated(hops((-70.1, 10.0))) is None
    assert integrated(hops((-69.9, 10.0))) == pytest.approx(-69.9)


def test_blocks_ten_units_under_the_rest_count_for_nothing() -> None:
    """The relative gate, −10 LU: 10 s at −20 and 10 s at −35 read as the louder half, but −28 is counted in."""
    assert integrated(hops((-20.0, 10.0), (-35.0, 10.0))) == pytest.approx(-20.0, abs=0.2)
    both = -0.691 + 10 * math.log10(float(hops((-20.0, 10.0), (-28.0, 10.0)).mean()))
    assert integrated(hops((-20.0, 10.0), (-28.0, 10.0))) == pytest.approx(both, abs=0.01)


def pulse(frames: int, centre: float, height: float = 1.0) -> Any:
    """A band-limited pulse whose highest point lies at ``centre``, between samples where that is no whole number."""
    return (height * np.sinc(np.arange(frames) - centre)).astype(np.float32)[None]


def gathered(sound: Any, block: int) -> float:
    gathering = TruePeak(RATE)
    for start in range(0, sound.shape[1], block):
        gathering.add(sound[:, start : start + block])
    return gathering.result()


@pytest.mark.parametrize("from_end", [10.5, REACH - 0.5, REACH + 0.5, 2 * REACH - 10.5])
def test_a_peak_in_the_last_frames_is_found(from_end: float) -> None:
    """Half-way between two samples, neither is over 2/π (−3.92 dB) of it; the last 128 frames wait for what follows."""
    sound = pulse(4096, 4096 - from_end)
    assert float(np.abs(sound).max()) == pytest.approx(2 / math.pi, rel=1e-3)
    for block in (4096, 1024, 512):
        assert gathered(sound, block) == pytest.approx(1.0, abs=0.03), block


def test_a_peak_between_two_blocks_is_found() -> None:
    assert gathered(pulse(4096, 2047.5), 2048) == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("centre", [63.6, 63.4, 127.6, 1023.6])
def test_a_peak_between_two_stretches_is_found(centre: float) -> None:
    """Stretches are 64 frames. 0.6 before its centre the pulse is 3.5 dB under its highest sample, so that its own
    stretch alone would not be looked into."""
    assert true_peak(pulse(2048, centre), RATE) == pytest.approx(1.0, abs=0.03)
