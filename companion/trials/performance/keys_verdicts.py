"""What a bounce of the keys tells: which are silent, off pitch, out of line, stuck, upside down. Pure.

The keys are judged against each other: nothing is assumed of the instrument but that most of it is right.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import msgspec
import numpy as np

from companion.trials.performance.apart_verdicts import judge_apart
from companion.trials.performance.heards import RISE_DB, Heards
from companion.trials.performance.hearing import Rest, Tone
from companion.trials.performance.judged import Verdict
from companion.trials.performance.level_verdicts import level_steps
from companion.trials.performance.score import Slot
from companion.trials.performance.timing import Rise

BELOW_DB: Final = 26.0
"""And is silent where its neighbours are at least this much louder than what is there instead of it."""
CLEAR_DB: Final = 14.0
OFF_CENTS: Final = 35.0
CLOSELY_CENTS: Final = 25.0
"""Where keys are in tune with each other, less is told: so many times what nine of ten stay under,"""
CLOSELY: Final = 4.0
"""and no less than that."""
OCTAVES: Final = 0.3
"""Where so many neighbours find a key an octave away, it may be: half of its partials are the same."""
AN_OCTAVE: Final = (1140.0, 1260.0)
MAY_BE_OCTAVE: Final = "it may be an octave off: some keys beside it say so, and others do not"
SHARED: Final = 0.5
"""But not where a key beside it is off by this share of it: that is the tuning of their sample."""
LIKE: Final = 0.35
LEAD: Final = 0.06
MOST_OF: Final = 3
AGREE: Final = 0.6
MOST_ALIKE: Final = 0.75
"""Share of keys whose neighbours agree about them, below which no neighbour is asked at all."""
INVERTED_DB: Final = 3.0
DEEP_DB: Final = 30.0
STUCK_DB: Final = 12.0
SMALL_DB: Final = 1.0
"""A step this small tells of a hanging note where noise is as steady before it as noise can be."""
STUCK_UNDER_DB: Final = 6.0
"""By how much the gap before a note may be softer than the hanging note, and count as filled by it."""
STEADY_DB: Final = 4.0
"""What falls by more than this within a rest is dying away."""


SOFTER_DB: Final = 20.0
"""A take so far under another one of the same note is next to silent. What is less is told as a fault of its note."""
TAKES_APART: Final = "repeats of notes near it differ by as much at one touch: a take may be next to silent"
CARRIES: Final = ("note-off-pitch", "note-short")
"""Rules whose faults bring another level along."""
UNLIKE: Final = "the keys are not alike, as in a kit"


def stuck(heard: Heards, rests: Mapping[int, Rest]) -> list[Verdict]:
    """Return the first note that goes on sounding, by what is heard in the rests after it, by slot.

    A hanging note is there in every later rest and does not die away in any; long releases and rooms do. Only the
    first is told: whatever begins after it is heard on top of it. What dies away by itself cannot be told to hang.
    """
    places = sorted(rests)
    if len(places) < 2:
        return []
    found = _filled([rests[place] for place in places])
    if found is None:
        return []
    turn, quiet, level = found
    between = [n for n in sorted(heard.slots) if places[turn] < n < places[turn + 1] and heard.slots[n].notes]
    number = _first_filled(heard, between, level - min(STUCK_UNDER_DB, (level - quiet) / 2))
    notes = heard.slots[number].notes
    single = notes[0] if len(notes) == 1 else None
    return [
        Verdict(
            rule="note-stuck",
            key=single.key if single else -1,
            velocity=single.velocity if single else -1,
            slots=(number,),
            value=level - quiet,
            bound=STUCK_DB,
        )
    ]


def _first_filled(heard: Heards, between: Sequence[int], bound: float) -> int:
    """Return the slot of ``between`` whose note hangs. bound: dB at which a gap counts as filled.

    What hangs may beat, and dip for a moment to where it was quiet before; a gap before it may be loud, as something
    rings on. So it is the slot before which gaps lie under the bound, and behind which they lie over it, all in all.
    """
    gaps = [(n, heard.tones[n].before - bound) for n in between[1:] if n in heard.tones]
    misfits = [
        sum(max(0.0, over) for _, over in gaps[:split]) - sum(min(0.0, over) for _, over in gaps[split:])
        for split in range(len(gaps) + 1)
    ]
    split = int(np.argmin(misfits))
    # Where gaps are missing, those around a chord, it is the last note before them.
    return max(n for n in between if split == len(gaps) or n < gaps[split][0])


def _filled(rests: Sequence[Rest]) -> tuple[int, float, float] | None:
    """Return the last rest that is quiet, how quiet it is, and how loud those after it are; None where none is filled.

    Where rests are as steady as noise is, a small step is enough, if all after it are steady too.
    """
    for turn in range(len(rests) - 2, -1, -1):
        before, after = rests[: turn + 1], rests[turn + 1 :]
        quiet = max(rest.late for rest in before)
        level = min(rest.late for rest in after)
        # Over all of them: what hangs may beat slowly, and be softer at the end of one.
        falls = float(np.median([rest.early - rest.late for rest in after]))
        if level - quiet >= STUCK_DB and falls <= STEADY_DB:
            return turn, quiet, level
        calm = [value for rest in before for value in (rest.early, rest.late)]
        strays = max(calm) - min(calm)
        least = max(SMALL_DB if len(before) > 1 else 3 * SMALL_DB, 8 * strays)
        rise = level - max(calm)
        wavers = float(np.std([rest.late for rest in after]))
        if rise >= least and falls <= max(SMALL_DB, STEADY_DB * rise / STUCK_DB) and wavers <= max(0.25, rise / 4):
            return turn, quiet, level
    return None


def _neighbours(levels: Mapping[int, float], key: int, most: int = 4) -> tuple[list[float], list[float]]:
    keys = sorted(levels)
    below = [levels[one] for one in keys if one < key][-most:]
    above = [levels[one] for one in keys if one > key][:most]
    return below, above


def silent(heard: Heards) -> list[Verdict]:
    """Return notes that are not heard to begin where their neighbours are, and those that cannot be judged."""
    found = []
    for velocity, numbers in heard.by_velocity().items():
        tones = {key: heard.tones[number] for key, number in numbers.items()}
        for key, tone in tones.items():
            below, above = _neighbours({k: t.loud for k, t in tones.items() if t.rises >= RISE_DB}, key)
            if tone.rises >= RISE_DB or not (below or above):
                continue
            expected = float(np.median(below + above))
            number = numbers[key]
            if expected - tone.before < CLEAR_DB and tone.rises >= 2.0:
                continue
            if expected - tone.loud >= BELOW_DB or (expected - tone.before >= CLEAR_DB and tone.rises < RISE_DB / 2):
                found.append(
                    Verdict(
                        rule="note-silent", key=key, velocity=velocity, slots=(number,), value=tone.rises, bound=RISE_DB
                    )
                )
            elif tone.rises < 2.0:
                found.append(
                    Verdict(
                        rule="note-silent",
                        key=key,
                        velocity=velocity,
                        slots=(number,),
                        reason="what rang before it is as loud as it would be",
                    )
                )
    return found


def off_pitch(heard: Heards, skip: frozenset[int] = frozenset()) -> list[Verdict]:
    """Return keys whose spectrum lies elsewhere than their neighbours' do, moved by the distance of the keys.

    Needs no pitch: bells and drums that follow the keys are judged alike. Where neighbours are not alike (kits, another
    sample on each key) nothing is judged.
    """
    errors: dict[int, list[float]] = {}
    octaves: dict[int, list[bool]] = {}
    asked: dict[int, set[int]] = {}
    for pair in heard.likenesses:
        if skip & set(pair.numbers):
            continue
        for key, number in zip(pair.keys, pair.numbers, strict=True):
            asked.setdefault(key, set()).add(number)
        if pair.alike >= LIKE:
            for key in pair.keys:
                octaves.setdefault(key, []).append(AN_OCTAVE[0] < abs(pair.error) < AN_OCTAVE[1])
        if pair.alike >= LIKE and pair.lead >= LEAD:
            errors.setdefault(pair.keys[0], []).append(-pair.error)
            errors.setdefault(pair.keys[1], []).append(pair.error)
    middles = {key: float(np.median(several)) for key, several in errors.items() if len(several) >= MOST_OF}
    agree = {
        key: sum(abs(error - middle) < 25 for error in errors[key]) / len(errors[key])
        for key, middle in middles.items()
    }
    agreed = {key for key, share in agree.items() if share >= AGREE}
    # Kits, and instruments with another sound on each key: what neighbours say of each other is chance there.
    if len(agreed) < MOST_ALIKE * len(asked):
        return [
            Verdict(rule=rule, key=key, slots=tuple(sorted(asked[key])), reason=UNLIKE)
            for rule in ("note-off-pitch", "note-level-step")
            for key in sorted(asked)
        ]
    usual = float(np.quantile([abs(middles[key]) for key in agreed], 0.9)) if agreed else 0.0
    closely = min(max(CLOSELY_CENTS, CLOSELY * usual), OFF_CENTS)
    found = []
    for key in sorted(asked):
        slots = tuple(sorted(asked[key]))
        if key not in agreed:
            found.append(Verdict(rule="note-off-pitch", key=key, slots=slots, reason="it is not like its neighbours"))
            continue
        middle = middles[key]
        shared = any(middles.get(beside, 0.0) / middle >= SHARED for beside in (key - 1, key + 1)) if middle else False
        bound = OFF_CENTS if shared else closely
        if abs(middle) > bound:
            found.append(Verdict(rule="note-off-pitch", key=key, slots=slots, value=middle, bound=bound))
        elif float(np.mean(octaves[key])) >= OCTAVES:
            found.append(Verdict(rule="note-off-pitch", key=key, slots=slots, reason=MAY_BE_OCTAVE))
    return found


def inverted(heard: Heards, skip: frozenset[int] = frozenset()) -> list[Verdict]:
    """Return keys that sound softer when they are played harder.

    The softer touch must stand out of what rang before; the harder one can only be softer still than what is heard.
    Where repeats of a note near it differ by as much at one touch, one of its takes may be next to silent.
    """
    strays = _strays(heard)
    touches: dict[int, list[tuple[int, int]]] = {}
    for velocity, numbers in heard.by_velocity().items():
        for key, number in numbers.items():
            if number not in skip:
                touches.setdefault(key, []).append((velocity, number))
    found = []
    for key, several in sorted(touches.items()):
        ordered = [number for _, number in sorted(several)]
        falls = [
            (heard.tones[soft].loud - heard.tones[hard].loud, soft, hard)
            for place, soft in enumerate(ordered)
            for hard in ordered[place + 1 :]
            if heard.tones[soft].rises >= RISE_DB
        ]
        if falls and max(falls)[0] > INVERTED_DB:
            fall, soft, hard = max(falls)
            reason = TAKES_APART if _near(strays, key) >= max(fall, SOFTER_DB) else ""
            found.append(
                Verdict(
                    rule="velocity-inverted", key=key, slots=(soft, hard), value=fall, bound=INVERTED_DB, reason=reason
                )
            )
    return found


def _strays(heard: Heards) -> dict[int, float]:
    """Return by how many decibels repeats of a note at one touch differ, by key."""
    repeats: dict[int, list[float]] = {}
    for number, slot in heard.slots.items():
        if slot.kind == "take" and number in heard.tones:
            repeats.setdefault(slot.notes[0].key, []).append(heard.tones[number].loud)
    return {key: max(several) - min(several) for key, several in repeats.items()}


def _near(strays: Mapping[int, float], key: int) -> float:
    """Return the most that repeats differ by, of the nearest keys that have some, at and below, and above ``key``."""
    near = {
        max((one for one in strays if one <= key), default=-1),
        min((one for one in strays if one > key), default=-1),
    }
    return max((strays[one] for one in near if one >= 0), default=0.0)


def _doubted(quiet: Sequence[Verdict], heard: Heards) -> list[Verdict]:
    """Return silent notes, but unjudged where the key sounds at another touch: a drum may be that soft."""
    sounds = {
        key
        for numbers in heard.by_velocity().values()
        for key, number in numbers.items()
        if heard.tones[number].rises >= RISE_DB
    }
    return [
        msgspec.structs.replace(verdict, reason=verdict.reason or UNLIKE) if verdict.key in sounds else verdict
        for verdict in quiet
    ]


def _masked(heard: Heards, quiet: Sequence[Verdict], turned: Mapping[int, int]) -> list[Verdict]:
    """Return silent notes, without those that may only be softer: their key sounds at a softer touch, and what rang
    before them is no more than :data:`DEEP_DB` under that.

    turned: by key, the slot of its softer touch.
    """
    return [
        verdict
        for verdict in quiet
        if verdict.key not in turned
        or heard.tones[turned[verdict.key]].loud - heard.tones[verdict.slots[0]].before > DEEP_DB
    ]


def judge_keys(
    slots: Sequence[Slot], tones: Mapping[int, Tone], rests: Mapping[int, Rest], rises: Mapping[int, Rise] | None = None
) -> list[Verdict]:
    """Return every verdict on the keys, root causes first: what follows from a fault is not reported beside it.

    rises: how notes begin, by slot, where that was seen.
    """
    heard = Heards(slots=dict(enumerate(slots)), tones=tones)
    found = stuck(heard, rests)
    if found:
        first = found[0].slots[0]
        heard = Heards(slots=heard.slots, tones={n: tone for n, tone in tones.items() if n <= first})
    upside = inverted(heard)
    quiet = _masked(heard, silent(heard), {verdict.key: verdict.slots[0] for verdict in upside})
    skip = frozenset(number for verdict in quiet for number in verdict.slots)
    upside = [verdict for verdict in upside if not skip & set(verdict.slots)]
    turned = {verdict.key for verdict in upside}
    skip_levels = skip | {n for n in heard.tones if heard.slots[n].notes[0].key in turned}
    pitch = off_pitch(heard, skip)
    # The drums of a kit are as loud as each is: no neighbour says how loud the next should be.
    kit = any(verdict.reason == UNLIKE for verdict in pitch)
    if kit:
        return [*found, *_doubted(quiet, heard), *pitch, *upside]
    apart = judge_apart(heard, rises or {}, skip)
    # What ends early is softer all in all, and what another key should play as loud as that one is: no fault beside it.
    told = {verdict.key for verdict in (*pitch, *apart) if not verdict.reason and verdict.rule in CARRIES}
    levels = [verdict for verdict in level_steps(heard, skip_levels) if verdict.key not in told]
    return [*found, *quiet, *pitch, *levels, *upside, *apart]
