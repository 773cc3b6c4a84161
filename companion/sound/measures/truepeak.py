"""True peak after ITU-R BS.1770-5, annex 2: the highest value between the samples. Arrays: (channels, frames).

Found in two steps, both with a windowed sinc: four values a sample from 24 samples on either side, only where the
samples come within 3 dB of the highest; then, around the highest of those, eight from 64 on either side.
"""

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

REACH: Final = 64
"""Samples of context on each side that the finer step needs."""

_CHUNK: Final = 64
_NEAR: Final = 10 ** (-3 / 20)
_HIGHEST: Final = 10 ** (-1 / 20)
_REFINED: Final = 16
_AT_ONCE: Final = 4096


def oversampling(rate: int) -> int:
    """Return how many values a sample: 4 up to 48 kHz, so that the interpolated rate is near 192 kHz or above."""
    return 4 if rate < 88_200 else 2 if rate < 176_400 else 1


@lru_cache(maxsize=8)
def _interpolator(factor: int, taps: int, beta: float) -> NDArray[np.float32]:
    """Return a matrix (samples, values): a stretch of samples times it gives the values between them.

    A sinc under a Kaiser window; each value's weights add up to one, so that a constant stays what it is.
    """
    offsets = np.arange(1, factor) / factor
    distance = np.arange(-taps + 1, taps + 1)[:, None] - offsets[None, :]
    window = np.i0(beta * np.sqrt(np.clip(1 - (distance / taps) ** 2, 0, None))) / np.i0(beta)
    kernel = np.sinc(distance) * window
    kernel /= kernel.sum(axis=0)
    matrix = np.zeros((_CHUNK + 2 * taps - 1, _CHUNK * (factor - 1)))
    for sample in range(_CHUNK):
        matrix[sample : sample + 2 * taps, sample * (factor - 1) : (sample + 1) * (factor - 1)] = kernel
    return matrix.astype(np.float32)


def _between(
    padded: NDArray[np.float32], starts: NDArray[np.int64], factor: int, taps: int, beta: float
) -> NDArray[np.float32]:
    """Return the highest magnitude between the samples of each chunk; chunk ``s`` begins at ``padded[REACH + s]``."""
    matrix = _interpolator(factor, taps, beta)
    windows = np.lib.stride_tricks.sliding_window_view(padded[REACH - taps + 1 :], _CHUNK + 2 * taps - 1)
    highest = np.zeros(len(starts), np.float32)
    for place in range(0, len(starts), _AT_ONCE):
        values = windows[starts[place : place + _AT_ONCE]] @ matrix
        highest[place : place + _AT_ONCE] = np.maximum(values.max(axis=1), -values.min(axis=1))
    return highest


def true_peak(
    block: NDArray[np.float32], rate: int, *, near: float = 0.0, first: bool = True, last: bool = True
) -> float:
    """Return the highest magnitude of ``block`` between and at its samples, linear.

    near: a stretch whose samples stay 3 dB under this cannot matter; the block's own peak at least.
    first, last: whether silence comes before and after it; where a longer sound goes on, the 64 frames at that end
    serve as context only.
    """
    peak = float(max(block.max(initial=0.0), -block.min(initial=0.0)))
    factor = oversampling(rate)
    if factor == 1 or peak <= 0:
        return peak
    bar = max(near, peak) * _NEAR
    found: list[tuple[float, int, int]] = []
    rows = []
    for number, channel in enumerate(block):
        before, after = REACH if first else 0, REACH if last else 0
        padded = np.zeros(max(_CHUNK + 2 * REACH, before + len(channel) + after), np.float32)
        padded[before : before + len(channel)] = channel
        rows.append(padded)
        inner = padded[REACH : len(padded) - REACH]
        loud = np.zeros(-(-len(inner) // _CHUNK), bool)
        loud[np.flatnonzero(np.abs(inner) >= bar) // _CHUNK] = True
        # The true peak may lie between the last sample of a stretch and the first of a louder one.
        loud[:-1] |= loud[1:]
        starts = np.minimum(np.flatnonzero(loud) * _CHUNK, len(inner) - _CHUNK)
        highest = _between(padded, starts, factor, 24, 8.0)
        best = np.argsort(-highest)[:_REFINED]
        found += [(float(highest[place]), number, int(starts[place])) for place in best]
    found.sort(reverse=True)
    peak = max(peak, found[0][0]) if found else peak
    close = [(number, start) for value, number, start in found[:_REFINED] if value >= peak * _HIGHEST]
    for number, row in enumerate(rows):
        starts = np.array([start for where, start in close if where == number], np.int64)
        if len(starts):
            peak = max(peak, float(_between(row, starts, 2 * factor, REACH, 5.0).max()))
    return peak


class TruePeak:
    """Gathers the true peak of a sound given in blocks."""

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._tail: NDArray[np.float32] | None = None
        self.value = 0.0

    def add(self, block: NDArray[np.float32]) -> None:
        """Take in a block; its last 128 frames are kept for the next."""
        joined = block if self._tail is None else np.concatenate((self._tail, block), axis=1)
        peak = true_peak(joined, self._rate, near=self.value, first=self._tail is None, last=False)
        self.value = max(self.value, peak)
        self._tail = joined[:, -2 * REACH :]

    def result(self) -> float:
        """Return the true peak, linear, silence after the last block counted in."""
        if self._tail is not None:
            self.value = max(self.value, true_peak(self._tail, self._rate, near=self.value, first=False))
        return self.value
