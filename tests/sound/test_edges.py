"""Edges and flat tops on values made by hand, on both sides of each limit."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from companion.sound.measures.edges import Envelope, edges_of, floor_of
from companion.sound.measures.levels import flat_tops

MS = 0.001


def cells(*parts: tuple[float, int]) -> Any:
    """Mean squares of one millisecond each: (dB against full scale, how many)."""
    return np.concatenate([np.full(count, 10 ** (decibels / 10)) for decibels, count in parts])


@pytest.mark.parametrize(("decibels", "onset"), [(-39.9, 0.0), (-40.1, 0.03)])
def test_a_sound_begins_within_40_db_of_its_loudest(decibels: float, onset: float) -> None:
    assert edges_of(cells((decibels - 6, 30), (-6, 100)), MS).onset_s == onset


def swell(shape: Any, seconds: float = 3.0) -> Any:
    """Mean squares of a sound whose amplitude follows ``shape`` from 0 to 1."""
    return np.square(shape((np.arange(round(seconds / MS)) + 0.5) * MS / seconds))


@pytest.mark.parametrize(
    "shape",
    [lambda t: t, lambda t: t**2, lambda t: t**3, lambda t: np.sin(np.pi * t / 2) ** 2, lambda t: 10 ** (5 * (t - 1))],
    ids=["line", "square", "cube", "cosine", "exponential"],
)
@pytest.mark.parametrize("seconds", [0.5, 3.0, 12.0])
def test_a_swell_begins_at_once_however_late_it_is_heard(shape: Any, seconds: float) -> None:
    edges = edges_of(swell(shape, seconds), MS)
    assert edges.begins_s is not None
    assert edges.begins_s <= 0.05
    late = edges_of(np.concatenate((np.zeros(300), swell(shape, 0.5))), MS)
    assert late.begins_s is not None
    assert 0.299 <= late.begins_s <= 0.36, "silence before a swell is silence"


@pytest.mark.parametrize("before", [-200.0, -80.0, -55.0])
def test_silence_or_level_noise_before_a_stroke_is_where_it_begins(before: float) -> None:
    edges = edges_of(cells((before, 120), (-6, 100)), MS)
    assert (edges.begins_s, edges.onset_s) == (0.12, 0.12)
    noisy = cells((before, 120), (-6, 100))
    noisy[:120] *= np.random.default_rng(1).chisquare(40, 120) / 40  # as pink noise moves by the millisecond
    begins = edges_of(noisy, MS).begins_s
    assert begins is not None
    assert 0.1 <= begins <= 0.12


@pytest.mark.parametrize(("decibels", "tail"), [(-71.9, 0.0), (-72.1, 0.4)])
def test_a_tail_lies_72_db_under_the_loudest(decibels: float, tail: float) -> None:
    assert edges_of(cells((-6, 100), (decibels - 6, 400)), MS).tail_s == tail


def test_levels_of_the_ends_are_against_the_loudest() -> None:
    edges = edges_of(cells((-20, 1), (-3, 50), (-33, 1)), MS)
    assert edges.start_db == pytest.approx(-17.0)
    assert edges.end_db == pytest.approx(-30.0)
    assert edges.end_faded
    assert not edges_of(cells((-3, 50), (-12, 1)), MS).end_faded, "9 dB under what came before is no fade"
    assert not edges_of(cells((-3, 4), (-33, 1)), MS).end_faded, "too short to tell"


def test_an_offset_is_no_sound() -> None:
    """A constant 0.1 has a mean square of 0.01: taken out, nothing is left."""
    assert edges_of(np.full(100, 0.01), MS, dc=0.1).onset_s is None
    assert edges_of(np.full(100, 0.01), MS, dc=0.0).onset_s == 0.0


@pytest.mark.parametrize(
    ("quiet", "steady", "bound"),
    [((-70.0, 151), 0.0, False), ((-70.0, 149), 0.0, True), ((-35.0, 300), 0.0, True), ((-70.0, 300), 2.5, True)],
)
def test_a_floor_is_steady_for_150_ms_and_30_db_down(quiet: tuple[float, int], steady: float, bound: bool) -> None:
    """Else the quietest 50 ms only bound the noise: too short, too loud, or moving by over 2 dB each 50 ms."""
    level, count = quiet
    moved = [(level + steady * (number // 50), 1) for number in range(count)]
    floor = floor_of(cells((-6, 200), *moved))
    assert floor.level_dbfs == pytest.approx(level, abs=0.01)
    assert floor.is_bound is bound


@pytest.mark.parametrize("colour", ["white", "pink"])
@pytest.mark.parametrize("seconds", [0.3, 1.5])
def test_a_floor_is_measured_to_half_a_decibel(colour: str, seconds: float) -> None:
    """Noise of −70 dBFS under a sound that has died away: the mean of what is left, not the quietest of it."""
    rate, rng = 8_000, np.random.default_rng(3)
    count = round((1 + seconds) * rate)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    if colour == "pink":
        hertz = np.fft.rfftfreq(count, 1 / rate)
        spectrum *= np.where(hertz > 20, 1 / np.sqrt(np.maximum(hertz, 1)), 0)
    noise = np.fft.irfft(spectrum, count)
    noise *= 10 ** (-70 / 20) / np.sqrt(np.mean(noise**2))
    time = np.arange(count) / rate
    envelope = Envelope(rate)
    envelope.add((0.5 * np.sin(2 * np.pi * 440 * time) * np.exp(-11 * time) + noise)[None].astype(np.float32))
    floor = floor_of(envelope.cells())
    assert floor.is_bound is False
    assert floor.level_dbfs == pytest.approx(-70, abs=0.5)


@pytest.mark.parametrize("falls", [2, 5, 20])
def test_a_tail_that_still_falls_is_no_floor(falls: float) -> None:
    """A second of decay, 40 dB down: at 2 dB a second it looks level for 100 ms, and never for all of it."""
    time = np.arange(4_000) * MS
    tail = 10 ** (-(10 + np.where(time < 0.5, 80 * time, 40 + falls * (time - 0.5))) / 10)
    assert floor_of(tail).is_bound is True
    still = 10 ** (-(10 + np.minimum(80 * time, 60)) / 10)
    assert floor_of(still).is_bound is False


def test_a_floor_before_the_sound_counts_too() -> None:
    floor = floor_of(cells((-80, 300), (-6, 400), (-20, 200)))
    assert floor.is_bound is False
    assert floor.level_dbfs == pytest.approx(-80, abs=0.05)
    assert floor.start == 0
    assert floor.stop < 300


def wave(hertz: float, gain: float, offset: float = 0.0) -> Any:
    """A sine that is cut at 0.8 when ``gain`` is over 1."""
    time = np.arange(9_600) / 48_000
    return np.clip(0.8 * gain * np.sin(2 * np.pi * hertz * time + 0.1) + offset, -0.8, 0.8).astype(np.float32)


@pytest.mark.parametrize("hertz", [55, 220, 880, 1760])
@pytest.mark.parametrize("over_db", [1, 3, 6, 10])
def test_a_cut_wave_is_cut_up_to_10_db(hertz: float, over_db: float) -> None:
    assert flat_tops(wave(hertz, 10 ** (over_db / 20)), 1.0, 0.8)


@pytest.mark.parametrize("edge", [1, 2, 4])
@pytest.mark.parametrize("low", [-0.8, -0.3, 0.0, 0.02])
@pytest.mark.parametrize("duty", [0.5, 0.2])
def test_square_and_pulse_waves_are_flat_by_nature(edge: int, low: float, duty: float) -> None:
    """Any width and any rest level, with edges that take a sample or, after a filter, four."""
    phase = np.arange(9_600) % 480
    pulse = np.where((phase > 10) & (phase < 10 + 480 * duty), 0.8, low)
    pulse = np.convolve(pulse, np.ones(edge) / edge, "same").astype(np.float32)
    assert flat_tops(pulse[100:-100], 1.0, 0.8) == []


def test_runs_at_the_top_are_told_apart_by_a_single_sample() -> None:
    """Two flat tops of 4 with one lower sample between are two, not one of 9; a run at the very end is none."""
    slope = [0.1, 0.3, 0.5]
    column = np.array([*slope, 0.9, 0.9, 0.9, 0.9, 0.6, 0.9, 0.9, 0.9, 0.9, *slope[::-1]], np.float32)
    assert [(run.frame, run.length) for run in flat_tops(column, 1.0, 0.9)] == [(3, 4), (8, 4)]
    assert [(run.frame, run.length) for run in flat_tops(-column, -1.0, 0.9)] == [(3, 4), (8, 4)]
    assert flat_tops(column[:12], 1.0, 0.9)[1:] == []
    assert flat_tops(column[3:7], 1.0, 0.9) == []
