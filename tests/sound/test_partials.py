"""What the partials of a sound say of its octave, on sums of sines whose partials are known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from companion.sound.measures.pitch import pitch_of

RATE = 48_000
TIME = np.arange(RATE) / RATE


def heard(partials: dict[int, float]) -> Any:
    sound: Any = sum(height * np.sin(2 * np.pi * 220 * n * TIME + n) for n, height in partials.items())
    found = pitch_of((0.2 * sound).astype(np.float32), RATE, 0, RATE)
    assert found is not None
    return found


@pytest.mark.parametrize("below_db", [0.0, 6.0, 20.0, 34.0])
def test_the_fundamental_is_measured_against_the_highest_partial(below_db: float) -> None:
    pitch = heard({1: 10 ** (-below_db / 20), 2: 1.0, 3: 0.7, 4: 0.5, 5: 0.4})
    assert pitch.cents == pytest.approx(5700, abs=0.1)
    assert pitch.fundamental_db == pytest.approx(-below_db, abs=0.2)


def test_a_missing_fundamental_is_heard_and_known_to_be_missing() -> None:
    pitch = heard({2: 1.0, 3: 0.9, 4: 0.7, 5: 0.6})
    assert pitch.cents == pytest.approx(5700, abs=0.1)
    assert pitch.fundamental_db < -60
