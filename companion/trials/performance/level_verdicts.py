"""Keys that are louder or softer than those that sound like them. Pure.

Keys that play one recording are much alike once they are moved over each other, and differ by their gains alone. So a
key is held against its like; only where it has none, against those on both sides of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import msgspec
import numpy as np

from companion.trials.performance.heards import Heards
from companion.trials.performance.hearing import Tone
from companion.trials.performance.judged import Verdict

STEP_DB: Final = 4.5
SPREADS: Final = 3.5
"""How many standard deviations a step is at least, of what keys differ from their like."""
HIDES_DB: Final = 5.0
"""Where a step must be larger than this to be told, none found says nothing."""
HIDES_ONCE_DB: Final = 6.0
"""And so where the key was heard at one touch."""
ALIKE: Final = 0.8
AGREE_DB: Final = 3.0
AGREE: Final = 0.6
"""Of a key's like, how many say the same of it within :data:`AGREE_DB`, weighted by how alike they are."""
DOUBT: Final = 0.75
"""A key that is off by this share of the limit at one touch, and not at all of them, is not judged."""
CALM_DB: Final = 0.4
"""Where keys stray further from their like than this, levels move by themselves: one touch is not enough, and a key
that has no like is not judged by those beside it."""
SURE: Final = 0.8
"""So many of its like must agree on a key that is heard at one touch only."""
LEAP: Final = 0.7
COHERENT_DB: Final = 0.3
MOST_DB: Final = 3.0
LIKEWISE: Final = 0.6
"""A key beside it that is off by this share of it is off as well."""
SHARED: Final = "keys beside it are as far off: it may be the level of their sample"
NO_LIKE: Final = "no key beside it sounds like it"
FEWEST: Final = 8
AROUND: Final = 6
"""Semitones on both sides within which levels move by themselves about as much."""
NEAR_LEVELS: Final = 5
"""Keys on each side that a level is held against: more than share one sample."""
EDGE: Final = 1.5
_EIGHTY: Final = 1.2816
"""Eight of ten values of a normal distribution lie within so many standard deviations."""


class Off(msgspec.Struct, frozen=True):
    """By how many dB a key at one touch is louder than its like. share: of them, how many agree. number: its slot."""

    decibels: float
    share: float
    number: int


def level_steps(heard: Heards, skip: frozenset[int] = frozenset()) -> list[Verdict]:
    """Return keys that are louder or softer than their like at every touch, and those that cannot be judged."""
    offs = _offs(heard, skip)
    values = np.abs([one.decibels for several in offs.values() for one in several])
    keys = sorted({key for numbers in heard.clear(skip).values() for key in numbers})
    if len(values) < FEWEST:
        return _beside(heard, skip, frozenset(keys))
    # Over the touches that a key was heard at.
    usual = float(np.quantile(values, 0.8)) / _EIGHTY / np.sqrt(2)
    found: list[Verdict] = []
    leaps = _leaps(offs)
    for key, several in offs.items():
        strays = max(usual, _local(offs, key))
        limit = max(STEP_DB, SPREADS * strays, leaps) * (1.0 if len(several) > 1 else 1.25)
        once = len(several) < 2 and (strays > CALM_DB or several[0].share < SURE)
        found += _judged(key, several, limit, once=once)
    found = [_shared(verdict, offs) for verdict in found]
    alone = frozenset(keys) - offs.keys()
    if usual <= CALM_DB:
        return [*found, *_beside(heard, skip, alone)]
    numbers = heard.clear(skip).values()
    return [
        *found,
        *(
            Verdict(
                rule="note-level-step", key=key, slots=tuple(of[key] for of in numbers if key in of), reason=NO_LIKE
            )
            for key in sorted(alone)
        ),
    ]


def _local(offs: Mapping[int, list[Off]], key: int) -> float:
    """Return the standard deviation of what a key is off over its touches, by how they differ in keys around it.

    A gain is the same at every touch. What moves by itself, a chorus over the few partials of high notes, is not, and
    does so in one part of the keys more than in another.
    """
    values = [[one.decibels for one in several] for other, several in offs.items() if abs(other - key) <= AROUND]
    squares = [float(np.var(several, ddof=1)) / len(several) for several in values if len(several) > 1]
    return float(np.sqrt(np.mean(squares))) if len(squares) >= FEWEST // 2 else 0.0


def _leaps(offs: Mapping[int, list[Off]]) -> float:
    """Return what a step must exceed so that it is no chance: two touches of one key may both lie off by themselves.

    Of independent touches as many leap the same way as leap apart; one key in twenty does the latter by so much.
    """
    apart = [abs(several[0].decibels - several[1].decibels) for several in offs.values() if len(several) > 1]
    return float(np.quantile(apart, 0.95)) / LEAP if len(apart) >= FEWEST else 0.0


def _shared(verdict: Verdict, offs: Mapping[int, list[Off]]) -> Verdict:
    """Return a verdict, but unjudged where a key beside it is as far off: then it is their sample, and not the key."""
    if verdict.reason:  # and it may stand out in both directions, by nothing all in all
        return verdict
    beside = [[one.decibels for one in offs[key]] for key in (verdict.key - 1, verdict.key + 1) if key in offs]
    like = any(min(value / verdict.value for value in several) > LIKEWISE for several in beside)
    return msgspec.structs.replace(verdict, reason=SHARED) if like else verdict


def _judged(key: int, several: list[Off], limit: float, *, once: bool) -> list[Verdict]:
    """Return the verdict on a key, or none where it is fine. once: it was heard at one touch, which is too little."""
    decibels = [one.decibels for one in several]
    mean, slots = float(np.mean(decibels)), tuple(one.number for one in several)
    if len(decibels) > 1 and max(decibels) - min(decibels) <= COHERENT_DB and limit < STEP_DB + MOST_DB:
        # What moves by itself hardly ever does by the same tenths of a decibel at every touch; a gain does.
        limit = min(limit, STEP_DB + 0.5)
    same = len({value > 0 for value in decibels}) == 1 and min(map(abs, decibels)) > 0.6 * limit
    sure = min(one.share for one in several) >= AGREE
    verdict = Verdict(rule="note-level-step", key=key, slots=slots, value=mean, bound=limit)
    if same and sure and not once and abs(mean) > limit:
        return [verdict]
    reason = "it has its like at one touch only" if once else ""
    if limit > (HIDES_DB if len(several) > 1 else HIDES_ONCE_DB):
        reason = "levels move by themselves here, so that a step of 6 dB may hide"
    elif max(map(abs, decibels)) > DOUBT * limit or (not sure and abs(mean) > STEP_DB / 2):
        reason = "it stands out at one touch, or against some of its like"
    return [msgspec.structs.replace(verdict, reason=reason)] if reason else []


def _offs(heard: Heards, skip: frozenset[int]) -> dict[int, list[Off]]:
    """Return, by key, how far it is off its like at each touch at which it has two of them or more."""
    like: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for pair in heard.likenesses:
        if pair.alike < ALIKE or skip & set(pair.numbers):
            continue
        low, high = (heard.tones[number] for number in pair.numbers)
        # The whole and its partials, each by half: a chorus moves the one more, a change of tone the other.
        step = (_step(high, low, pair.keys[1] - pair.keys[0], True) + high.level - low.level) / 2
        weight = (pair.alike - ALIKE + 0.02) ** 2
        like.setdefault((pair.keys[0], pair.numbers[0]), []).append((-step, weight))
        like.setdefault((pair.keys[1], pair.numbers[1]), []).append((step, weight))
    found: dict[int, list[Off]] = {}
    for (key, number), several in like.items():
        if len(several) > 1:
            steps, weights = np.array(several).T
            middle = _weighted_median(steps, weights)
            share = float(weights[np.abs(steps - middle) < AGREE_DB].sum() / weights.sum())
            found.setdefault(key, []).append(Off(middle, share, number))
    return found


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    order = np.argsort(values)
    sums = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(sums, sums[-1] / 2)])


def _beside(heard: Heards, skip: frozenset[int], wanted: frozenset[int]) -> list[Verdict]:
    """Return those of ``wanted`` that are louder or softer than the keys on both sides of them, at every touch.

    A step between two groups of keys is none: there one side agrees. Levels are compared in two ways, whole and
    partial by partial, and the one that scatters less over this instrument is believed.
    """
    ways = [_gaps(heard, skip, by_bands=by_bands) for by_bands in (False, True)]
    usable = [gaps for gaps in ways if sum(map(len, gaps.values())) >= FEWEST]
    if not usable or not wanted:
        return []

    def scatter(gaps: Mapping[int, list[tuple[float, float, int]]]) -> float:
        means = [abs(float(np.mean([middle for middle, _, _ in several]))) for several in gaps.values()]
        return float(np.median(means)) * 1.4826

    gaps = min(usable, key=scatter)
    limit = max(STEP_DB, SPREADS * scatter(gaps))
    ends = {key for key in gaps if key in (*sorted(gaps)[:2], *sorted(gaps)[-2:])}
    found = []
    for key in sorted(wanted & gaps.keys()):
        least = [side for _, side, _ in gaps[key]]
        mean = float(np.mean([middle for middle, _, _ in gaps[key]]))
        same = len({gap > 0 for gap in least}) == 1 and min(map(abs, least)) > 0.5 * limit
        # Heard at several touches a step is surer than at one, and at the end of the keys less sure than between them.
        bound = limit * (EDGE if key in ends else 1.0) * (0.9 if len(gaps[key]) > 1 else 1.1)
        slots = tuple(number for _, _, number in gaps[key])
        verdict = Verdict(rule="note-level-step", key=key, slots=slots, value=mean, bound=bound)
        if same and abs(mean) > bound:
            found.append(verdict)
        elif bound > EDGE * HIDES_DB:
            found.append(msgspec.structs.replace(verdict, reason=NO_LIKE))
    return found


def _gaps(heard: Heards, skip: frozenset[int], *, by_bands: bool) -> dict[int, list[tuple[float, float, int]]]:
    """Return by key, for each touch: dB against the middle of both sides, against the side that is nearer (0 where the
    sides disagree), and the slot.
    """
    gaps: dict[int, list[tuple[float, float, int]]] = {}
    for numbers in heard.clear(skip).values():
        keys = sorted(numbers)
        for place, key in enumerate(keys):
            sides = []
            for near in (keys[max(0, place - NEAR_LEVELS) : place], keys[place + 1 : place + 1 + NEAR_LEVELS]):
                one = [_step(heard.tones[numbers[key]], heard.tones[numbers[k]], key - k, by_bands) for k in near]
                if one:
                    sides.append(float(np.median(one)))
            if sides:
                nearer = min(sides, key=abs) if len({side > 0 for side in sides}) == 1 else 0.0
                gaps.setdefault(key, []).append((float(np.mean(sides)), nearer, numbers[key]))
    return gaps


def _step(one: Tone, other: Tone, keys: int, by_bands: bool) -> float:
    """Return by how many dB ``one`` is louder than ``other``, ``keys`` semitones below it."""
    if not by_bands or one.bands is None or other.bands is None:
        return one.level - other.level
    moved = np.roll(other.bands, keys)
    inside = slice(max(0, keys), len(moved) + min(0, keys))
    here, there = one.bands[inside], moved[inside]
    # Only where both have partials: elsewhere noise would be compared.
    strong = (here > here.max() - 35) & (there > there.max() - 35)
    if strong.sum() < 3:
        return one.level - other.level
    return float(np.median(here[strong] - there[strong]))
