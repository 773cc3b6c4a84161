"""Decay times and sums of noise against closed forms: ISO 3382-1 (Schroeder), AES17, incoherent addition."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from companion.sound.checks.formats import noise_of
from companion.sound.measures.edges import Envelope, decay_of
from companion.sound.measures.levels import Levels


def cells(signal: Any, rate: int) -> Any:
    envelope = Envelope(rate)
    envelope.add(signal.astype(np.float32)[None])
    return envelope.cells(), envelope.seconds


@pytest.mark.parametrize("rate", [44100, 48000])
@pytest.mark.parametrize("seconds", [0.3, 0.8, 2.3, 6.0])
def test_exponential_decay_within_a_percent(seconds: float, rate: int) -> None:
    """exp(−6.9078·t/T) falls by 60 dB in T: EDT, T20 and T30 are all T."""
    time = np.arange(round(1.3 * seconds * rate)) / rate
    decay = decay_of(*cells(np.exp(-math.log(1000) * time / seconds) * np.sin(2 * np.pi * 1000 * time), rate))
    for value in (decay.edt_s, decay.t20_s, decay.t30_s):
        assert value == pytest.approx(seconds, rel=0.01)


@pytest.mark.parametrize("kept", [0.6, 0.75, 1.0])
def test_a_cut_decay_is_still_right(kept: float) -> None:
    """Cut at 36, 45 or 60 dB: what is missing behind the end is put back."""
    time = np.arange(round(kept * 2.0 * 48000)) / 48000
    decay = decay_of(*cells(np.exp(-math.log(1000) * time / 2.0) * np.sin(2 * np.pi * 900 * time), 48000))
    assert decay.t20_s == pytest.approx(2.0, rel=0.01)
    assert decay.end_db == pytest.approx(-60 * kept, abs=1.0)


def test_decay_of_noise() -> None:
    """Decaying noise, which a hall gives: within 5 %, the spread that ISO 3382-1 expects of a single response."""
    time = np.arange(3 * 48000) / 48000
    noise = np.random.default_rng(2).standard_normal(len(time)) * np.exp(-math.log(1000) * time / 1.8)
    decay = decay_of(*cells(0.2 * noise, 48000))
    assert decay.t30_s == pytest.approx(1.8, rel=0.05)


FLOORS = {-30: ("edt_s",), -37: ("edt_s", "t20_s"), -43: ("edt_s", "t20_s"), -50: ("edt_s", "t20_s", "t30_s")}
"""ISO 3382-1:2009, 5.3.3: the noise lies at least 10 dB under the lowest point of a range: 20, 35 or 45 dB down."""


@pytest.mark.parametrize("length", [1.0, 1.6, 3.0])
@pytest.mark.parametrize("floor", FLOORS)
@pytest.mark.parametrize("seconds", [0.4, 1.5])
def test_a_decay_into_noise_is_right_or_not_told(seconds: float, floor: int, length: float) -> None:
    """The noise adds its energy behind the decay's end: at −45 dB it would make three times as long of a T30."""
    time = np.arange(round(length * seconds * 48000)) / 48000
    tone = np.exp(-math.log(1000) * time / seconds) * np.sin(2 * np.pi * 1000 * time) * math.sqrt(2)
    noise = np.random.default_rng(7).standard_normal(len(time)) * 10 ** (floor / 20)
    decay = decay_of(*cells(tone + noise, 48000))
    for name in ("edt_s", "t20_s", "t30_s"):
        value = getattr(decay, name)
        if name in FLOORS[floor]:
            assert value == pytest.approx(seconds, rel=0.05), name
        else:
            assert value is None, name


def test_a_decay_of_noise_into_noise() -> None:
    rng = np.random.default_rng(9)
    time = np.arange(3 * 48000) / 48000
    hall = rng.standard_normal(len(time)) * np.exp(-math.log(1000) * time / 1.2)
    decay = decay_of(*cells(0.3 * (hall + rng.standard_normal(len(time)) * 10 ** (-50 / 20)), 48000))
    for value in (decay.edt_s, decay.t20_s, decay.t30_s):
        assert value == pytest.approx(1.2, rel=0.05)


def test_a_knee_is_no_noise_where_it_still_falls() -> None:
    """A second slope at −30 dB, as of a coupled room, is measured: it is not taken for the floor."""
    time = np.arange(4 * 48000) / 48000
    power = np.exp(-2 * math.log(1000) * time / 0.5) + 1e-3 * np.exp(-2 * math.log(1000) * time / 2.0)
    decay = decay_of(*cells(np.sqrt(power) * np.sin(2 * np.pi * 1000 * time), 48000))
    left = 0.5 * np.exp(-2 * math.log(1000) * time / 0.5) + 2e-3 * np.exp(-2 * math.log(1000) * time / 2.0)
    curve = 10 * np.log10(left / left[0])
    inside = (curve <= -5) & (curve >= -35)
    assert decay.t30_s == pytest.approx(-60 / np.polyfit(time[inside], curve[inside], 1)[0], rel=0.02)


def test_two_slopes_are_told_apart() -> None:
    time = np.arange(4 * 48000) / 48000
    power = np.exp(-2 * math.log(1000) * time / 0.5) + 0.001 * np.exp(-2 * math.log(1000) * time / 3.0)
    decay = decay_of(*cells(np.sqrt(power) * np.sin(2 * np.pi * 1000 * time), 48000))
    assert decay.edt_s is not None
    assert decay.t30_s is not None
    assert decay.edt_s < 0.6 < decay.t30_s


def test_a_range_that_is_not_there_is_not_given() -> None:
    time = np.arange(48000) / 48000
    decay = decay_of(*cells(np.exp(-math.log(1000) * time / 4.0) * np.sin(6000 * time), 48000))
    assert decay.t30_s is None or decay.t30_s == pytest.approx(4.0, rel=0.02)


def test_each_doubling_of_voices_adds_three_decibels() -> None:
    for voices in (1, 2, 4, 64):
        assert noise_of(-70.0, 2 * voices) - noise_of(-70.0, voices) == pytest.approx(3.0103, abs=1e-4)
    rng = np.random.default_rng(4)
    one, many = Levels(1, 0.0), Levels(1, 0.0)
    one.add((0.01 * rng.standard_normal((1, 96000))).astype(np.float32))
    many.add((0.01 * rng.standard_normal((8, 96000)).sum(axis=0, keepdims=True)).astype(np.float32))
    assert 20 * math.log10(many.rms / one.rms) == pytest.approx(10 * math.log10(8), abs=0.1)


def test_full_scale_sine_is_0_dbfs() -> None:
    """AES17: the level of a full-scale sine is 0 dBFS by its peak; its root mean square over full scale is −3.01 dB."""
    levels = Levels(1, 0.0)
    levels.add(np.sin(2 * np.pi * 997 * np.arange(48000) / 48000).astype(np.float32)[None])
    assert 20 * math.log10(levels.peak) == pytest.approx(0.0, abs=0.001)
    assert 20 * math.log10(levels.rms) == pytest.approx(-3.0103, abs=0.001)


def test_a_short_decay_in_a_long_recording_is_not_drowned_in_its_noise() -> None:
    """A small room that reaches its noise, 39 dB down, within 60 ms of 3 s: seconds of T20 once, all of it noise."""
    time = np.arange(3 * 48000) / 48000
    tone = np.exp(-math.log(1000) * time / 0.09) * np.sin(2 * np.pi * 1000 * time) * math.sqrt(2)
    noise = np.random.default_rng(11).standard_normal(len(time)) * 10 ** (-39 / 20)
    decay = decay_of(*cells(tone + noise, 48000))
    assert decay.t20_s == pytest.approx(0.09, rel=0.05)
    assert decay.t30_s is None


@pytest.mark.parametrize(("seconds", "told"), [(0.2, True), (0.12, False)])
def test_ten_decibels_within_a_few_milliseconds_are_not_told(seconds: float, told: bool) -> None:
    """EDT is 10 dB: 33 cells of 0.2 s, 20 of 0.12 s, on which one reflection more or less is over 5 %."""
    time = np.arange(round(1.5 * seconds * 48000)) / 48000
    decay = decay_of(*cells(np.exp(-math.log(1000) * time / seconds) * np.sin(2 * np.pi * 3000 * time), 48000))
    assert (decay.edt_s is not None) == told
    assert decay.t20_s == pytest.approx(seconds, rel=0.02)
