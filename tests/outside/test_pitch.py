"""Pitch of steady tones against equal temperament: A4 = 440 Hz (ISO 16), MIDI note 69, twelve steps to the octave."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from companion.sound.measures.pitch import cents_of, hertz_of, pitch_of


def tone(hertz: float, rate: int, partials: int, seconds: float = 1.0) -> Any:
    time = np.arange(round(seconds * rate)) / rate
    wave = np.zeros(len(time))
    for number in range(1, partials + 1):
        if number * hertz < 0.45 * rate:
            wave += np.sin(2 * np.pi * hertz * number * time + number * number) / number
    return (0.3 * wave).astype(np.float32)


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("partials", [1, 7])
def test_steady_tones_within_a_cent(rate: int, partials: int) -> None:
    """20 Hz to 5 kHz, every fourth semitone and some cents beside it."""
    worst = 0.0
    for step, cents in enumerate(np.arange(cents_of(20.0), cents_of(5000.0), 400.0)):
        hertz = hertz_of(float(cents) + 7.0 * step % 100)
        found = pitch_of(tone(hertz, rate, partials), rate, 0, rate)
        assert found is not None, hertz
        error = found.cents - cents_of(hertz)
        assert abs(error) < 1.0, (hertz, error)
        worst = max(worst, abs(error))
    print(f"\npitch: worst error {worst:.3f} cents at {rate} Hz, {partials} partials")


def test_scale_of_a4() -> None:
    assert cents_of(440.0) == 6900.0
    assert hertz_of(6000.0) == pytest.approx(261.6256, abs=1e-4)  # C4
    assert hertz_of(2100.0) == pytest.approx(27.5)  # A0


def test_noise_is_not_trusted() -> None:
    noise = np.random.default_rng(5).standard_normal(48000).astype(np.float32)
    found = pitch_of(noise, 48000, 0, 48000)
    assert found is None or found.trust < 0.6


def test_recordings_resampled_by_known_ratios(recorded_bank: list[Any]) -> None:
    """A recording resampled by a known ratio must move by that many cents: truth without a declared pitch.

    Only recordings of some length whose pitch is trusted, before and after.
    """
    from scipy.signal import resample_poly

    errors: list[float] = []
    for one in recorded_bank:
        if len(one.samples) < 0.3 * one.rate:
            continue
        before = pitch_of(one.samples, one.rate, 0, len(one.samples))
        if before is None or before.trust < 0.9:
            continue
        up, down = (103, 100) if len(errors) % 2 else (97, 100)
        moved = resample_poly(one.samples.astype(np.float64), up, down).astype(np.float32)
        after = pitch_of(moved, one.rate, 0, len(moved))
        if after is not None and after.trust >= 0.9:
            errors.append(after.cents - before.cents + 1200 * math.log2(up / down))
    sizes = np.abs(errors)
    print(
        f"\nresampled: {len(sizes)} recordings, median {np.median(sizes):.3f} cents, {np.mean(sizes < 5):.1%} within 5"
    )
    assert len(sizes) > 80
    assert np.median(sizes) < 0.5
    assert np.mean(sizes < 5) >= 0.95
