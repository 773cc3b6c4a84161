"""Keys that begin late, end early or come from one side: on numbers set by hand, at the edges of each limit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from companion.trials.performance.apart_verdicts import (
    ASIDE_DB,
    FEWEST_KEYS,
    GONE_DB,
    LATE_MS,
    SHORT_DB,
    judge_apart,
    standing_apart,
)
from companion.trials.performance.heards import Heards
from companion.trials.performance.hearing import Tone, hear
from companion.trials.performance.judged import Verdict
from companion.trials.performance.score import Note, Slot
from companion.trials.performance.timing import Rise

KEYS = range(48, 73)
TOUCHES = (40, 100)
RATE = 8000


def touches(broken: Mapping[int, float], *, keys: range = KEYS, strays: float = 0.0) -> dict[int, dict[int, float]]:
    """Values by touch and key: 0, some that stray, and those that are broken at both touches."""
    draw = np.random.default_rng(2)
    return {touch: {key: broken.get(key, strays * float(draw.choice([-1, 1]))) for key in keys} for touch in TOUCHES}


def judged(
    *, tones: Mapping[int, dict[str, float]] | None = None, rises: Mapping[int, Rise] | None = None
) -> list[Any]:
    """Verdicts where keys were heard otherwise than the others, whose notes begin at once, last and lie in the middle.

    By rule, key and number of slots.
    """
    slots: dict[int, Slot] = {}
    heard: dict[int, Tone] = {}
    begun: dict[int, Rise] = {}
    for touch in TOUCHES:
        for key in KEYS:
            number = len(slots)
            slots[number] = Slot(kind="note", title="", start=0, end=700, notes=(Note(0, 450, key, touch),))
            values: dict[str, Any] = {
                "before": -90.0,
                "loud": -20.0,
                "level": -20.0,
                "after": -80.0,
                "peak": 0.1,
                "late": -20.0,
            }
            heard[number] = Tone(**values | (tones or {}).get(key, {}))
            begun[number] = (rises or {}).get(key, Rise(0.005, 0.01))
    found: list[Verdict] = judge_apart(Heards(slots=slots, tones=heard), begun)
    assert all(one.value and one.bound and not one.reason for one in found)
    return [(one.rule, one.key, len(one.slots)) for one in found]


def test_a_key_stands_apart_by_more_than_the_limit_at_every_touch() -> None:
    assert set(standing_apart(touches({60: 31.0}), LATE_MS)) == {60}
    assert standing_apart(touches({60: 29.0}), LATE_MS) == {}
    assert set(standing_apart(touches({60: -31.0}), LATE_MS)) == {60}
    once = touches({60: 60.0})
    once[40][60] = 0.0
    assert standing_apart(once, LATE_MS) == {}, "at one touch it does not"
    once[40][60] = -60.0
    assert standing_apart(once, LATE_MS) == {}


def test_what_keys_differ_by_anyway_sets_the_limit() -> None:
    (found,) = standing_apart(touches({60: 31.0}, strays=5.0), LATE_MS).values()
    assert found.bound == LATE_MS
    wide = touches({60: 60.0}, strays=16.0)
    assert standing_apart(wide, LATE_MS) == {}
    assert 60 in standing_apart(touches({60: 110.0}, strays=16.0), LATE_MS)


def test_keys_beside_each_other_that_are_alike_play_one_sample() -> None:
    assert standing_apart(touches({60: 50.0, 61: 50.0}), LATE_MS) == {}
    assert standing_apart(touches({60: 50.0, 61: 30.0}), LATE_MS) == {}, "nearly as far"
    assert set(standing_apart(touches({60: 50.0, 61: 20.0}), LATE_MS)) == {60}
    assert set(standing_apart(touches({60: 50.0, 61: -50.0}), LATE_MS)) == {60, 61}, "the other way is no company"
    assert set(standing_apart(touches({60: 50.0, 62: 50.0}), LATE_MS)) == {60, 62}


def test_too_few_keys_or_too_far_apart_are_not_held_against_each_other() -> None:
    few = range(48, 48 + FEWEST_KEYS - 1)
    assert standing_apart(touches({52: 50.0}, keys=few), LATE_MS) == {}
    assert set(standing_apart(touches({52: 50.0}, keys=range(48, 48 + FEWEST_KEYS)), LATE_MS)) == {52}
    assert standing_apart(touches({60: 50.0}, keys=range(24, 108, 4)), LATE_MS) == {}


def test_a_late_key_and_one_that_only_begins_slowly() -> None:
    assert judged(rises={60: Rise(0.06, 0.01)}) == [("note-late", 60, 2)]
    assert judged(rises={60: Rise(0.06, 0.1)}) == [], "most of that is its attack"
    assert judged(rises={60: Rise(0.03, 0.01)}) == []
    assert judged(rises={60: Rise(0.06, 0.01), 61: Rise(0.06, 0.01)}) == [], "their sample"


def test_a_key_that_begins_too_early_is_late_by_less_than_nothing() -> None:
    assert judged(rises={key: Rise(0.06 if key != 60 else 0.0, 0.01) for key in KEYS}) == []


def test_a_note_cut_short_and_one_that_falls_faster() -> None:
    assert judged(tones={60: {"late": -70.0}}) == [("note-short", 60, 2)]
    assert judged(tones={60: {"late": -20.0 - GONE_DB + 1}}) == [], "still there"
    falling = {key: {"late": -40.0} for key in KEYS}
    assert judged(tones=falling | {60: {"late": -39.0 - SHORT_DB}}) == [], "as all of them fall"
    assert judged(tones=falling | {60: {"late": -41.0 - SHORT_DB}}) == [("note-short", 60, 2)]
    assert judged(tones=falling | {60: {"late": -20.0}}) == [], "one that lasts longer is no fault"


def test_a_key_from_one_side_and_one_a_little_aside() -> None:
    assert judged(tones={60: {"side": 30.0}, 66: {"side": -ASIDE_DB - 1}}) == [
        ("note-aside", 60, 2),
        ("note-aside", 66, 2),
    ]
    assert judged(tones={60: {"side": ASIDE_DB - 1}}) == []
    assert judged(tones={60: {"side": 30.0, "before": -30.0}}) == [], "what rang before it lies where it lies"


def test_keys_spread_from_left_to_right_are_no_fault() -> None:
    assert judged(tones={key: {"side": 2.0 * (key - 60)} for key in KEYS}) == []


@pytest.mark.parametrize(
    ("left", "right", "side"), [(0.2, 0.1, -6.02), (0.1, 0.2, 6.02), (0.1, 0.0, -30), (0.1, 0.1, 0)]
)
def test_a_side_is_the_level_of_one_channel_against_the_other(left: float, right: float, side: float) -> None:
    tone = np.sin(2 * np.pi * 440 * np.arange(RATE) / RATE)[:, None]

    class Sound:
        rate, seconds = RATE, 1.0

        def read(self, first: float, last: float) -> Any:
            whole = np.concatenate((np.zeros((RATE, 2)), tone * np.array([left, right])))
            return whole[round((first + 1) * RATE) : round((last + 1) * RATE)].astype(np.float32)

    heard = hear(Sound(), 0.0, 0.45, 0.7)
    assert heard.side == pytest.approx(side, abs=0.01)
    assert heard.late == pytest.approx(heard.level, abs=0.1)
