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

from companion.trials.performance.judged import Verdict
from companion.trials.performance.score import Slot
from companion.trials.performance.ticks import FROM_S, Tick, tick_of

Floats = NDArray[np.float32]

CLICK: Final = 60.0
"""A sample this many times as far from what the samples before it lead to expect as half of them are, is a click."""
CLICK_OVER: Final = 4.0
"""And this many times as far as the slots of most keys have it: hammers and bows are there in every note."""
FEWEST: Final = 8
BACK: Final = (4.0, 0.2)
"""What comes back stands out at least so many times, and by this share of the click."""
REACH: Final = 12
"""Semitones within which keys may play one sample."""
NEAR_MS: Final = 8
"""The same moment of a sample, in two notes: a host’s latency and a moving chorus lie between."""
MOMENTS: Final = (-96, -72, -48, 48, 72, 96)
"""Milliseconds beside that moment at which the same is looked for, to know what chance brings."""
DRY_NEAR_MS: Final = 30
MANY: Final = 4
"""More notes than this, each with a click of its own, are one fault: the host’s."""
OF_THE_SAMPLE: Final = "the same click comes in other notes of its sample: listen to the sample and its loop"


class Dry(msgspec.Struct, frozen=True):
    """A sample as it lies in the folder. data: (frames, channels). pitch: the MIDI note it was recorded at, with its
    fraction. loop: in frames, the end exclusive; None where the file has none.
    """

    data: Floats
    rate: int
    pitch: float
    loop: tuple[int, int] | None = None


DryOf = Callable[[int], Iterable[Dry]]
"""The samples that a key may play."""


def clicked(
    slots: Sequence[Slot], ticks: Mapping[int, Tick], dry_of: DryOf | None = None, rate: int = 0
) -> list[Verdict]:
    """Return the notes with a click that their sample does not have.

    ticks: by slot. dry_of: the samples that a key may play; None where they are not known. rate: the bounce's.
    """
    if len(ticks) < FEWEST:
        return []
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
    return any(
        (played(one, key, rate, len(tick.standing)).near(tick.at, DRY_NEAR_MS) or 0.0) >= least for one in samples
    )


def played(sample: Dry, key: int, rate: int, milliseconds: int) -> Tick:
    """Return what stands out of a sample on a key, its loop unrolled, at the bounce's rate."""
    ratio = 2 ** ((key - sample.pitch) / 12) * sample.rate / rate
    place = (np.arange(milliseconds * rate // 1000) + FROM_S * rate) * ratio
    if sample.loop:
        first, end = sample.loop
        place = np.where(place >= end, first + (place - first) % max(1, end - first), place)
    place = place[place < len(sample.data) - 1]
    whole = place.astype(np.int64)
    part = (place - whole).astype(np.float32)[:, None]
    return tick_of(sample.data[whole] * (1 - part) + sample.data[whole + 1] * part, rate)
