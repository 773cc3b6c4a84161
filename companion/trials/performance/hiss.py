"""Noise that builds up with the notes: how loud the floor between partials is with 1, 2, 4, 8 and 16 of them held.

Breath, bow and vibrato fill the gaps between partials as well, and what a note brings along of them builds up by the
same law. They fall towards the treble; the hiss of recordings does not. So only a floor that is as dense in one band as
in the next ones is called hiss, and where the music hides it nothing is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.bounce import Heard
from companion.trials.performance.controls_hearing import InBounce
from companion.trials.performance.hearing import decibels
from companion.trials.performance.judged import Verdict
from companion.trials.performance.score import LEAD_IN, Slot

Vector = NDArray[np.float64]

NOISE_DBFS: Final = -60.0
"""The loudest noise of all voices together, where the facts state no other: as the sound step has it."""
_EDGES_HZ: Final = 4000 * 2 ** (np.arange(8) / 3)
_QUARTER: Final = 0.2877
"""The lower quartile of the power of noise in one bin, as a share of its mean: −ln(1 − 1/4)."""
_FEWEST, _BANDS = 3, 4
_FLAT_DB: Final = (3.0, 2.5)
"""So much do three or four bands on end, as many as there are, differ at the most: in the last chord, and in most."""
_GROWS_DB: Final = (2.0, 4.5)
"""Per doubling of the voices: what is incoherent adds by power, 3 dB;"""
_STRAYS_DB: Final = 1.0
"""and it does so evenly. Partials that a chorus smears over the gaps do not."""
_OVER: Final = 4.0
_SETTLED_S: Final = 0.3
_TOP_HZ: Final = 20_000
_HEARD_DB: Final = 40.0
"""Noise further than this under the chord that it comes with is hidden by it."""


def densities(sound: Heard, first: float, last: float) -> Vector:
    """Return the mean square per hertz of what lies between partials, in thirds of an octave from 4 kHz up."""
    data = sound.read(first, last).astype(np.float64)
    window = np.hanning(len(data))[:, None]
    power = 2 * (np.abs(np.fft.rfft(data * window, axis=0)) ** 2).mean(axis=1) / (sound.rate * (window**2).sum())
    bins = np.fft.rfftfreq(len(data), 1 / sound.rate)
    edges = _EDGES_HZ[0.44 * sound.rate > _EDGES_HZ]
    bands = [power[(bins >= low) & (bins < high)] for low, high in pairwise(edges)]
    return np.array([float(np.quantile(band, 0.25)) / _QUARTER if len(band) > 50 else 0.0 for band in bands])


class HissHeard(msgspec.Struct, frozen=True):
    """Densities between partials: of silence, and a row for each chord. counts: notes of each. loud: dB of the last.

    number: the last chord's slot. rate: of the bounce.
    """

    silence: Vector
    held: NDArray[np.float64]
    counts: tuple[int, ...]
    loud: float
    number: int
    rate: int


def hear_hiss(slots: Sequence[Slot], sound: Heard, placed: InBounce) -> HissHeard | None:
    """Return what lies between the partials of the chords; None where there are too few of them in the bounce."""
    chords = [(number, slot) for number, slot in enumerate(slots) if slot.kind == "chord"]
    if len(chords) < 4 or not all(placed.covers(slot.start / 1000) for _, slot in chords):
        return None
    silence = densities(sound, max(0.0, placed.at(0.1)), max(0.3, placed.at(LEAD_IN / 1000 - 0.05)))
    held = np.array(
        [
            densities(
                sound, placed.at(slot.notes[-1].on / 1000 + _SETTLED_S), placed.at(slot.notes[0].off / 1000 - 0.02)
            )
            for _, slot in chords
        ]
    )
    number, last = chords[-1]
    counts = tuple(len(slot.notes) for _, slot in chords)
    return HissHeard(silence, held, counts, _loud(last, sound, placed), number, sound.rate)


def judge_hiss(heard: HissHeard | None, limit: float = NOISE_DBFS) -> list[Verdict]:
    """Return one verdict where the most notes at once hiss louder than ``limit`` (dBFS), else none."""
    if heard is None:
        return []
    silence, held, counts = heard.silence, heard.held, np.log2(heard.counts)
    width = min(max(_FEWEST, held.shape[1]), _BANDS)
    for first in range(held.shape[1] - width, -1, -1):
        part = held[:, first : first + width] - silence[first : first + width]
        top = held[-1, first : first + width]
        if (part <= 0).any() or (top < _OVER * silence[first : first + width]).any():
            continue
        levels = 10 * np.log10(part)
        spreads, means = np.ptp(levels, axis=1), levels.mean(axis=1)
        slope, base = np.polyfit(counts, means, 1)
        flat = spreads[-1] <= _FLAT_DB[0] and np.median(spreads) <= _FLAT_DB[1]
        even = float(np.std(means - (base + slope * counts))) <= _STRAYS_DB
        if flat and even and _GROWS_DB[0] <= slope <= _GROWS_DB[1]:
            total = float(levels[-1].mean() + 10 * np.log10(min(heard.rate / 2, _TOP_HZ)))
            if total <= max(limit, heard.loud - _HEARD_DB):
                return []
            return [Verdict(rule="voices-hiss", slots=(heard.number,), value=total, bound=limit)]
    return []


def _loud(slot: Slot, sound: Heard, placed: InBounce) -> float:
    first, last = placed.at(slot.notes[-1].on / 1000 + _SETTLED_S), placed.at(slot.notes[0].off / 1000 - 0.02)
    return decibels(float((sound.read(first, last).astype(np.float64) ** 2).mean()))
