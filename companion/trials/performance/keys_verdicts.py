"""What a bounce of the keys tells: which are silent, off pitch, out of line, stuck, upside down. Pure.

The keys are judged against each other: nothing is assumed of the instrument but that most of it is right.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import msgspec
import numpy as np

from companion.trials.performance.hearing import Rest, Tone, shifted_by
from companion.trials.performance.judged import Verdict
from companion.trials.performance.score import Slot

RISE_DB: Final = 6.0
"""A note that lifts the sound by less than this is not heard to begin."""
BELOW_DB: Final = 26.0
"""And is silent where its neighbours are at least this much louder than what is there instead of it."""
CLEAR_DB: Final = 14.0
STEP_DB: Final = 4.5
STEP_SPREADS: Final = 3.5
OFF_CENTS: Final = 35.0
LIKE: Final = 0.35
LEAD: Final = 0.06
NEAR_KEYS: Final = 7
NEAR_LEVELS: Final = 5
"""Keys on each side that a level is held against: more than share one sample."""
MOST_OF: Final = 3
AGREE: Final = 0.6
MOST_ALIKE: Final = 0.75
"""Share of keys whose neighbours agree about them, below which no neighbour is asked at all."""
EDGE: Final = 1.5
INVERTED_DB: Final = 3.0
STUCK_DB: Final = 12.0
STUCK_UNDER_DB: Final = 6.0
"""By how much the gap before a note may be softer than the hanging note, and count as filled by it."""
STEADY_DB: Final = 4.0
"""What falls by more than this within a rest is dying away."""


UNLIKE: Final = "the keys are not alike, as in a kit"


class Heards(msgspec.Struct, frozen=True, kw_only=True):
    """Slots of single notes and what was heard in each, by the slot's number."""

    slots: Mapping[int, Slot]
    tones: Mapping[int, Tone]

    def by_velocity(self) -> dict[int, dict[int, int]]:
        """Return slot numbers by velocity and key, of plain notes."""
        found: dict[int, dict[int, int]] = {}
        for number, slot in self.slots.items():
            if slot.kind == "note" and number in self.tones:
                note = slot.notes[0]
                found.setdefault(note.velocity, {})[note.key] = number
        return found


def stuck(heard: Heards, rests: Mapping[int, Rest]) -> list[Verdict]:
    """Return the first note that goes on sounding, by what is heard in the rests after it, by slot.

    A hanging note is there in every later rest and does not die away in any; long releases and rooms do. Only the
    first is told: whatever begins after it is heard on top of it. What dies away by itself cannot be told to hang.
    """
    places = sorted(rests)
    if len(places) < 2:
        return []
    quiet = rests[places[0]].late
    turn = max(place for place, n in enumerate(places) if rests[n].late <= quiet + STUCK_DB)
    after = [rests[n] for n in places[turn + 1 :]]
    # Over all of them: what hangs may beat slowly, and be softer at the end of one.
    if not after or float(np.median([rest.early - rest.late for rest in after])) > STEADY_DB:
        return []
    level = min(rest.late for rest in after)
    between = [n for n in sorted(heard.slots) if places[turn] < n < places[turn + 1] and heard.slots[n].notes]
    number = between[0]
    for place in range(len(between) - 1, 0, -1):
        tone = heard.tones.get(between[place])
        if tone is None or tone.before < level - STUCK_UNDER_DB:
            # Here it was quieter still: the note that hangs is this one, or one of a chord.
            number = between[place]
            break
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


def _clear(heard: Heards, skip: frozenset[int]) -> dict[int, dict[int, int]]:
    """Return slot numbers by velocity and key, of notes that stand out of what was there before."""
    return {
        velocity: {k: n for k, n in numbers.items() if heard.tones[n].rises >= RISE_DB and n not in skip}
        for velocity, numbers in heard.by_velocity().items()
    }


def level_steps(heard: Heards, skip: frozenset[int] = frozenset()) -> list[Verdict]:
    """Return keys that are louder or softer than those on both sides of them, at every touch they were played with.

    A step between two groups of keys is none: there one side agrees. Levels are compared in two ways, whole and
    partial by partial, and the one that scatters less over this instrument is believed.
    """
    ways = [_gaps(heard, skip, by_bands=by_bands) for by_bands in (False, True)]
    usable = [gaps for gaps in ways if sum(map(len, gaps.values())) >= 8]
    if not usable:
        return []

    def scatter(gaps: Mapping[int, Sequence[tuple[float, float, int]]]) -> float:
        means = [abs(float(np.mean([middle for middle, _, _ in several]))) for several in gaps.values()]
        return float(np.median(means)) * 1.4826

    gaps = min(usable, key=scatter)
    limit = max(STEP_DB, STEP_SPREADS * scatter(gaps))
    ends = {key for key in gaps if key in (*sorted(gaps)[:2], *sorted(gaps)[-2:])}
    found = []
    for key, several in gaps.items():
        middles = [middle for middle, _, _ in several]
        least = [side for _, side, _ in several]
        mean = float(np.mean(middles))
        same = len({gap > 0 for gap in least}) == 1 and min(map(abs, least)) > 0.5 * limit
        # Heard at several touches a step is surer than at one, and at the end of the keys less sure than between them.
        edge = EDGE if key in ends else 1.0
        if same and abs(mean) > edge * limit * (0.9 if len(several) > 1 else 1.1):
            slots = tuple(number for _, _, number in several)
            found.append(Verdict(rule="note-level-step", key=key, slots=slots, value=mean, bound=limit))
    return found


def _gaps(heard: Heards, skip: frozenset[int], *, by_bands: bool) -> dict[int, list[tuple[float, float, int]]]:
    """Return by key, for each touch: dB against the middle of both sides, against the side that is nearer (0 where the
    sides disagree), and the slot.
    """
    gaps: dict[int, list[tuple[float, float, int]]] = {}
    for numbers in _clear(heard, skip).values():
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


def off_pitch(heard: Heards, skip: frozenset[int] = frozenset()) -> list[Verdict]:
    """Return keys whose spectrum lies elsewhere than their neighbours' do, moved by the distance of the keys.

    Needs no pitch: bells and drums that follow the keys are judged alike. Where neighbours are not alike (kits, another
    sample on each key) nothing is judged.
    """
    errors: dict[int, list[float]] = {}
    asked: dict[int, set[int]] = {}
    for numbers in _clear(heard, skip).values():
        tones = {key: heard.tones[number].cents for key, number in numbers.items()}
        keys = sorted(key for key, cents in tones.items() if cents is not None)
        for place, key in enumerate(keys):
            for other in keys[place + 1 :]:
                if other - key > NEAR_KEYS:
                    break
                one, two = tones[key], tones[other]
                assert one is not None
                assert two is not None
                error, likeness, lead = shifted_by(one, two, 100 * (other - key))
                asked.setdefault(key, set()).add(numbers[key])
                asked.setdefault(other, set()).add(numbers[other])
                if likeness >= LIKE and lead >= LEAD:
                    errors.setdefault(key, []).append(-error)
                    errors.setdefault(other, []).append(error)
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
    found = []
    for key in sorted(asked):
        slots = tuple(sorted(asked[key]))
        if key not in agreed:
            found.append(Verdict(rule="note-off-pitch", key=key, slots=slots, reason="it is not like its neighbours"))
        elif abs(middles[key]) > OFF_CENTS:
            found.append(Verdict(rule="note-off-pitch", key=key, slots=slots, value=middles[key], bound=OFF_CENTS))
    return found


def inverted(heard: Heards, skip: frozenset[int] = frozenset()) -> list[Verdict]:
    """Return keys that sound softer when they are played harder.

    The softer touch must stand out of what rang before; the harder one can only be softer still than what is heard.
    """
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
            found.append(Verdict(rule="velocity-inverted", key=key, slots=(soft, hard), value=fall, bound=INVERTED_DB))
    return found


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


def judge_keys(slots: Sequence[Slot], tones: Mapping[int, Tone], rests: Mapping[int, Rest]) -> list[Verdict]:
    """Return every verdict on the keys, root causes first: what follows from a fault is not reported beside it."""
    heard = Heards(slots=dict(enumerate(slots)), tones=tones)
    found = stuck(heard, rests)
    if found:
        first = found[0].slots[0]
        heard = Heards(slots=heard.slots, tones={n: tone for n, tone in tones.items() if n <= first})
    quiet = silent(heard)
    skip = frozenset(number for verdict in quiet for number in verdict.slots)
    upside = inverted(heard, skip)
    turned = {verdict.key for verdict in upside}
    skip_levels = skip | {n for n in heard.tones if heard.slots[n].notes[0].key in turned}
    pitch = off_pitch(heard, skip)
    # The drums of a kit are as loud as each is: no neighbour says how loud the next should be.
    kit = any(verdict.reason == UNLIKE for verdict in pitch)
    if kit:
        quiet = _doubted(quiet, heard)
    return [*found, *quiet, *pitch, *(() if kit else level_steps(heard, skip_levels)), *upside]
