"""Clicks: single samples or steps that the sound around them does not predict. Arrays: one channel, float32.

A linear predictor of order 32 is fitted to each 80 ms (autocorrelation method); what it cannot predict, its residual,
is nearly flat for music and stands up where something was cut, pasted or lost (Godsill and Rayner, "Digital Audio
Restoration", 1998, chapter 5).
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from companion.sound.measures.measured import Click

ORDER: Final = 32
FRAME_S: Final = 0.08
HOP_S: Final = 0.06
AROUND_S: Final = 0.025
GUARD_S: Final = 0.0015
STANDS_OUT_DB: Final = 7.0
MASKED: Final = 0.35
"""A click under this share of the mean level around it is covered by the sound."""

TONAL: Final = 0.5
"""Where more than half of the sound (6 dB) cannot be predicted it is noise, and any sample of it may stand out."""

ONSET_RATIO: Final = 1.5
MOST_CLICKS: Final = 50
_STRIDE: Final = 32

Mono = NDArray[np.float32]


def residual(sound: Mono, rate: int, order: int = ORDER) -> NDArray[np.float32]:
    """Return what a predictor fitted to the sound around cannot predict, same length as ``sound``."""
    hop = max(4 * order, round(HOP_S * rate))
    size = max(hop, round(FRAME_S * rate))
    margin = (size - hop) // 2
    count = -(-len(sound) // hop)
    padded = np.zeros(count * hop + size + order, np.float32)
    padded[order + margin : order + margin + len(sound)] = sound
    # Of each frame the middle is predicted, so that every sample is fitted from both sides.
    frames = np.lib.stride_tricks.sliding_window_view(padded[order:], size)[::hop][:count]
    coefficients = _predictors(frames * np.hanning(size + 2)[1:-1].astype(np.float32), order)
    # The filter laid out as a band matrix turns each stride of samples, with the ``order`` before it, into residual:
    # more sums than a loop over the lags, but a matrix product runs them many times faster.
    strides = -(-hop // _STRIDE)
    reach = strides * _STRIDE
    windows = np.lib.stride_tricks.sliding_window_view(padded[margin:], _STRIDE + order)
    banded = np.zeros((count, 2 * _STRIDE + order - 1), np.float32)
    banded[:, _STRIDE - 1 : _STRIDE + order] = coefficients[:, ::-1]
    bands = np.lib.stride_tricks.sliding_window_view(banded, _STRIDE + order, axis=1)[:, ::-1]
    error = np.empty((count, reach), np.float32)
    for row in range(count):
        here = np.ascontiguousarray(windows[row * hop : row * hop + reach : _STRIDE])
        np.matmul(here, np.ascontiguousarray(bands[row]).T, out=error[row].reshape(strides, _STRIDE))
    flat: NDArray[np.float32] = error[:, :hop].reshape(-1)
    return flat[: len(sound)]


def _predictors(frames: NDArray[np.float32], order: int) -> NDArray[np.float32]:
    """Return the prediction-error filters of each row (Levinson and Durbin), shape (rows, order + 1)."""
    size = frames.shape[1]
    # Without the last ``order`` samples, which the window has all but silenced, this is one pass for all lags.
    correlation = np.stack([np.correlate(frame, frame[: size - order], "valid") for frame in frames]).astype(np.float64)
    # White noise 60 dB down keeps pure tones from making the fit singular.
    error = correlation[:, 0] * (1 + 1e-6) + 1e-9
    correlation[:, 0] = error
    floor = 1e-7 * error
    filters = np.zeros((len(frames), order + 1))
    filters[:, 0] = 1.0
    for step in range(1, order + 1):
        gain = -(filters[:, :step] * correlation[:, step:0:-1]).sum(axis=1) / error
        gain = np.clip(gain, -0.999999, 0.999999)  # rounding must not make a filter unstable
        reflected = filters[:, step::-1][:, : step + 1].copy()
        filters[:, : step + 1] += gain[:, None] * reflected
        error = np.maximum(error * (1 - gain**2), floor)
    return filters.astype(np.float32)


def clicks_in(sound: Mono, rate: int) -> tuple[Click, ...]:
    """Return the clicks of ``sound``, the largest first.

    A sample counts where its residual stands 7 dB above every other within 25 ms on either side, save the millisecond
    or two that belong to itself: so neither noise nor the pulses of a reed or a string count. It must be loud enough to
    be heard beside the sound, the sound around it must be tonal, and it must not be an onset: where the sound is
    louder or brighter after than before, a click is part of the attack.
    """
    around, guard = round(AROUND_S * rate), max(8, round(GUARD_S * rate))
    if len(sound) < 4 * around:
        return ()
    rest = residual(sound, rate)
    error = np.abs(rest)
    # Work on the highest value of each cell of a guard's length: cheap, and no candidate is lost.
    cells = len(error) // guard
    grid = error[: cells * guard].reshape(cells, guard)
    tops = grid.max(axis=1)
    rivals = _highest_around(tops, max(2, around // guard))
    factor = np.float32(10 ** (STANDS_OUT_DB / 20))
    found = []
    for cell in np.flatnonzero((tops > factor * rivals) & (tops > 1e-5)):
        frame = int(cell) * guard + int(np.argmax(grid[cell]))
        if around <= frame <= len(sound) - around and _heard(sound, rest, frame, around, guard):
            size = float(tops[cell] / max(rivals[cell], 1e-9))
            found.append(Click(frame, round(20 * math.log10(size), 1)))
    return tuple(sorted(found, key=lambda click: -click.size_db)[:MOST_CLICKS])


def _highest_around(tops: NDArray[np.float32], reach: int) -> NDArray[np.float32]:
    """Return the highest of the ``reach`` cells on either side of each, without itself and its two neighbours."""
    highest_of = np.concatenate((np.zeros(reach + 1, np.float32), tops, np.zeros(reach + 1, np.float32)))
    width = 1
    while width < reach:  # the highest of ``width`` cells from each on, by doubling
        further = min(width, reach - width)
        highest_of = np.maximum(highest_of[:-further], highest_of[further:])
        width += further
    highest: NDArray[np.float32] = np.maximum(highest_of[: len(tops)], highest_of[reach + 3 : reach + 3 + len(tops)])
    return highest


def _heard(sound: Mono, rest: Mono, frame: int, around: int, guard: int) -> bool:
    """Tell whether a candidate is loud enough, in tonal sound, and no onset."""

    def level(values: Mono) -> float:
        return math.sqrt(float(values @ values) / max(1, len(values)))

    sides = slice(frame - around, frame - guard), slice(frame + guard, frame + around)
    before, after = (level(sound[side]) for side in sides)
    unpredicted = math.hypot(*(level(rest[side]) for side in sides))
    tonal = unpredicted < TONAL * math.hypot(before, after)
    loud = abs(float(rest[frame])) > MASKED * math.hypot(before, after) / math.sqrt(2)
    # A tine or a hammer may hardly raise the level, but what it adds is bright.
    brighter = level(np.diff(sound[sides[1]])) > ONSET_RATIO * level(np.diff(sound[sides[0]]))
    return tonal and loud and after <= ONSET_RATIO * before and not brighter
