"""Clicks inside held notes: which of them the performance made, and which the samples bring along themselves. Pure.

A click that stands in a sample, or at the seam of its loop, is heard in every note of it: at the same moment of the
sample, and so sooner in a higher key. What comes back like that, or is in the dry sample, is no fault of the bounce.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.gaps import GAP, GAP_OVER, Gap, gaps_in
from companion.trials.performance.judged import Verdict
from companion.trials.performance.score import Slot
from companion.trials.performance.ticks import FROM_S, Tick, tick_of

Floats = NDArray[np.float32]

CLICK: Final = 40.0
"""A sample this many times as far from what the samples before it lead to expect as half of them are, is a click."""
CLICK_OVER: Final = 4.0
"""And this many times as far as the slots of most keys have it: hammers and bows are there in every note."""
FEWEST: Final = 8
BACK: Final = (3.0, 0.2)
"""What comes back stands out at least so many times, and by this share of the click."""
REACH: Final = 12
"""Semitones within which keys may play one sample."""
NEAR_MS: Final = 8
"""The same moment of a sample, in two notes: a host’s latency and a moving chorus lie between."""
MOMENTS: Final = (-96, -72, -48, 48, 72, 96)
"""Milliseconds beside that moment at which the same is looked for, to know what chance brings."""
DRY_NEAR_MS: Final = 30
DRY_ALONE: Final = 1.5
"""In a sample a click stands out so many times as far as elsewhere: a short loop’s seam does not."""
OWN_GAP: Final = 0.25
"""What is in the sample, or comes back, need not be as plain as the gap."""
MANY: Final = 4
"""More notes than this, each with a click of its own, are one fault: the host’s."""
FILLED: Final = "an effect runs free over the notes and fills gaps of a millisecond up, so that none can be told"
OF_THE_SAMPLE: Final = "the same click comes in other notes of its sample: listen to the sample and its loop"


class Dry(msgspec.Struct, frozen=True):
    """A sample as it lies in the folder. data: (frames, channels). pitch: the MIDI note it was recorded at, with its
    fraction. loop: in frames, the end exclusive; None where the file has none. take_of: what is the same for takes of
    one note at one touch; empty where that is not known.
    """

    data: Floats
    rate: int
    pitch: float
    loop: tuple[int, int] | None = None
    take_of: str = ""


DryOf = Callable[[int], Iterable[Dry]]
"""The samples that a key may play."""


def clicked(
    slots: Sequence[Slot],
    ticks: Mapping[int, Tick],
    dry_of: DryOf | None = None,
    rate: int = 0,
    gaps: Mapping[int, Gap] | None = None,
) -> list[Verdict]:
    """Return the notes with a click or a gap that their sample does not have.

    ticks, gaps: by slot. dry_of: the samples that a key may play; None where they are not known. rate: the bounce's.
    """
    if len(ticks) < FEWEST:
        return []
    found = _ticking(slots, ticks, dry_of, rate)
    told = {number for verdict in found for number in verdict.slots}
    return found + _gaping(slots, {n: gap for n, gap in (gaps or {}).items() if n not in told}, ticks, dry_of, rate)


def _ticking(slots: Sequence[Slot], ticks: Mapping[int, Tick], dry_of: DryOf | None, rate: int) -> list[Verdict]:
    usual = float(np.percentile([tick.peak for tick in ticks.values()], 75))
    bound = max(CLICK, CLICK_OVER * usual)
    found: dict[int, list[int]] = {}
    own: list[int] = []
    for number, tick in ticks.items():
        key = slots[number].notes[0].key
        if tick.peak <= bound or (dry_of and _in_dry(tick, key, dry_of(key), rate)):
            continue
        if _comes_back(slots, ticks, number):
            own.append(number)
        else:
            found.setdefault(key, []).append(number)
    verdicts = [_verdict(slots, ticks, numbers, bound) for numbers in found.values()]
    if len(found) > MANY:
        verdicts = [_verdict(slots, ticks, [n for numbers in found.values() for n in numbers], bound)]
    if own:
        verdicts.append(Verdict(rule="bounce-click", slots=tuple(own), reason=OF_THE_SAMPLE))
    return verdicts


def _gaping(
    slots: Sequence[Slot], gaps: Mapping[int, Gap], ticks: Mapping[int, Tick], dry_of: DryOf | None, rate: int
) -> list[Verdict]:
    """Return the notes that a host left out for a moment. One that lies in the sample, or comes back, is no gap."""
    if not gaps:
        return []
    bound = max(GAP, GAP_OVER * float(np.percentile([gap.sure for gap in gaps.values()], 90)))
    wide = {number: gap for number, gap in gaps.items() if gap.sure > bound}
    found: list[int] = []
    own: list[int] = []
    for number, gap in wide.items():
        key = slots[number].notes[0].key
        dry = dry_of(key) if dry_of else ()
        if any(_gap_in_dry(gap, one, key, rate, len(ticks[number].standing)) for one in dry):
            continue
        (own if _gap_comes_back(slots, gaps, number) else found).append(number)
    if len(wide) > MANY and len(own) > len(found):
        own, found = [*own, *found], []
    verdicts = [
        Verdict(
            rule="bounce-click",
            key=slots[number].notes[0].key,
            velocity=slots[number].notes[0].velocity,
            slots=(number,),
            value=wide[number].sure,
            bound=bound,
            what="gap",
        )
        for number in found
    ]
    if len(found) > MANY:
        most = max(verdicts, key=lambda one: one.value)
        verdicts = [msgspec.structs.replace(most, key=-1, velocity=-1, slots=tuple(found))]
    if own:
        verdicts.append(Verdict(rule="bounce-click", slots=tuple(own), reason=OF_THE_SAMPLE))
    return verdicts


def filled_up(slots: Sequence[Slot], found: Iterable[Verdict]) -> list[Verdict]:
    """Return that gaps cannot be told where an effect runs free over all notes; nothing where one was told anyway."""
    if any(verdict.what == "gap" for verdict in found):
        return []
    notes = tuple(number for number, slot in enumerate(slots) if slot.kind == "note")
    return [Verdict(rule="bounce-click", slots=notes, reason=FILLED)]


def _gap_in_dry(gap: Gap, sample: Dry, key: int, rate: int, milliseconds: int) -> bool:
    there = gaps_in(unrolled(sample, key, rate, milliseconds), rate)
    return any(one.sure >= OWN_GAP * gap.sure and abs(one.at - gap.at) <= DRY_NEAR_MS for one in there)


def _gap_comes_back(slots: Sequence[Slot], gaps: Mapping[int, Gap], number: int) -> bool:
    """Tell whether a note of another key has the gap at the same moment of the sample."""
    gap, key = gaps[number], slots[number].notes[0].key
    for other, heard in gaps.items():
        apart = slots[other].notes[0].key - key
        near = abs(heard.at - gap.at * 2 ** (-apart / 12)) <= NEAR_MS
        if near and 0 < abs(apart) <= REACH and heard.sure >= OWN_GAP * gap.sure:
            return True
    return False


def _verdict(slots: Sequence[Slot], ticks: Mapping[int, Tick], numbers: Sequence[int], bound: float) -> Verdict:
    notes = [slots[number].notes[0] for number in numbers]
    return Verdict(
        rule="bounce-click",
        key=notes[0].key if len({note.key for note in notes}) == 1 else -1,
        velocity=notes[0].velocity if len(notes) == 1 else -1,
        slots=tuple(numbers),
        value=max(ticks[number].peak for number in numbers),
        bound=bound,
    )


def _comes_back(slots: Sequence[Slot], ticks: Mapping[int, Tick], number: int) -> bool:
    """Tell whether the click stands at the same moment of the sample in notes of other keys."""
    tick, key = ticks[number], slots[number].notes[0].key
    least = max(BACK[0], BACK[1] * float(tick.standing.max()))
    here, chance = 0, dict.fromkeys(MOMENTS, 0)
    for other, heard in ticks.items():
        apart = slots[other].notes[0].key - key
        if not 0 < abs(apart) <= REACH:
            continue
        at = tick.at * 2 ** (-apart / 12)
        here += (heard.near(at, NEAR_MS) or 0.0) >= least
        for moment in MOMENTS:
            chance[moment] += (heard.near(at + moment, NEAR_MS) or 0.0) >= least
    # Not the most by chance: a short loop has its next seam there.
    return here >= 2 and here > 2 * float(np.median(list(chance.values())))


def _in_dry(tick: Tick, key: int, samples: Iterable[Dry], rate: int) -> bool:
    """Tell whether one of the samples, played on that key, stands out there as the note does."""
    least = max(BACK[0], BACK[1] * float(tick.standing.max()))
    return any(_stands_alone(played(one, key, rate, len(tick.standing)), tick.at, least) for one in samples)


def _stands_alone(heard: Tick, at: int, least: float) -> bool:
    """Tell whether a sample stands out around a moment, and by more than it mostly does."""
    there = heard.near(at, DRY_NEAR_MS)
    beside = [heard.near(at + moment, DRY_NEAR_MS) for moment in MOMENTS]
    usual = float(np.median([one for one in beside if one is not None] or [0.0]))
    return there is not None and there >= max(least, DRY_ALONE * usual)


def played(sample: Dry, key: int, rate: int, milliseconds: int) -> Tick:
    """Return what stands out of a sample on a key, its loop unrolled, at the bounce's rate."""
    return tick_of(unrolled(sample, key, rate, milliseconds), rate)


def unrolled(sample: Dry, key: int, rate: int, milliseconds: int) -> Floats:
    """Return what a key plays of a sample from :data:`ticks.FROM_S` on, at the bounce's rate, and silence behind it."""
    if len(sample.data) < 2:
        return np.zeros((milliseconds * rate // 1000, sample.data.shape[1]), np.float32)
    ratio = 2 ** ((key - sample.pitch) / 12) * sample.rate / rate
    place = (np.arange(milliseconds * rate // 1000) + FROM_S * rate) * ratio
    if sample.loop:
        first, end = sample.loop
        place = np.where(place >= end, first + (place - first) % max(1, end - first), place)
    ends = place >= len(sample.data) - 1
    whole = np.clip(place.astype(np.int64), 0, len(sample.data) - 2)
    part = (place - whole).astype(np.float32)[:, None]
    heard = np.asarray(sample.data[whole] * (1 - part) + sample.data[whole + 1] * part, np.float32)
    heard[ends] = 0
    return heard
