"""Keys that begin late, end early or come from another side than the keys around them. Pure.

Each key is held against the nearest ones on both sides, touch by touch. What a key shares with one beside it is how
their sample is, and the sound step tells of that.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

import msgspec
import numpy as np

from companion.trials.performance.heards import RISE_DB, Heards
from companion.trials.performance.judged import Verdict
from companion.trials.performance.timing import Rise

LATE_MS: Final = 30.0
"""Two sounds this far apart begin together to most ears (common practice, no source)."""
OF_THE_RISE: Final = 0.6
"""By so much of its own rise a note must be late as well: a slow attack begins at no one moment."""
SHORT_DB: Final = 18.0
"""So much further than that of the keys around it a note has fallen before it is let go of."""
GONE_DB: Final = 24.0
"""And so far in all: what is cut short is hardly there any more."""
ASIDE_DB: Final = 9.0
TAILS: Final = 2.2
"""By so many times what nine of ten keys differ from those around them a key must stand apart."""
LEAST_OF: Final = 0.8
"""At each touch it stands apart by this share of the limit."""
SHARED: Final = 0.5
"""A key beside it that stands apart by this share of it plays the same sample."""
NEAR: Final = 4
"""Keys on each side that one is held against,"""
WITHIN: Final = 7
"""no further away than so many semitones,"""
FEWEST: Final = 4
"""and no fewer than so many of them."""
FEWEST_KEYS: Final = 12

ByTouch = Mapping[int, Mapping[int, float]]
"""What was measured, by velocity and key."""


class Apart(msgspec.Struct, frozen=True):
    """By how much a key is apart from those around it, and which limit that exceeds."""

    value: float
    bound: float


def standing_apart(values: ByTouch, least: float) -> dict[int, Apart]:
    """Return the keys that stand apart from those around them, the same way at each touch they were heard at."""
    offs = _offs(values)
    if len(offs) < FEWEST_KEYS:
        return {}
    sizes = np.abs([off for several in offs.values() for off in several])
    bound = max(least, TAILS * float(np.quantile(sizes, 0.9)))
    means = {key: float(np.mean(several)) for key, several in offs.items()}
    found = {}
    for key, several in offs.items():
        mean = means[key]
        # Along its own mean: a touch at which it stands apart the other way counts against it.
        if abs(mean) > bound and min(off * np.sign(mean) for off in several) > LEAST_OF * bound:
            beside = [means[other] for other in (key - 1, key + 1) if other in means]
            if not any(one / mean >= SHARED for one in beside):
                found[key] = Apart(mean, bound)
    return found


def _offs(values: ByTouch) -> dict[int, list[float]]:
    offs: dict[int, list[float]] = {}
    for of in values.values():
        for key, value in of.items():
            below = [of[other] for other in sorted(of) if key - WITHIN <= other < key][-NEAR:]
            above = [of[other] for other in sorted(of) if key < other <= key + WITHIN][:NEAR]
            if len(below) + len(above) >= FEWEST:
                offs.setdefault(key, []).append(value - float(np.median(below + above)))
    return offs


def judge_apart(heard: Heards, rises: Mapping[int, Rise], skip: frozenset[int] = frozenset()) -> list[Verdict]:
    """Return every verdict of this kind. rises: how notes begin, by slot. skip: slots that say nothing."""
    numbers = heard.clear(skip)
    return [*_late(numbers, rises), *_short(numbers, heard), *_aside(numbers, heard)]


def _late(numbers: Mapping[int, Mapping[int, int]], rises: Mapping[int, Rise]) -> Iterator[Verdict]:
    begins = {touch: {k: 1000 * rises[n].at for k, n in of.items() if n in rises} for touch, of in numbers.items()}
    for key, off in standing_apart(begins, LATE_MS).items():
        slots = _slots(numbers, key, begins)
        if off.value > OF_THE_RISE * 1000 * max(rises[number].span for number in slots):
            yield Verdict(rule="note-late", key=key, slots=slots, value=off.value, bound=off.bound)


def _short(numbers: Mapping[int, Mapping[int, int]], heard: Heards) -> Iterator[Verdict]:
    falls = {
        touch: {k: heard.tones[n].loud - heard.tones[n].late for k, n in of.items()} for touch, of in numbers.items()
    }
    for key, off in standing_apart(falls, SHORT_DB).items():
        slots = _slots(numbers, key, falls)
        if min(heard.tones[number].loud - heard.tones[number].late for number in slots) >= GONE_DB and off.value > 0:
            yield Verdict(rule="note-short", key=key, slots=slots, value=off.value, bound=off.bound)


def _aside(numbers: Mapping[int, Mapping[int, int]], heard: Heards) -> Iterator[Verdict]:
    sides = {
        touch: {k: heard.tones[n].side for k, n in of.items() if heard.tones[n].rises >= 2 * RISE_DB}
        for touch, of in numbers.items()
    }
    for key, off in standing_apart(sides, ASIDE_DB).items():
        slots = _slots(numbers, key, sides)
        yield Verdict(rule="note-aside", key=key, slots=slots, value=off.value, bound=off.bound)


def _slots(numbers: Mapping[int, Mapping[int, int]], key: int, heard_at: ByTouch) -> tuple[int, ...]:
    return tuple(of[key] for touch, of in numbers.items() if key in heard_at[touch])
