"""Loop seams on waves made by hand: where the end has moved, and what is unlike itself by nature."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from companion.sound.measures.seams import FITS_BETTER, seam_of

RATE = 44_100
TIME = np.arange(RATE) / RATE


def partials(hertz: float, count: int = 8) -> Any:
    return sum(np.sin(2 * np.pi * hertz * n * TIME + n * n) / n for n in range(1, count + 1)) * 0.3


def seam(sound: Any, start: int, end: int) -> str:
    return seam_of(sound.astype(np.float32), RATE, start, end).seam


@pytest.mark.parametrize("moved", [10, -17, 23, -31, 44, -59])
def test_an_end_that_moved_is_heard_and_one_that_did_not_is_not(moved: int) -> None:
    """441 Hz: 100 frames a period, so that none of these is a whole one."""
    tone = partials(441.0)
    assert seam(tone, 5_000, 25_000) == "clean"
    assert seam(tone, 5_000, 25_000 + moved) == "audible"


def test_an_end_within_a_frame_is_as_writers_count() -> None:
    tone = partials(441.0)
    assert [seam(tone, 5_000, 25_000 + off) for off in (-1, 0, 1)] == ["clean"] * 3


def test_what_differs_everywhere_is_clean_and_what_fits_near_by_is_not() -> None:
    """Breath over a tone, 3 dB under it: unlike itself by a third, here and at every other whole period."""
    breath = np.random.default_rng(14).standard_normal(RATE)
    breath = np.convolve(breath, np.hanning(24) / 12, "same")
    tone = partials(441.0, 2)
    breath *= 0.7 * tone.std() / breath.std()
    found = seam_of((tone + breath).astype(np.float32), RATE, 5_000, 25_000)
    assert found.error > 0.2
    assert found.fits > found.error / FITS_BETTER
    assert found.seam != "audible"


def test_a_loop_of_one_turn_that_is_cut_short() -> None:
    """A period of 40 frames, looped over 61: half of one is missing, and behind 40 or 80 all fits."""
    tone = partials(RATE / 40, 4)
    assert seam(tone[:1_200], 1_000, 1_040) == "clean"
    assert seam(tone[:1_200], 1_000, 1_061) == "audible"


def test_noise_is_not_judged() -> None:
    noise = 0.2 * np.random.default_rng(3).standard_normal(RATE)
    assert seam(noise, 4_000, 20_000) == "not judged"
