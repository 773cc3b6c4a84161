"""Two bounces of one performance held against each other, slot by slot: the one made at home and the one made away.

What may differ between two honest bounces is allowed for: the host's volume (the median of all differences in level is
taken away), round robins and modulation that runs free (levels must differ by more than they scatter), a longer silence
before the first note, a latency, a clock that runs faster, another rate. Repeats are not compared: which take comes
first is a matter of chance; but how much their beginnings differ is allowed for.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

import msgspec
import numpy as np

from companion.core.progress import QUIET, Watch
from companion.trials.performance.align import Alignment, align
from companion.trials.performance.hearing import Rest, Tone, hear, hear_rest, shifted_by
from companion.trials.performance.judging import Sounding
from companion.trials.performance.listening import listen
from companion.trials.performance.score import Score
from companion.trials.performance.timing import Rise, hear_rise, late

RISE_DB: Final = 6.0
"""A note that lifts the sound by less than this is not heard to begin."""
CLEAR_DB: Final = 14.0
"""One that lifts it by this much is heard without a doubt."""
BELOW_DB: Final = 26.0
"""What is softer than at home by this much is silent."""
OFF_CENTS: Final = 35.0
LIKE: Final = 0.35
LEAD: Final = 0.06
"""Likeness of two spectra, and its lead over any other shift, from which a shift between them is believed."""
STEP_DB: Final = 4.5
STEP_SPREADS: Final = 3.5
"""By how much a level may stray from the others: in decibels, and in standard deviations of how they all stray."""
NOISE_DB: Final = 6.0
"""By how much the quiet may be louder away, once the volumes are matched."""
HEARD_DB: Final = -75.0
"""Noise below this, relative to full scale, is nobody's business."""
FEWEST: Final = 3
"""Notes that must be heard in both before volumes can be matched at all."""

What = Literal["missing", "pitch", "level", "timing", "noise"]


class Difference(msgspec.Struct, frozen=True, kw_only=True):
    """What differs away. slot: its number in the performance. value: cents or decibels, above home where positive;
    of timing, seconds, later where positive.
    """

    what: What
    slot: int
    value: float


class Compared(msgspec.Struct, frozen=True, kw_only=True):
    """How two bounces compare. slots: how many could be held against each other. gain: dB by which away is louder."""

    differences: tuple[Difference, ...]
    slots: int
    gain: float


class SideHeard(msgspec.Struct, frozen=True, kw_only=True):
    """What was heard of one bounce: notes, rests and how notes begin, by slot; takes: the same of repeats, by note."""

    tones: dict[int, Tone]
    rests: dict[int, Rest]
    rises: dict[int, Rise]
    takes: tuple[tuple[Rise, ...], ...] = ()


def compare(home: Sounding, away: Sounding, score: Score, watch: Watch = QUIET) -> Compared | None:
    """Return how ``away`` differs from ``home``; None where either is none of ``score``, or both hold too little."""
    watch.stage("Comparing with the bounce made at home", 2 * len(score.slots), "slots")
    here, there = _heard(home, score, watch), _heard(away, score, watch)
    if here is None or there is None:
        return None
    pairs = {number: (tone, there.tones[number]) for number, tone in here.tones.items() if number in there.tones}
    loud = {
        number: other.level - one.level
        for number, (one, other) in pairs.items()
        if one.rises >= RISE_DB and other.rises >= RISE_DB
    }
    if len(loud) < FEWEST:
        return None
    gain = float(np.median(list(loud.values())))
    found = [*_missing(pairs, gain), *_off_pitch(pairs), *_levels(loud, gain)]
    begin = late(here.rises, there.rises, here.takes)
    found += [Difference(what="timing", slot=number, value=seconds) for number, seconds in begin.items()]
    found += _noise(here.rests, there.rests, gain)
    return Compared(differences=tuple(found), slots=len(pairs), gain=gain)


def _heard(sound: Sounding, score: Score, watch: Watch) -> SideHeard | None:
    heard = listen(sound.blocks(watch), sound.rate)
    place = align(heard.onsets, heard.seconds, [on / 1000 for on in score.onsets], score.length / 1000)
    if place is None:
        return None
    tones: dict[int, Tone] = {}
    rests: dict[int, Rest] = {}
    rises: dict[int, Rise] = {}
    takes: dict[int, list[Rise]] = {}
    for number, slot in enumerate(score.slots):
        watch.step()
        if not _is_there(place, slot.start / 1000, slot.end / 1000, sound.seconds):
            continue
        if slot.kind == "rest":
            rests[number] = hear_rest(sound, place.at(slot.start / 1000), place.at(slot.end / 1000))
        elif slot.kind in ("note", "take") and len(slot.notes) == 1:
            note = slot.notes[0]
            on, off = place.at(note.on / 1000), place.at(note.off / 1000)
            rise = hear_rise(sound, on, off)
            if slot.kind == "take":
                takes.setdefault(note.key, []).extend([rise] if rise else [])
                continue
            tones[number] = hear(sound, on, off, place.at(slot.end / 1000))
            rises.update({number: rise} if rise else {})
    return SideHeard(tones=tones, rests=rests, rises=rises, takes=tuple(map(tuple, takes.values())))


def _is_there(place: Alignment, start: float, end: float, seconds: float) -> bool:
    return place.at(start) > -0.02 and place.at(end) < seconds + 0.3 and place.covers(start)


def _missing(pairs: Mapping[int, tuple[Tone, Tone]], gain: float) -> list[Difference]:
    return [
        Difference(what="missing", slot=number, value=other.loud - gain - one.loud)
        for number, (one, other) in pairs.items()
        if one.rises >= CLEAR_DB and other.rises < RISE_DB and other.loud - gain < one.loud - BELOW_DB
    ]


def _off_pitch(pairs: Mapping[int, tuple[Tone, Tone]]) -> list[Difference]:
    found = []
    for number, (one, other) in pairs.items():
        if one.cents is None or other.cents is None or min(one.rises, other.rises) < CLEAR_DB:
            continue
        error, likeness, lead = shifted_by(one.cents, other.cents, 0)
        if likeness >= LIKE and lead >= LEAD and abs(error) > OFF_CENTS:
            found.append(Difference(what="pitch", slot=number, value=error))
    return found


def _levels(loud: Mapping[int, float], gain: float) -> list[Difference]:
    strays = {number: value - gain for number, value in loud.items()}
    spread = 1.4826 * float(np.median(np.abs(list(strays.values()))))
    bound = max(STEP_DB, STEP_SPREADS * spread)
    return [
        Difference(what="level", slot=number, value=value) for number, value in strays.items() if abs(value) > bound
    ]


def _noise(home: Mapping[int, Rest], away: Mapping[int, Rest], gain: float) -> list[Difference]:
    """Return the rest in which the quiet differs the most, if it does: noise is one thing, wherever it is heard."""
    more = {
        number: away[number].late - gain - rest.late
        for number, rest in home.items()
        if number in away and away[number].late > HEARD_DB
    }
    worst = max(more, key=more.__getitem__, default=-1)
    if worst < 0 or more[worst] <= NOISE_DB:
        return []
    return [Difference(what="noise", slot=worst, value=more[worst])]
