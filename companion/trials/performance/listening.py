"""One pass over a bounce: what it is aligned by, and what concerns the whole of it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.strength import Strength, flux

Floats = NDArray[np.float32]

FLAT: Final = 3
"""Samples in a row at the peak of the whole that make one flat top."""
NEAR_FULL: Final = 0.99


class Listened(msgspec.Struct, frozen=True, kw_only=True):
    """What one pass tells. onsets: how strongly sound begins, a value every ``seconds``. peak: the largest sample.
    flat_tops: how often it stays at full scale. frames: how many there are. means: of each channel, full scale = 1.
    """

    onsets: Floats
    seconds: float
    peak: float
    flat_tops: int
    frames: int
    means: tuple[float, ...] = ()


def listen(blocks: Iterable[Floats], rate: int) -> Listened:
    """Return what one pass over blocks of (frames, channels) tells."""
    strength = Strength(rate)
    peak, tops, frames, run = 0.0, 0, 0, 0
    sums: NDArray[np.float64] = np.zeros(0)
    for block in blocks:
        weights = np.float32(0.7) ** np.arange(block.shape[1], dtype=np.float32)
        # Unequal weights: channels of opposite polarity must not cancel.
        strength.add(block @ (weights / weights.sum()))
        summed = block.T.sum(axis=1, dtype=np.float64)  # along the samples of a channel: four times as quick
        sums = sums + summed if len(sums) else summed
        loudest = np.abs(block[:, 0])
        for channel in range(1, block.shape[1]):
            np.maximum(loudest, np.abs(block[:, channel]), out=loudest)
        peak = max(peak, float(loudest.max(initial=0.0)))
        new, run = _flat_tops(loudest >= NEAR_FULL, run)
        tops, frames = tops + new, frames + len(block)
    return Listened(
        onsets=flux(strength.finish()),
        seconds=strength.seconds,
        peak=peak,
        flat_tops=tops,
        frames=frames,
        means=tuple((sums / max(1, frames)).tolist()),
    )


def _flat_tops(full: NDArray[np.bool_], run: int) -> tuple[int, int]:
    """Return how many runs reach :data:`FLAT`, the one from the block before included, and the run at the end."""
    if not full.any():
        return 0, 0
    edges = np.flatnonzero(np.diff(np.concatenate(([False], full, [False])).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2]
    lengths = ends - starts
    before = run if starts[0] == 0 else 0
    count = int((lengths >= FLAT).sum())
    if before and lengths[0] + before >= FLAT and lengths[0] < FLAT and before < FLAT:
        count += 1
    elif before >= FLAT and lengths[0] >= FLAT:
        count -= 1  # counted in the block before
    return count, int(lengths[-1] + (before if len(lengths) == 1 else 0)) if ends[-1] == len(full) else 0
