"""The residual by two routes, and the fast search for the highest neighbour against the plain one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from companion.sound.measures.clicks import ORDER, _highest_around, _predictors, residual


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


@settings(deadline=None)
@given(st.lists(st.floats(0, 1, width=32), min_size=1, max_size=80), st.integers(2, 20))
def test_the_highest_of_the_cells_around(values: list[float], reach: int) -> None:
    tops = np.array(values, np.float32)
    for place, highest in enumerate(_highest_around(tops, reach)):
        before, after = tops[max(0, place - 1 - reach) : max(0, place - 1)], tops[place + 2 : place + 2 + reach]
        assert highest == max(before.max(initial=0), after.max(initial=0))
