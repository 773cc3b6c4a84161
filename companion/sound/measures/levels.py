"""Peak, mean square, offset and clipping. Arrays are float32, shape (channels, frames), full scale 1."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from companion.sound.measures.measured import Run

TOP_TOLERANCE: Final = 2e-4
"""How far under the top a sample still counts as at it: two thousandths of a dB, six steps of 16 bits."""

SHORTEST_RUN: Final = 3
OVERSHOOT: Final = 0.01
"""A wave that only just touches the top would have risen by less than this share of it."""

PULSE: Final = 0.05
"""What a pulse comes from lies under this share of its top."""

MOST_RUNS: Final = 200

ABSURD: Final = 1e4
"""80 dB over full scale: a floating-point value beyond it is damage, and its square would soon be infinite."""


class Levels:
    """Gathers the levels of a sound given in blocks; of no sound at all there are none to ask for."""

    def __init__(self, channels: int, full_scale_step: float) -> None:
        """``full_scale_step``: one step of the stored integers (full scale 1), 0 for floating point."""
        self.peaks = np.zeros(channels)
        self.sums = np.zeros(channels)
        self.squares = np.zeros(channels)
        self.frames = 0
        self.not_finite = 0
        self.step = full_scale_step
        self._tops: list[tuple[float, Run]] = []

    def add(self, block: NDArray[np.float32]) -> NDArray[np.float32]:
        """Take in a block and return it with NaN, infinities and absurd values replaced by 0, so that others go on."""
        high, low = block.max(axis=1), block.min(axis=1)
        if not (np.abs(high).max() < ABSURD and np.abs(low).max() < ABSURD):
            bad = ~(np.abs(block) < ABSURD)
            self.not_finite += int(bad.sum())
            block = np.where(bad, np.float32(0), block)
            high, low = block.max(axis=1), block.min(axis=1)
        self.peaks = np.maximum(self.peaks, np.maximum(np.abs(high), np.abs(low)))
        for channel, row in enumerate(block):
            self.sums[channel] += float(row.sum(dtype=np.float64))
            self.squares[channel] += _energy(row)
            for sign, top in ((1.0, float(high[channel])), (-1.0, -float(low[channel]))):
                if top > 1e-3 and top >= 0.99 * float(self.peaks.max()):
                    for run in flat_tops(row, sign, top, self.step):
                        moved = Run(run.frame + self.frames, run.length, channel, run.overshoot)
                        self._tops.append((top, moved))
        self.frames += block.shape[1]
        return block

    @property
    def peak(self) -> float:
        """The highest magnitude of any sample (AES17 full scale is 1)."""
        return float(self.peaks.max(initial=0.0))

    @property
    def rms(self) -> float:
        """The root of the mean square over all channels, linear; a full-scale sine has 0.7071."""
        return math.sqrt(float(self.squares.sum()) / (self.frames * len(self.peaks)))

    @property
    def dc(self) -> float:
        """The mean of the channel whose mean is largest, signed."""
        means = self.sums / self.frames
        return float(means[np.argmax(np.abs(means))])

    def clipped_runs(self) -> tuple[Run, ...]:
        """Return the runs at the top of the whole file; tops of single blocks that the file rises over are left out."""
        limit = self.peak * 0.99
        return tuple(run for top, run in self._tops if top >= limit)[:MOST_RUNS]


def _energy(row: NDArray[np.float32]) -> float:
    """Return the sum of squares, in stretches short enough for single precision."""
    whole = len(row) // 4096 * 4096
    parts = row[:whole].reshape(-1, 4096)
    rest = row[whole:].astype(np.float64)
    return float(np.einsum("ij,ij->i", parts, parts).sum(dtype=np.float64)) + float(rest @ rest)


def flat_tops(column: NDArray[np.float32], sign: float, top: float, step: float = 0.0) -> list[Run]:
    """Return the runs of at least three samples at ``top`` (times ``sign``) that a limit has cut.

    A wave that is rounded off by itself also stays near its top for a few samples. Its slopes into and out of the run
    are then small: a parabola with end slopes a and b over n samples rises (a + b)·n/8 above its ends. Where that
    height exceeds 1 % of the top and three steps of the stored integers, something was cut off. Square and pulse waves
    are flat by nature: they come from near zero, or from beyond it, within one sample or a tenth of the run, as no
    wave does that is cut by less than 11 dB.
    """
    tolerance = max(top * TOP_TOLERANCE, step * 0.5)
    bar = np.float32(sign * (top - tolerance))
    at_top = np.flatnonzero(column >= bar if sign > 0 else column <= bar)
    if len(at_top) < SHORTEST_RUN:
        return []
    breaks = np.flatnonzero(np.diff(at_top) > 1)
    starts = at_top[np.concatenate(([0], breaks + 1))]
    ends = at_top[np.concatenate((breaks, [len(at_top) - 1]))]
    long = ends - starts + 1 >= SHORTEST_RUN
    runs = []
    for start, end in zip(starts[long][: 4 * MOST_RUNS], ends[long][: 4 * MOST_RUNS], strict=True):
        if start == 0 or end == len(column) - 1:
            continue
        length = int(end - start + 1)
        edge = max(1, length // 10)
        before, after = sign * column[max(0, start - edge) : start], sign * column[end + 1 : end + 1 + edge]
        lowest = max(float(before.min()), float(after.min()))
        if lowest <= PULSE * top or min(float(before[-1]), float(after[0])) <= 0:
            continue
        # The slope over several samples, since a single one may be no more than a step of few bits.
        reach = int(min(length, 16, start, len(column) - 1 - end))
        slopes = 2 * top - sign * (float(column[start - reach]) + float(column[end + reach]))
        height = slopes / reach * length / 8
        if height > max(OVERSHOOT * top, 3 * step):
            runs.append(Run(int(start), length, 0, round(height / top, 4)))
    return runs
