"""Decay times of impulse responses in octave bands against a second route: by samples instead of cells.

ISO 3382-1:2009: from where the sound comes within 20 dB of its peak, integrated backwards, the noise taken off and the
exponential put back behind the knee; ranges down to 10 dB above the noise. ``COMPANION_IMPULSES=FOLDER`` names recorded
ones, which the campaign holds against it: pytest tests/outside/test_impulses.py -m campaign -n 0 -s
"""

from __future__ import annotations

import math
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, sosfiltfilt

from companion.sound.measures.edges import Envelope, decay_of
from companion.sound.measures.measured import Decay

RANGES = {"edt_s": (0, -10), "t20_s": (-5, -25), "t30_s": (-5, -35)}
BANDS = (125, 250, 500, 1000, 2000, 4000)


def companion(sound: Any, rate: int) -> Decay:
    envelope = Envelope(rate)
    envelope.add(sound.astype(np.float32)[None])
    return decay_of(envelope.cells(), envelope.seconds)


def band(sound: Any, rate: int, hertz: float) -> Any:
    edges = [hertz / math.sqrt(2), min(hertz * math.sqrt(2), 0.49 * rate)]
    return sosfiltfilt(butter(4, edges, "band", fs=rate, output="sos"), sound)


def by_samples(sound: Any, rate: int) -> dict[str, float | None]:
    """Return EDT, T20 and T30 by the other route; None where there is no line to fit."""
    energy = sound.astype(np.float64) ** 2
    energy = energy[int(np.flatnonzero(energy >= 0.01 * energy.max())[0]) :]
    size = rate // 100
    count = len(energy) // size
    levels = 10 * np.log10(energy[: count * size].reshape(count, size).mean(axis=1) + 1e-30)
    time = (np.arange(count) + 0.5) * size / rate
    noise_db = float(np.median(levels[-max(5, count // 10) :]))
    last = int(np.flatnonzero(levels > noise_db + 8)[-1]) + 1
    while last > 3 and (levels[max(0, last - 6) : last] > noise_db + 8).mean() < 0.5:
        last -= 1  # a burst of noise is no sound
    first = max(int(np.argmax(levels)), next((n for n in range(last - 1, -1, -1) if levels[n] > noise_db + 30), 0))
    if last - first < 4:
        first = max(0, last - 6)
    slope, offset = np.polyfit(time[first:last], levels[first:last], 1)
    knee = min(count * size / rate, (noise_db - offset) / slope)
    behind = 10 ** ((offset + slope * knee) / 10) * rate * -10 / (slope * math.log(10))
    inside = energy[: max(10, int(knee * rate))] - 10 ** (noise_db / 10)
    curve = np.cumsum(inside[::-1])[::-1] + behind
    curve = 10 * np.log10(np.maximum(curve, 1e-30) / curve[0])
    found: dict[str, float | None] = {}
    for name, (top, bottom) in RANGES.items():
        held = np.flatnonzero((curve <= top) & (curve >= bottom))
        fall = np.polyfit(held / rate, curve[held], 1)[0] if len(held) > 5 else 0.0
        found[name] = -60 / fall if fall < 0 else None
    return found


def apart(sound: Any, rate: int) -> dict[str, float]:
    """Return by how much of it each time that is told differs from the other route's."""
    told, other = companion(sound, rate), by_samples(sound, rate)
    values = {name: (getattr(told, name), other[name]) for name in RANGES}
    return {name: abs(one / two - 1) if two else math.inf for name, (one, two) in values.items() if one is not None}


@pytest.mark.parametrize("hertz", [250, 2000])
def test_two_routes_agree_on_a_room_of_noise(hertz: float) -> None:
    rate = 22_050
    time = np.arange(2 * rate) / rate
    rng = np.random.default_rng(6)
    room = rng.standard_normal(len(time)) * np.exp(-math.log(1000) * time / 0.9)
    room[0] = 4.0
    found = apart(band(room + 1e-3 * rng.standard_normal(len(time)), rate, hertz), rate)
    assert set(found) == set(RANGES)
    # The loudest cell may lie behind the first: a tenth of EDT hangs on where it begins, and nothing of the others.
    assert found["edt_s"] < 0.1
    assert max(found["t20_s"], found["t30_s"]) < 0.02


@pytest.mark.campaign
@pytest.mark.skipif("COMPANION_IMPULSES" not in os.environ, reason="COMPANION_IMPULSES names no folder")
def test_recorded_impulses() -> None:
    """Prints each band, full range included: by how much what is told differs, and what is not told."""
    found = []
    for path in sorted(Path(os.environ["COMPANION_IMPULSES"]).rglob("*.wav")):
        sound, rate = soundfile.read(path, always_2d=True)
        for channel, row in enumerate(sound.T):
            for hertz in (0, *BANDS):
                here = apart(band(row, rate, hertz) if hertz else row, rate)
                print(f"{path.name:28} {channel} {hertz or 'all':>5}", {k: f"{v:.1%}" for k, v in here.items()})
                found += [here.get(name) for name in RANGES]
    told = [one for one in found if one is not None]
    print(f"{len(told)} told, {len(found) - len(told)} not; over 5 %: {sum(one > 0.05 for one in told)}")
    assert sum(one > 0.05 for one in told) <= 0.02 * len(told)
