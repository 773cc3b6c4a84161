"""Round robins that are one recording, and hiss that grows with the voices: on numbers set by hand, at the edges."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from companion.trials.performance.hiss import HissHeard, judge_hiss
from companion.trials.performance.once_verdicts import BY_CHANCE, repeating

# Takes


def table(*pairs: float) -> list[list[float]]:
    """How alike each of four repeats is to each other: 12, 13, 14, 23, 24, 34."""
    ab, ac, ad, bc, bd, cd = pairs
    return [[1, ab, ac, ad], [1, 1, bc, bd], [1, 1, 1, cd], [1, 1, 1, 1]]


def by_turns(same: float, other: float) -> list[list[float]]:
    return table(other, same, other, other, same, other)


def judged(alike: dict[int, list[list[float]]]) -> dict[int, str]:
    return {one.key: one.reason for one in repeating(alike, dict.fromkeys(alike, (1, 2, 3, 4)), 2)}


ONE = table(0.95, 0.9, 0.91, 0.93, 0.94, 0.96)
"""One recording four times, under an effect that sways."""


def test_repeats_that_sway_are_told_where_others_fall_into_camps() -> None:
    others = {40: by_turns(0.91, 0.75), 50: by_turns(0.93, 0.2), 60: by_turns(0.95, 0.6)}
    assert judged({**others, 70: ONE}) == {70: ""}
    assert judged(others) == {}


def test_one_key_in_camps_is_no_measure_of_the_others() -> None:
    assert judged({40: by_turns(0.91, 0.2), 70: ONE}) != {70: ""}


def test_camps_too_near_each_other_or_too_low_are_none() -> None:
    near = {40: by_turns(0.93, 0.75), 50: by_turns(0.93, 0.74)}
    low = {40: by_turns(0.84, 0.2), 50: by_turns(0.83, 0.2)}
    for others in (near, low):
        told = judged({**others, 70: ONE})
        assert told
        assert all(told.values()), "asked by ear"


def test_takes_that_come_by_chance_leave_a_key_that_repeats_to_the_ear() -> None:
    chance = {40: table(0.95, 0.2, 0.2, 0.2, 0.2, 0.95), 50: table(0.2, 0.2, 0.95, 0.95, 0.2, 0.2)}
    assert judged({**chance, 70: ONE}) == {70: BY_CHANCE}
    assert judged(chance) == {}


def each_once(same: float, other: float) -> list[list[float]]:
    """Take A, take B, then B, then A."""
    return table(other, other, same, same, other, other)


def test_takes_out_of_a_bag_come_once_in_every_turn_and_a_key_that_repeats_is_told() -> None:
    bag = {40: each_once(0.95, 0.2), 45: by_turns(0.95, 0.2), 50: each_once(0.94, 0.3), 55: each_once(0.96, 0.2)}
    assert judged({**bag, 70: ONE}) == {70: ""}
    fewer = {key: bag[key] for key in (40, 45, 50)}
    assert judged({**fewer, 70: ONE}) == {70: BY_CHANCE}, "three keys may do so by chance"
    twice = table(0.95, 0.2, 0.2, 0.2, 0.2, 0.95)
    assert judged({**bag, 60: twice, 70: ONE}) == {70: BY_CHANCE}, "the same take twice in one turn"
    assert judged(bag) == {}


# Hiss


def heard(levels: Sequence[float], tilt: Sequence[float] = (0.0,) * 5) -> HissHeard:
    """Densities in six bands, dB, for 1, 2, 4, 8 and 16 notes; tilt: by how much neighbouring bands differ."""
    rows = [[level + slope * band for band in range(6)] for level, slope in zip(levels, tilt, strict=True)]
    held = 10 ** (np.array(rows) / 10)
    return HissHeard(np.full(6, 1e-14), held, (1, 2, 4, 8, 16), -20.0, 9, 44_100)


EVEN = (-100.0, -97.0, -94.0, -91.0, -88.0)


def test_noise_that_doubles_with_the_notes_is_told_with_its_level() -> None:
    (found,) = judge_hiss(heard(EVEN))
    assert found.value == pytest.approx(-88 + 10 * np.log10(20_000), abs=0.01)
    assert judge_hiss(heard([level - 20 for level in EVEN])) == [], "under the limit"
    assert judge_hiss(None) == []


@pytest.mark.parametrize(
    ("levels", "tilt"),
    [
        ((-100.0, -94.0, -97.0, -88.0, -88.0), (0.0,) * 5),  # as much in the end, but not by and by
        (EVEN, (1.5, 1.5, 1.5, 1.5, 0.0)),  # flat in the last chord alone
        (EVEN, (0.0, 0.0, 0.0, 0.0, 1.5)),  # flat in all but the last
        ((-100.0, -95.0, -90.0, -85.0, -80.0), (0.0,) * 5),  # more than noise adds up to
        ((-94.0, -92.5, -91.0, -89.5, -88.0), (0.0,) * 5),  # less
    ],
)
def test_what_does_not_grow_as_noise_does_or_is_not_flat_is_music(
    levels: tuple[float, ...], tilt: Sequence[float]
) -> None:
    assert judge_hiss(heard(levels, tilt)) == []


def test_it_may_be_flat_in_any_four_bands_on_end() -> None:
    noise = heard(EVEN)
    for row in noise.held:
        row[[0, 5]] *= 10
    assert judge_hiss(noise), "the four in the middle"
    for row in noise.held:
        row[2] *= 10
    assert judge_hiss(noise) == []


def test_one_chord_that_is_not_flat_is_no_matter() -> None:
    assert judge_hiss(heard(EVEN, (1.5, 0.0, 0.3, 0.0, 0.5)))
