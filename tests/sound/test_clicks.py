"""The residual by two routes, and the fast search for the highest neighbour against the plain one."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from companion.sound.measures.clicks import ORDER, _highest_around, _predictors, clicks_in, residual

RATE = 48_000


@pytest.mark.parametrize(("frames", "rate"), [(48_000, 48_000), (8_821, 22_050), (3_000, 48_000), (20_001, 8_000)])
def test_the_residual_is_each_stretch_through_its_own_filter(frames: int, rate: int) -> None:
    """SciPy's ``lfilter`` as the other route: the middle of each 80 ms goes through the filter fitted to all of it."""
    sound = np.cumsum(np.random.default_rng(3).standard_normal(frames)).astype(np.float32) * 0.01
    found = residual(sound, rate)
    assert found.shape == sound.shape
    hop, size = max(4 * ORDER, round(0.06 * rate)), max(round(0.06 * rate), round(0.08 * rate))
    margin = (size - hop) // 2
    padded = np.concatenate((np.zeros(ORDER + margin), sound, np.zeros(2 * size))).astype(np.float32)
    for start in range(0, frames, hop):
        whole = padded[ORDER + start : ORDER + start + size] * np.hanning(size + 2)[1:-1].astype(np.float32)
        taps = _predictors(whole[None, :], ORDER)[0]
        before = padded[margin + start : margin + start + ORDER + hop]
        expected = lfilter(taps, [1.0], before)[ORDER:]
        here = found[start : start + hop]
        assert np.abs(here - expected[: len(here)]).max() < 1e-5 * np.abs(sound).max()


def test_an_autoregressive_sound_leaves_the_noise_that_drove_it() -> None:
    """A sound made by a known filter out of noise: what cannot be predicted of it is that noise."""
    noise = np.random.default_rng(5).standard_normal(96_000) * 0.01
    sound = lfilter([1.0], [1.0, -1.6, 0.9], noise).astype(np.float32)
    found = residual(sound, 48_000)
    inner = slice(4_800, -4_800)
    assert np.corrcoef(found[inner], noise[inner])[0, 1] > 0.98


@pytest.mark.parametrize("rate", [8_000, 12_000, 44_100])
def test_nothing_is_left_of_a_pure_tone(rate: int) -> None:
    """So few numbers describe a sine that 32 weights are fitted to rounding, unless the fit stops in time."""
    time = np.arange(rate) / rate
    for hertz in (97.0, 300.0, 1_234.5):
        for loud in (1.0, 0.004):
            sound = (loud * np.sin(2 * np.pi * hertz * time)).astype(np.float32)
            assert np.abs(residual(sound, rate)[64:-64]).max() < 0.02 * loud


@settings(deadline=None)
@given(st.lists(st.floats(0, 1, width=32), min_size=1, max_size=80), st.integers(2, 20))
def test_the_highest_of_the_cells_around(values: list[float], reach: int) -> None:
    tops = np.array(values, np.float32)
    for place, highest in enumerate(_highest_around(tops, reach)):
        before, after = tops[max(0, place - 1 - reach) : max(0, place - 1)], tops[place + 2 : place + 2 + reach]
        assert highest == max(before.max(initial=0), after.max(initial=0))


def tone(seconds: float = 1.0, hertz: float = 220.0, noise: float = 3e-4) -> Any:
    """Six partials and a little noise, faded in and out over 10 ms; the peak lies near 0.5."""
    time = np.arange(round(seconds * RATE)) / RATE
    sound = sum(0.3 / n * np.sin(2 * np.pi * hertz * n * time + n) for n in range(1, 7))
    sound = sound + noise * np.random.default_rng(2).standard_normal(len(time))
    ramp = np.minimum(1, np.arange(len(time)) / 480)
    return (sound * ramp * ramp[::-1]).astype(np.float32)


def places(sound: Any, **more: float) -> list[int]:
    return sorted(click.frame for click in clicks_in(sound.astype(np.float32), RATE, **more))


def near(found: list[int], expected: list[int]) -> bool:
    return len(found) == len(expected) and all(
        abs(one - other) <= 3 for one, other in zip(found, expected, strict=True)
    )


@pytest.mark.parametrize("apart_ms", [5, 8, 13, 19, 24])
def test_two_equal_clicks_do_not_hide_each_other(apart_ms: int) -> None:
    at = [20_000, 20_000 + apart_ms * RATE // 1000]
    sound = tone()
    sound[at] += 0.125
    assert near(places(sound), at)


def test_a_burst_is_found_whole_and_a_train_of_pulses_is_not() -> None:
    """Five cuts within 30 ms are a burst; at each turn of a note of 30 Hz they are how it sounds."""
    at = [20_000, 20_250, 20_700, 21_000, 21_400]
    sound = tone()
    sound[at] -= 0.125
    assert near(places(sound), at)
    buzz = tone()
    buzz[2_000:-2_000:1_600] += 0.125
    assert places(buzz) == []


@pytest.mark.parametrize("gap_ms", [5, 9, 14, 20])
def test_both_ends_of_a_dropout_are_found(gap_ms: int) -> None:
    start, end = 20_000, 20_000 + gap_ms * RATE // 1000
    sound = tone(hertz=327.0)
    sound[start:end] = 0.0
    found = places(sound)
    assert near([found[0], found[-1]], [start, end])


@pytest.mark.parametrize(("level", "found"), [(0.3, True), (0.01, False)])
def test_the_last_step_of_eight_bits_is_no_dropout(level: float, found: bool) -> None:
    """A tail that crosses its last step now and then is still for milliseconds between; a loud tone is not."""
    step = 1 / 128
    tone = level * np.sin(2 * np.pi * 300 * np.arange(RATE) / RATE)
    tone[20_000:20_480] = 0
    tone[:9_600] += 0.15 * np.sin(2 * np.pi * 300 * np.arange(9_600) / RATE) * np.linspace(1, 0, 9_600)
    coarse = (np.rint(tone / step) * step).astype(np.float32)
    assert bool(clicks_in(coarse, RATE, step=step)) == found


def test_what_is_still_by_nature_is_no_dropout() -> None:
    """A square wave of 40 Hz stays where it is for 12 ms at a time; strokes that have died away are far apart."""
    square = np.where(np.arange(RATE) // 600 % 2, 0.5, -0.5)
    assert places(square) == []
    strokes = np.zeros(RATE)
    for start in (0, 24_000):
        strokes[start : start + 23_400] = tone()[:23_400] * np.linspace(1, 0, 23_400) ** 3
    assert places(strokes) == []
    offset = 0.02 + tone() * np.linspace(1, 0, RATE) ** 4
    offset[40_000:42_000] = offset[44_000:] = 0.02
    assert places(np.round(offset * 32768) / 32768) == [], "what has died away over an offset is gone for good"
    pause = tone()
    pause[20_000:24_000] = 0.0  # 83 ms: somebody has muted it
    pause[17_600:20_000] *= np.linspace(1, 0, 2_400)
    pause[24_000:26_400] *= np.linspace(0, 1, 2_400)
    assert places(pause) == []


@pytest.mark.parametrize("rest", ["silence", "noise at −70 dBFS", "a tail at −47 dB"])
def test_clicks_in_quiet_surroundings_are_heard_best(rest: str) -> None:
    rng = np.random.default_rng(7)
    time = np.arange(RATE) / RATE
    quiet = {
        "silence": np.zeros(RATE),
        "noise at −70 dBFS": 10 ** (-70 / 20) * rng.standard_normal(RATE),
        "a tail at −47 dB": 0.5 * 10 ** (-47 / 20) * np.sin(2 * np.pi * 180 * time) * np.exp(-time),
    }[rest]
    fade = np.linspace(1, 0, RATE) ** 3
    sound = np.concatenate((tone() * fade, quiet))
    assert places(sound) == []
    sound[70_000] += 0.01
    assert near(places(sound), [70_000])
    sound[70_000] -= 0.0095
    assert places(sound) == [], "−66 dB is nothing anybody hears, and may be the converter's last steps"


def test_the_last_step_of_few_bits_is_no_click() -> None:
    """8 bits step by 1/128: in silence after the sound one step up is how they round."""
    sound = np.concatenate((tone() * np.linspace(1, 0, RATE) ** 3, np.zeros(RATE, np.float32)))
    sound[70_000] = 1 / 128
    assert near(places(sound), [70_000])
    assert places(sound, step=1 / 128) == []


def test_a_tick_that_takes_its_time_is_no_cut() -> None:
    """A nail, a stick, a damper: a noise that swells and dies within 4 ms. A cut as high is one at once."""
    tick = np.random.default_rng(8).standard_normal(192) * np.hanning(192) * 0.12
    for at in range(12_000, 36_000, 6_000):
        ticked = tone()
        ticked[at : at + 192] += tick.astype(np.float32)
        assert places(ticked) == []


def test_where_another_sound_goes_on_is_a_cut() -> None:
    """A splice: 2 ms left out, so that the wave steps and bends."""
    sound = tone()
    assert near(places(np.concatenate((sound[:20_000], sound[20_096:]))), [20_000])


def test_a_click_is_held_against_the_whole_recording() -> None:
    """In a part that is quiet throughout: 0.001 is loud there, and nothing beside a recording that reaches 1."""
    quiet = tone() * 0.004
    quiet[20_000] += 0.001
    assert near(places(quiet), [20_000])
    assert places(quiet, peak=1.0) == []
