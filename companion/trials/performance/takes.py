"""How far the takes of one note are apart in the folder: what a bounce tells of them is no fault of the patch. Pure.

Two takes that hardly differ sound like one that is repeated; where one is next to silent beside the other, a key
played harder may well be softer, or not be heard at all, by which of them comes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations
from typing import Final

import msgspec
import numpy as np

from companion.trials.performance.clicks import Dry, DryOf, unrolled
from companion.trials.performance.hearing import decibels, mixed
from companion.trials.performance.judged import Verdict
from companion.trials.performance.keys_verdicts import SOFTER_DB
from companion.trials.performance.once_verdicts import levelled, likeness

HARDLY: Final = 0.96
"""Takes so alike, as repeats are compared, pass for one recording."""
NEARLY_DB: Final = 1.0
"""A host’s room and its touch move levels by about as much."""
ALIKE: Final = "its takes hardly differ in their own samples, so that nobody could tell which one plays"
LEVELS: Final = "one of its takes is next to silent in its own sample, and may be the one that came"
_MILLISECONDS: Final = 400


class Takes(msgspec.Struct, frozen=True):
    """The takes of one note at one touch. alike: how alike the two that differ most are, 0 to 1. apart: by how many
    dB the loudest is louder than the softest.
    """

    alike: float
    apart: float


def takes_of(samples: Iterable[Dry], key: int, rate: int) -> list[Takes]:
    """Return what is known of each set of takes among the samples that a key may play, as that key plays them."""
    sets: dict[str, list[Dry]] = {}
    for one in samples:
        if one.take_of:
            sets.setdefault(one.take_of, []).append(one)
    return [_compared(several, key, rate) for several in sets.values() if len(several) > 1]


def _compared(several: Sequence[Dry], key: int, rate: int) -> Takes:
    played = [mixed(unrolled(one, key, rate, _MILLISECONDS)) for one in several]
    levels = [decibels(float(np.mean(one**2))) for one in played]
    spectra = [levelled(one, rate) for one in played]
    alike = min(likeness(one, other, rate) for one, other in combinations(spectra, 2))
    return Takes(alike, max(levels) - min(levels))


def excused(verdicts: Iterable[Verdict], dry_of: DryOf | None, rate: int) -> list[Verdict]:
    """Return verdicts on the keys, but unjudged where the takes in the folder are why they are as they are.

    dry_of: the samples that a key may play; None where they are not known.
    """
    return [_excused(verdict, dry_of, rate) if dry_of else verdict for verdict in verdicts]


def _excused(verdict: Verdict, dry_of: DryOf, rate: int) -> Verdict:
    fall = {"velocity-inverted": verdict.value - NEARLY_DB, "note-silent": 0.0}.get(verdict.rule)
    least = None if fall is None else max(SOFTER_DB, fall)
    if verdict.reason or (least is None and verdict.rule != "take-repeats"):
        return verdict
    known = takes_of(dry_of(verdict.key), verdict.key, rate)
    if least is None and any(takes.alike >= HARDLY for takes in known):
        return msgspec.structs.replace(verdict, reason=ALIKE)
    if least is not None and any(takes.apart >= least for takes in known):
        return msgspec.structs.replace(verdict, reason=LEVELS)
    return verdict
