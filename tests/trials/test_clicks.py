"""Clicks inside notes: those of the performance are told, those of the sample are not, and what is unclear is asked."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from companion.trials.performance.clicks import (
    FEWEST,
    MANY,
    OF_THE_SAMPLE,
    Dry,
    clicked,
    played,
)
from companion.trials.performance.score import Note, Slot
from companion.trials.performance.ticks import FROM_S, Tick, tick_of

RATE = 22_050
LENGTH = 380
"""Milliseconds that are listened to."""


def tone(seconds: float, hertz: float = 220.0) -> Any:
    time = np.arange(int(seconds * RATE)) / RATE
    noise = np.random.default_rng(int(hertz)).standard_normal(len(time))
    return (0.2 * np.sin(2 * np.pi * hertz * time) + 0.001 * noise).astype(np.float32)


def tick(at: int = 0, peak: float = 0.0, standing: float = 20.0, others: Mapping[int, float] | None = None) -> Tick:
    """A note that stands out at some milliseconds after its beginning, and nowhere else."""
    curve = np.full(LENGTH, 1.0, np.float32)
    for place, height in {at: standing, **(others or {})}.items():
        if place:
            curve[place - round(1000 * FROM_S)] = height
    return Tick(peak, at, curve)


def judged(ticks: dict[tuple[int, int], Tick], dry: Any = None) -> list[Any]:
    """Verdicts on notes by (key, velocity); keys without a click stand around them."""
    plain = {(key, velocity): tick() for key in range(60, 73) for velocity in (40, 100)}
    notes = [(key, velocity, one) for (key, velocity), one in (plain | ticks).items()]
    slots = [
        Slot(kind="note", title="", start=0, end=700, notes=(Note(0, 450, key, velocity),))
        for key, velocity, _ in notes
    ]
    return clicked(slots, {number: one for number, (_, _, one) in enumerate(notes)}, dry, RATE)


def moment(at: int, keys: int) -> int:
    """The same moment of a sample, so many keys higher."""
    return round(at * 2 ** (-keys / 12))


CLICK = tick(300, 200.0)


# What stands out of a note


@pytest.mark.parametrize("channel", [0, 1])
def test_a_click_is_found_where_it_is_in_either_channel(channel: int) -> None:
    data = np.stack([tone(0.38), tone(0.38, 330)], axis=1)
    assert tick_of(data, RATE).peak == 0
    data[int(0.2 * RATE), channel] += 0.2
    found = tick_of(data, RATE)
    assert found.peak > 60
    assert found.at == pytest.approx(1000 * (FROM_S + 0.2), abs=1.5)
    near = found.near(found.at, 2)
    assert near is not None
    assert near == found.standing.max() > 10
    assert found.near(found.at + 40, 20) < 3  # type: ignore[operator]


def test_what_comes_back_with_every_period_is_the_sound_itself() -> None:
    time = np.arange(int(0.38 * RATE)) / RATE
    saw = (0.4 * ((time * 110) % 1 - 0.5)).astype(np.float32)[:, None]
    assert tick_of(saw, RATE).peak == 0
    assert tick_of(np.zeros((9000, 2), np.float32), RATE).peak == 0


def test_outside_of_what_is_listened_to_nothing_is_said() -> None:
    assert CLICK.near(20, 8) is None
    assert CLICK.near(1000 * FROM_S + LENGTH, 8) is None
    assert CLICK.near(1000 * FROM_S + LENGTH - 1, 8) == 1.0
    assert CLICK.near(308, 8) == 20.0
    assert CLICK.near(309, 8) == 1.0


# Whose click it is


def test_a_click_in_one_note_is_told_and_one_in_both_touches_of_a_key_once() -> None:
    (found,) = judged({(65, 100): CLICK})
    assert (found.key, found.velocity, found.reason, found.value) == (65, 100, "", 200.0)
    (found,) = judged({(65, 100): CLICK, (65, 40): tick(300, 90.0)})
    assert (found.key, found.velocity, len(found.slots), found.value) == (65, -1, 2, 200.0)


def test_a_click_at_one_moment_of_a_sample_is_the_samples_and_asked_by_ear_once() -> None:
    shared = {(65 + up, 100): tick(moment(300, up), 90.0 if up else 200.0) for up in (0, 1, 2)}
    (found,) = judged(shared)
    assert (found.reason, len(found.slots)) == (OF_THE_SAMPLE, 3)


def test_the_other_notes_need_not_click_as_loudly() -> None:
    faint = {(65 + up, 40): tick(moment(300, up), 0.0, 4.5) for up in (-2, 3)}
    (found,) = judged({(65, 100): CLICK, **faint})
    assert (found.reason, len(found.slots)) == (OF_THE_SAMPLE, 1)


@pytest.mark.parametrize(
    "others",
    [
        {(66, 40): tick(moment(300, 1), 0.0, 9.0)},  # one alone may be chance
        {(66, 40): tick(300, 0.0, 9.0), (68, 40): tick(300, 0.0, 9.0)},  # the same moment of the notes, not of a sample
        {(65, 40): tick(300, 0.0, 9.0), (78, 40): tick(moment(300, 13), 0.0, 9.0)},  # its own key, and one far away
        {(66, 40): tick(moment(300, 1), 0.0, 3.5), (67, 40): tick(moment(300, 2), 0.0, 3.5)},  # hardly to be seen
    ],
)
def test_what_only_looks_like_it_leaves_the_click_a_fault(others: dict[tuple[int, int], Tick]) -> None:
    (found,) = judged({(65, 100): CLICK, **others})
    assert (found.key, found.reason) == (65, "")


def test_where_such_clicks_are_everywhere_that_they_meet_says_nothing() -> None:
    rough = dict.fromkeys(range(65, 430, 6), 9.0)
    crackling = {(key, velocity): tick(0, 0.0, 0.0, rough) for key in range(66, 70) for velocity in (40, 100)}
    (found,) = judged({(65, 100): CLICK, **crackling})
    assert found.reason == ""


def test_many_notes_with_a_click_of_their_own_are_one_fault() -> None:
    several = {(60 + number, 100): tick(100 + 37 * number, 100.0 + number) for number in range(MANY + 1)}
    (found,) = judged(several)
    assert (found.key, found.velocity, len(found.slots), found.value) == (-1, -1, MANY + 1, 100.0 + MANY)
    assert len(judged(dict(list(several.items())[:MANY]))) == MANY


def test_too_few_notes_say_nothing() -> None:
    slot = Slot(kind="note", title="", start=0, end=700, notes=(Note(0, 450, 60, 100),))
    assert clicked([slot] * (FEWEST - 1), dict.fromkeys(range(FEWEST - 1), CLICK)) == []


# The dry sample


def sample(click: float | None = None, loop: tuple[int, int] | None = None) -> Dry:
    data = tone(1.2)
    if click is not None:
        data[int(click * RATE)] += 0.2
    return Dry(data[:, None], RATE, 60.0, loop)


@pytest.mark.parametrize("key", [60, 63, 55])
def test_a_click_that_stands_in_the_sample_is_none_of_the_bounce(key: int) -> None:
    at = round(300 * 2 ** (-(key - 60) / 12))
    heard = {(key, 100): tick(at, 200.0)}
    assert judged(heard, lambda _: [sample(), sample(0.3)]) == []
    assert [one.key for one in judged(heard, lambda _: [sample()])] == [key]
    assert [one.key for one in judged(heard, lambda _: [sample(0.2)])] == [key], "it stands elsewhere in the sample"
    assert [one.key for one in judged(heard, lambda _: [])] == [key]


def test_what_stands_out_of_the_sample_much_less_than_of_the_note_does_not_excuse_it() -> None:
    cracked = sample(0.3)
    standing = played(cracked, 60, RATE, LENGTH).near(300, 3)
    assert standing is not None
    assert judged({(60, 100): tick(300, 200.0, 4.5 * standing)}, lambda _: [cracked]) == []
    assert judged({(60, 100): tick(300, 200.0, 5.5 * standing)}, lambda _: [cracked])


def test_a_seam_is_found_where_the_loop_is_unrolled() -> None:
    broken = (int(0.1 * RATE), int(0.25 * RATE) + 37)
    found = played(sample(loop=broken), 60, RATE, LENGTH)
    assert found.near(1000 * broken[1] / RATE, 3) > 10  # type: ignore[operator]
    assert judged({(60, 100): tick(round(1000 * broken[1] / RATE), 200.0)}, lambda _: [sample(loop=broken)]) == []
    whole = (int(0.1 * RATE), int(0.1 * RATE) + round(33 * RATE / 220))
    assert played(sample(loop=whole), 60, RATE, LENGTH).peak == 0


def test_a_sample_that_is_too_short_or_lies_about_its_loop_says_nothing() -> None:
    short = Dry(tone(0.1)[:, None], RATE, 60.0)
    assert judged({(60, 100): CLICK}, lambda _: [short])
    assert judged({(60, 100): CLICK}, lambda _: [Dry(tone(0.1)[:, None], RATE, 60.0, (5, 5))])
