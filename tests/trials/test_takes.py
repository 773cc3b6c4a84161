"""What takes differ by in the folder, and among repeats in the bounce, excuses what a bounce says of them."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest

from companion.trials.performance import keys_verdicts
from companion.trials.performance.clicks import Dry
from companion.trials.performance.heards import Heards
from companion.trials.performance.hearing import Tone
from companion.trials.performance.judged import Verdict
from companion.trials.performance.keys_verdicts import TAKES_APART, inverted
from companion.trials.performance.score import Note, Slot
from companion.trials.performance.takes import ALIKE, LEVELS, excused, takes_of

RATE = 22_050


def dry(seed: int, decibels: float = 0.0, take_of: str = "C", mixed_with: float = 0.0) -> Dry:
    """A second of a note: seven partials whose phases the seed draws; ``mixed_with`` so much of seed 0."""
    time, whole = np.arange(RATE) / RATE, np.zeros(RATE)
    for weight, own in ((1 - mixed_with, seed), (mixed_with, 0)):
        draw = np.random.default_rng(own)
        for number in range(1, 8):
            whole += weight / number * np.sin(2 * np.pi * 130.8 * number * time + draw.uniform(0, 6.28))
    return Dry((0.1 * 10 ** (decibels / 20) * whole)[:, None].astype(np.float32), RATE, 48.0, None, take_of)


def told(rule: str, value: float = 1.0) -> Verdict:
    return Verdict(rule=rule, key=50, slots=(1, 2), value=value, bound=2)


def reasons(verdict: Verdict, samples: Iterable[Dry]) -> str:
    return excused([verdict], lambda key: samples if key == 50 else (), RATE)[0].reason


def test_takes_that_hardly_differ_pass_for_one_and_nobody_is_accused() -> None:
    hardly = [dry(0), dry(1, mixed_with=0.95, decibels=-3)]
    assert 0.96 < takes_of(hardly, 50, RATE)[0].alike < 1
    assert reasons(told("take-repeats"), hardly) == ALIKE
    assert reasons(told("take-repeats"), [dry(0), dry(1)]) == "", "takes that differ are to be heard"


def test_one_take_that_differs_is_enough_to_hear_that_it_never_comes() -> None:
    assert reasons(told("take-repeats"), [dry(0), dry(1, mixed_with=0.95), dry(2)]) == ""


@pytest.mark.parametrize("take_of", [("", ""), ("soft", "hard")])
def test_samples_that_are_no_takes_of_each_other_excuse_nothing(take_of: tuple[str, str]) -> None:
    samples = [dry(0, take_of=take_of[0]), dry(0, -30, take_of[1])]
    for rule in ("take-repeats", "velocity-inverted", "note-silent"):
        assert reasons(told(rule), samples) == ""


@pytest.mark.parametrize(
    ("apart", "fall", "excuse"), [(25.0, 23.0, LEVELS), (25.0, 27.5, ""), (22.0, 4.0, LEVELS), (18.0, 4.0, "")]
)
def test_a_take_next_to_silent_may_be_why_a_harder_touch_is_softer(apart: float, fall: float, excuse: str) -> None:
    assert reasons(told("velocity-inverted", fall), [dry(0), dry(1, -apart)]) == excuse


@pytest.mark.parametrize(("apart", "excuse"), [(25.0, LEVELS), (18.0, "")])
def test_a_take_next_to_silent_is_the_sample_and_no_dead_key(apart: float, excuse: str) -> None:
    assert reasons(told("note-silent"), [dry(0), dry(1, -apart)]) == excuse


def test_other_rules_and_what_is_asked_by_ear_already_stay_as_they_are() -> None:
    samples = [dry(0), dry(0, -40)]
    assert reasons(told("note-off-pitch", 100.0), samples) == ""
    asked = Verdict(rule="take-repeats", key=50, reason="by ear")
    assert excused([asked], lambda _: samples, RATE) == [asked]
    assert excused([told("take-repeats")], None, RATE) == [told("take-repeats")]


def heard(repeats: Iterable[float], *, soft: float = -20.0, hard: float = -25.0) -> Heards:
    """A key at two touches, and a note near it over and over, at these levels."""
    notes = [("note", 50, 40, soft), ("note", 50, 100, hard), *(("take", 52, 100, level) for level in repeats)]
    slots = {
        number: Slot(kind=kind, title="", start=number, end=number + 1, notes=(Note(number, number + 1, key, touch),))
        for number, (kind, key, touch, _) in enumerate(notes)
    }
    tones = {
        number: Tone(before=-90, loud=level, level=level, after=-90, peak=0.1)
        for number, (*_, level) in enumerate(notes)
    }
    return Heards(slots=slots, tones=tones)


@pytest.mark.parametrize(("repeats", "reason"), [([-20, -41, -20], TAKES_APART), ([-20, -39, -20], ""), ([], "")])
def test_where_repeats_stray_as_far_a_harder_touch_that_is_softer_is_asked_by_ear(
    repeats: list[float], reason: str
) -> None:
    assert [one.reason for one in inverted(heard(repeats))] == [reason]
    assert [one.reason for one in inverted(heard(repeats, hard=-45.0))] == [""], "further than any repeat"
    assert inverted(heard(repeats, hard=-22.0)) == []


def test_only_the_repeats_beside_a_key_speak_for_it() -> None:
    strays = {40: 9.0, 52: 1.0, 60: 2.0, 72: 12.0}
    assert [keys_verdicts._near(strays, key) for key in (30, 40, 55, 60, 71, 80)] == [9.0, 9.0, 2.0, 12.0, 12.0, 12.0]
