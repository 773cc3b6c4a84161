"""Verdicts on keys from tones set by hand: silent, off pitch, louder or softer, upside down, hanging; at each limit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from typing import Any

import msgspec
import numpy as np
import pytest

from companion.trials.performance import level_verdicts as levels
from companion.trials.performance.heards import Heards
from companion.trials.performance.hearing import Rest, Tone
from companion.trials.performance.judged import Verdict
from companion.trials.performance.keys_verdicts import (
    MAY_BE_OCTAVE,
    UNLIKE,
    inverted,
    judge_keys,
    off_pitch,
    silent,
    stuck,
)
from companion.trials.performance.level_verdicts import level_steps
from companion.trials.performance.score import Note, Slot
from companion.trials.performance.timing import Rise

KEYS = range(48, 73)
SOFT, HARD = 40, 100
Change = Callable[[int, int], Mapping[str, Any]]


@cache
def spectrum(seed: int = 0) -> Any:
    """Partials at random on a scale of cents, of length one."""
    whole = np.abs(np.random.default_rng(seed).standard_normal(960)) ** 6
    return (whole / np.linalg.norm(whole)).astype(np.float32)


def moved(key: int, cents: float = 0.0, seed: int = 0) -> Any:
    return np.roll(spectrum(seed), 10 * (key - KEYS[0]) + round(cents / 10))


def heard(change: Change = lambda key, touch: {}, touches: tuple[int, ...] = (SOFT, HARD)) -> Heards:
    """Keys that play one sample, 14 dB louder when played hard; ``change(key, touch)`` says what is otherwise.

    cents, seed: of its spectrum. by: dB louder. Else as a tone has it.
    """
    slots: dict[int, Slot] = {}
    tones: dict[int, Tone] = {}
    for touch in touches:
        for key in KEYS:
            number, own = len(slots), dict(change(key, touch))
            slots[number] = Slot(kind="note", title="", start=0, end=700, notes=(Note(0, 450, key, touch),))
            level = (-34.0 if touch == SOFT else -20.0) + own.pop("by", 0.0)
            cents = moved(key, own.pop("cents", 0.0), own.pop("seed", 0))
            values = {"before": -90.0, "loud": level, "level": level, "after": -80.0, "peak": 0.1, "late": level}
            tones[number] = Tone(**{**values, "cents": cents, **own})
    return Heards(slots=slots, tones=tones)


def one(key: int, **own: Any) -> Change:
    return lambda other, touch: own if other == key else {}


def told(verdicts: list[Verdict]) -> dict[int, str]:
    """The reason, or none, by key."""
    return {verdict.key: verdict.reason for verdict in verdicts}


# Levels


@pytest.mark.parametrize(("by", "keys"), [(6.0, {60}), (-6.0, {60}), (4.6, {60}), (4.3, set()), (-4.3, set())])
def test_a_key_off_its_like_by_more_than_the_limit_at_both_touches(by: float, keys: set[int]) -> None:
    found = level_steps(heard(one(60, by=by)))
    assert {verdict.key for verdict in found if not verdict.reason} == keys
    assert all(verdict.value == pytest.approx(by, abs=0.1) and len(verdict.slots) == 2 for verdict in found)


def test_a_key_off_at_one_touch_is_asked_by_ear() -> None:
    found = told(level_steps(heard(lambda key, touch: {"by": 6.0} if (key, touch) == (60, HARD) else {})))
    assert list(found) == [60]
    assert "one touch" in found[60]
    assert told(level_steps(heard(lambda key, touch: {"by": 3.0} if (key, touch) == (60, HARD) else {}))) == {}


def test_a_key_louder_at_one_touch_and_softer_at_the_other_is_no_step_of_its_own() -> None:
    found = level_steps(heard(lambda key, touch: {"by": 6.0 if touch == HARD else -6.0} if key == 60 else {}))
    assert all(found_one.reason for found_one in found)


def test_two_keys_beside_each_other_may_be_the_level_of_their_sample() -> None:
    found = told(level_steps(heard(lambda key, touch: {"by": 6.0} if key in (60, 61) else {})))
    assert found == {60: levels.SHARED, 61: levels.SHARED}
    assert told(level_steps(heard(lambda key, touch: {"by": 6.0} if key in (60, 62) else {}))) == {60: "", 62: ""}
    apart = told(level_steps(heard(lambda key, touch: {60: {"by": 6.0}, 61: {"by": -6.0}}.get(key, {}))))
    assert apart == {60: "", 61: ""}


def test_where_levels_move_by_themselves_a_step_may_hide_and_is_asked_by_ear() -> None:
    draw = np.random.default_rng(3)
    strays = {(key, touch): float(draw.normal(0, 2.5)) for key in KEYS for touch in (SOFT, HARD)}
    found = level_steps(heard(lambda key, touch: {"by": strays[key, touch]}))
    assert found
    assert all("6 dB may hide" in verdict.reason for verdict in found)


def test_where_touches_of_some_keys_leap_apart_a_step_at_both_touches_may_be_chance() -> None:
    def change(leap: float) -> Change:
        def by(key: int, touch: int) -> Mapping[str, Any]:
            if key == 60:
                return {"by": 6.0}
            return {"by": leap if touch == HARD else -leap} if key in (49, 55, 66, 72) else {}

        return by

    assert told(level_steps(heard(change(0.5)))) == {60: ""}
    assert "may hide" in told(level_steps(heard(change(3.0))))[60]


@pytest.mark.parametrize(("differ", "keys"), [(0.0, {60}), (0.6, set())])
def test_a_gain_is_the_same_at_every_touch_and_what_moves_by_itself_is_not(differ: float, keys: set[int]) -> None:
    draw = np.random.default_rng(6)
    strays = {(key, touch): float(draw.normal(0, 1.7)) for key in KEYS for touch in (SOFT, HARD)}

    def change(key: int, touch: int) -> Mapping[str, Any]:
        return {"by": 5.6 + (differ if touch == HARD else 0.0) if key == 60 else strays[key, touch]}

    assert {key for key, reason in told(level_steps(heard(change))).items() if not reason} == keys


@pytest.mark.parametrize(("beside", "reason"), [(range(0), ""), (range(65, 68), "one touch")])
def test_a_key_heard_at_one_touch_is_told_where_nearly_all_its_like_agree(beside: range, reason: str) -> None:
    def change(key: int, touch: int) -> Mapping[str, Any]:
        if key == 60:
            return {"by": 7.0, **({"before": -20.0} if touch == SOFT else {})}
        return {"by": 5.0} if key in beside else {}

    assert reason in (found := told(level_steps(heard(change)))[60])
    assert bool(found) == bool(reason)


@pytest.mark.parametrize(("by", "keys"), [(8.0, {60}), (-8.0, {60}), (3.0, set())])
def test_a_key_without_its_like_is_held_against_those_beside_it(by: float, keys: set[int]) -> None:
    assert {k for k, reason in told(level_steps(heard(one(60, by=by, seed=1)))).items() if not reason} == keys


def test_a_key_without_its_like_is_asked_by_ear_where_levels_move() -> None:
    draw = np.random.default_rng(4)
    strays = {(key, touch): float(draw.normal(0, 0.9)) for key in KEYS for touch in (SOFT, HARD)}

    def change(key: int, touch: int) -> Mapping[str, Any]:
        return {"by": 8.0, "seed": 1} if key == 60 else {"by": strays[key, touch]}

    assert told(level_steps(heard(change)))[60] == levels.NO_LIKE


def test_a_step_between_two_halves_of_the_keys_is_no_fault_of_a_key() -> None:
    assert told(level_steps(heard(lambda key, touch: {"by": 6.0} if key >= 60 else {}))) == {}


def test_what_is_skipped_or_hardly_heard_says_nothing_of_levels() -> None:
    keys = heard(one(60, by=6.0))
    skip = frozenset(number for number, slot in keys.slots.items() if slot.notes[0].key == 60)
    assert level_steps(keys, skip) == []
    assert level_steps(heard(one(60, by=6.0, before=-10.0))) == []


# Silent


@pytest.mark.parametrize(
    ("own", "outcome"),
    [
        ({"loud": -90.0}, ""),
        ({"loud": -84.5}, ""),  # 5.5 dB above what was there, and far below its neighbours
        ({"loud": -83.5}, None),  # it does rise
        # Something rings, 15 dB below what the key should be, and nothing begins.
        ({"loud": -32.5, "before": -35.0}, ""),
        ({"loud": -31.5, "before": -35.0}, None),
        ({"loud": -30.5, "before": -33.0}, None),
        ({"loud": -24.5, "before": -25.0}, "rang before"),
        ({"loud": -22.0, "before": -25.0}, None),
    ],
)
def test_a_key_that_is_not_heard_to_begin(own: dict[str, float], outcome: str | None) -> None:
    found = silent(heard(one(60, **own), touches=(HARD,)))
    if outcome is None:
        assert found == []
    else:
        (verdict,) = found
        assert (verdict.key, verdict.velocity, len(verdict.slots)) == (60, HARD, 1)
        assert outcome in verdict.reason if outcome else not verdict.reason


def test_where_nothing_sounds_there_is_no_neighbour_to_say_so() -> None:
    assert silent(heard(lambda key, touch: {"loud": -90.0})) == []


# Pitch


@pytest.mark.parametrize(("cents", "keys"), [(100, {60}), (-100, {60}), (30, {60}), (20, set()), (-30, {60})])
def test_a_key_elsewhere_than_its_neighbours_say(cents: float, keys: set[int]) -> None:
    found = off_pitch(heard(one(60, cents=cents)))
    assert set(told(found)) == keys
    assert all(verdict.value == pytest.approx(cents, abs=2) and not verdict.reason for verdict in found)


def test_the_tuning_that_a_key_shares_with_one_beside_it_is_their_samples_up_to_35_cents() -> None:
    def both(cents: float) -> dict[int, str]:
        return told(off_pitch(heard(lambda key, touch: {"cents": cents} if key in (60, 61) else {})))

    assert both(30) == {}
    assert both(40) == {60: "", 61: ""}


def test_where_keys_are_less_in_tune_no_less_than_35_cents_is_told() -> None:
    loose = {key: float(np.random.default_rng(key).choice([-10, 10])) for key in KEYS}
    for cents, keys in ((30, set()), (50, {60})):
        found = off_pitch(heard(lambda key, touch, cents=cents: {"cents": loose[key] if key != 60 else cents}))  # type: ignore[misc]
        assert set(told(found)) == keys
        assert all(verdict.bound == 35 for verdict in found)


def test_a_key_unlike_its_neighbours_is_asked_by_ear_and_a_kit_as_a_whole() -> None:
    assert "not like its neighbours" in told(off_pitch(heard(one(60, seed=1))))[60]
    kit = off_pitch(heard(lambda key, touch: {"seed": key}))
    assert {verdict.reason for verdict in kit} == {UNLIKE}
    assert {verdict.rule for verdict in kit} == {"note-off-pitch", "note-level-step"}
    assert {verdict.key for verdict in kit} == set(KEYS)


# Softer when played harder


@pytest.mark.parametrize(("hard", "keys"), [(-38.0, {60}), (-36.9, set()), (-30.0, set())])
def test_a_harder_touch_that_is_softer(hard: float, keys: set[int]) -> None:
    found = inverted(heard(lambda key, touch: {"loud": hard} if (key, touch) == (60, HARD) else {}))
    assert set(told(found)) == keys
    assert all(verdict.value == pytest.approx(-34 - hard) and len(verdict.slots) == 2 for verdict in found)


def test_a_soft_touch_that_is_not_heard_to_begin_proves_nothing() -> None:
    def change(key: int, touch: int) -> Mapping[str, Any]:
        if key != 60:
            return {}
        return {"loud": -30.0, "before": -33.0} if touch == SOFT else {"loud": -50.0}

    assert inverted(heard(change)) == []


# Hanging


def rests(*levels_: float, falls: float = 0.0) -> tuple[Heards, dict[int, Rest]]:
    """Three notes before each rest; between them it is as quiet as in the rest behind. Levels of the rests in dB."""
    slots: dict[int, Slot] = {}
    tones: dict[int, Tone] = {}
    found: dict[int, Rest] = {}
    for turn, level in enumerate(levels_):
        found[len(slots)] = Rest(level + falls, level)
        slots[len(slots)] = Slot(kind="rest", title="", start=0, end=1)
        for key in range(3):
            number = len(slots)
            slots[number] = Slot(kind="note", title="", start=0, end=1, notes=(Note(0, 1, 60 + 3 * turn + key, HARD),))
            before = level if key < 2 else levels_[min(turn + 1, len(levels_) - 1)]
            tones[number] = Tone(before=before, loud=-20, level=-20, after=before, peak=0.1)
    return Heards(slots=slots, tones=tones), found


def test_rests_that_stay_filled_tell_the_note_before_the_first_gap_that_is_filled() -> None:
    (verdict,) = stuck(*rests(-80, -80, -40, -40))
    assert (verdict.rule, verdict.key, verdict.value) == ("note-stuck", 64, 40)


@pytest.mark.parametrize(
    "levels_", [(-80, -80, -80), (-80, -40, -80), (-40, -80, -80), (-80, -79.5, -79.2), (-80,), ()]
)
def test_rests_that_are_quiet_again_or_hardly_louder_tell_nothing(levels_: tuple[float, ...]) -> None:
    assert stuck(*rests(*levels_)) == []


def test_what_falls_within_its_rests_dies_away_and_does_not_hang() -> None:
    assert stuck(*rests(-80, -40, -40, falls=3.0))
    assert stuck(*rests(-80, -40, -40, falls=8.0)) == []


# One root cause


def judged(keys: Heards, rises: Mapping[int, Rise] | None = None) -> set[tuple[str, int]]:
    slots = [keys.slots[number] for number in sorted(keys.slots)]
    return {(v.rule, v.key) for v in judge_keys(slots, keys.tones, {}, rises) if not v.reason}


def test_a_fault_that_explains_others_is_told_alone() -> None:
    assert judged(heard(one(60, cents=1200, by=6.0))) == {("note-off-pitch", 60)}
    assert judged(heard(one(60, late=-80.0, level=-26.0))) == {("note-short", 60)}
    assert judged(heard(one(60, loud=-90.0, level=-90.0))) == {("note-silent", 60)}
    upside = heard(lambda key, touch: {"by": 6.0 if touch == SOFT else -12.0} if key == 60 else {})
    assert judged(upside) == {("velocity-inverted", 60)}
    assert judged(heard()) == set()


def test_neither_one_side_nor_a_late_key_says_anything_of_levels() -> None:
    assert judged(heard(one(60, side=30.0, by=6.0))) == {("note-aside", 60), ("note-level-step", 60)}
    keys = heard()
    late = {n: Rise(0.07 if slot.notes[0].key == 60 else 0.005, 0.01) for n, slot in keys.slots.items()}
    assert judged(keys, late) == {("note-late", 60)}


@pytest.mark.parametrize(("before", "rules"), [(-59.0, {"velocity-inverted"}), (-70.0, {"note-silent"})])
def test_a_hard_note_that_is_not_heard_may_be_a_softer_one_under_what_rings(before: float, rules: set[str]) -> None:
    """Its soft touch is heard at −34 dB: what rang 25 dB under that may hide it, what lies 36 dB under does not."""

    def change(key: int, touch: int) -> Mapping[str, Any]:
        return {"loud": before + 2.5, "before": before} if (key, touch) == (60, HARD) else {}

    assert {rule for rule, key in judged(heard(change)) if key == 60} == rules


@pytest.mark.parametrize(("alike", "lead", "judged_"), [(0.34, 0.5, False), (0.36, 0.5, True), (0.9, 0.05, False)])
def test_spectra_hardly_alike_or_alike_anywhere_say_nothing_of_pitch(alike: float, lead: float, judged_: bool) -> None:
    keys = heard()
    pairs = [msgspec.structs.replace(pair, alike=alike, lead=lead) for pair in keys.likenesses]
    keys.__dict__["likenesses"] = tuple(pairs)
    assert (not off_pitch(keys)) == judged_


@pytest.mark.parametrize(("every", "reason"), [(2, MAY_BE_OCTAVE), (4, None)])
def test_a_key_that_some_neighbours_find_an_octave_away_is_asked_by_ear(every: int, reason: str | None) -> None:
    """An octave up, half of its partials are where they were; next to none of its neighbours is sure of either."""
    keys = heard()
    pairs = []
    for number, pair in enumerate(keys.likenesses):
        away = 60 in pair.keys and number % every == 0
        pairs.append(msgspec.structs.replace(pair, error=1200.0, lead=0.01) if away else pair)
    keys.__dict__["likenesses"] = tuple(pairs)
    assert told(off_pitch(keys)).get(60) == reason
