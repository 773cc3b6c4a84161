"""What is heard while a control moves under a held note: clicks, and steps where it should glide."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.bounce import Heard
from companion.trials.performance.controls_plan import glide_of
from companion.trials.performance.gliding import Glide, hear_glide
from companion.trials.performance.score import Slot

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

_ORDER: Final = 24
_BLOCK_S: Final = 0.06
_SIDE_S: Final = 0.02
_AFTER_S: Final = 0.05
"""A move is heard within this: hosts hand controllers on in blocks."""
_BEFORE_S: Final = 0.02
_REACHES: Final = (1, 6)
"""Milliseconds by which the same moment may stray: of a host that counts frames, and of one that counts blocks."""
_CHANCES: Final = 30


class Held(msgspec.Struct, frozen=True, kw_only=True):
    """What a held note says of one control.

    number: of its slot. clicks: for each jump and for the glide, how far the largest residual stands out of its
    surroundings. still: the same for stretches as long in which nothing moves, largest last. alike: how far residuals
    stand out at the same moment of three jumps, and the most that they do by chance; for moments that are the same to
    a few milliseconds, and to a host's block. clear: how many times the sound is larger than its usual residual: under
    a rough one a click is not heard. glide: how the note follows a glide.
    """

    number: int
    clicks: tuple[float, ...]
    still: tuple[float, ...]
    alike: tuple[tuple[float, float], ...]
    clear: float
    glide: Glide


def residual(data: Floats, rate: int) -> Doubles:
    """Return what a linear predictor, fitted anew every 60 ms, does not foresee of one channel."""
    size = int(_BLOCK_S * rate)
    out = np.zeros(len(data))
    for first in range(0, len(data), size):
        start, stop = max(0, first - size), min(len(data), first + 2 * size)
        piece = data[start:stop].astype(np.float64)
        if len(piece) < 4 * _ORDER:
            continue
        windowed = piece * np.hanning(len(piece))
        lags = np.array([windowed[: len(windowed) - lag] @ windowed[lag:] for lag in range(_ORDER + 1)])
        if lags[0] < 1e-14:
            continue
        lags[0] *= 1 + 1e-7
        ordered = lags[np.abs(np.subtract.outer(np.arange(_ORDER), np.arange(_ORDER)))]
        weights = np.linalg.solve(ordered, lags[1:])
        error = np.convolve(piece, np.concatenate([[1.0], -weights]))[: len(piece)]
        part = error[first - start : first - start + size]
        out[first : first + len(part)] = part
    out[: 2 * _ORDER] = 0
    return out


def _outstanding(error: Doubles, rate: int) -> Doubles:
    """Return, for each millisecond, the largest residual over the usual one on its louder side."""
    size = max(1, rate // 1000)
    count = len(error) // size
    cells = np.abs(error[: count * size]).reshape(count, size)
    most, usual = cells.max(axis=1), cells.mean(axis=1)
    side = int(_SIDE_S * 1000)
    padded = np.pad(usual, (side, side), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, side)
    medians = np.median(windows, axis=1)
    left, right = medians[:count], medians[side + 1 : side + 1 + count]
    right = np.pad(right, (0, count - len(right)), mode="edge") if len(right) < count else right
    standing: Doubles = most / (np.maximum(left, right) + 1e-9)
    return standing


def hear_held(sound: Heard, slot: Slot, at: Callable[[float], float], number: int) -> Held:
    """Return what the held note of a control says."""
    note = slot.notes[0]
    jumps, begin, end = glide_of(slot)
    start, stop = at(note.on / 1000), at(note.off / 1000)
    data = sound.read(start, stop)
    rate = sound.rate
    errors = [residual(data[:, side], rate) for side in range(min(2, data.shape[1]))]
    scores = np.max([_outstanding(error, rate) for error in errors], axis=0)
    clear = max(
        float(np.sqrt(np.mean(data[:, side].astype(np.float64) ** 2)) / (np.mean(np.abs(error)) + 1e-12))
        for side, error in enumerate(errors)
    )
    moved = [at(jump / 1000) - start for jump in jumps]
    first, last = at(begin / 1000) - start, at(end / 1000) - start
    rows = [_part(scores, moment - _BEFORE_S, moment + _AFTER_S) for moment in moved]
    glide = _part(scores, first - _BEFORE_S, last + _AFTER_S)
    edges = [0.12, *(edge for moment in moved for edge in (moment - _BEFORE_S, moment + _AFTER_S))]
    edges += [first - _BEFORE_S, last + _AFTER_S, (stop - start) - 0.04]
    span = _BEFORE_S + _AFTER_S
    still = [
        _part(scores, early + index * span, early + (index + 1) * span)
        for early, late in zip(edges[::2], edges[1::2], strict=True)
        for index in range(int((late - early) / span))
    ]
    return Held(
        number=number,
        clicks=tuple(float(row.max(initial=0.0)) for row in (*rows, glide)),
        still=tuple(sorted(float(row.max(initial=0.0)) for row in still)),
        alike=tuple(_alike(rows, still, reach) for reach in _REACHES),
        clear=clear,
        glide=hear_glide(data, rate, moved, first, last),
    )


def _part(scores: Doubles, first: float, last: float) -> Doubles:
    return scores[max(0, int(first * 1000)) : max(0, int(last * 1000))]


def _alike(rows: Sequence[Doubles], still: Sequence[Doubles], reach: int) -> tuple[float, float]:
    """Return how far residuals stand out at one moment of all rows but the faintest, and the most of still stretches.

    A host hands each jump on as late as the last, to its block; what stands out by chance does so anywhere.
    """
    length = min((len(row) for row in (*rows, *still)), default=0)
    if length <= 2 * reach or len(still) < len(rows):
        return 0.0, 0.0
    draw = np.random.default_rng(0)
    calm = np.array([_reaching(row[:length], reach) for row in still])
    chance = [draw.choice(len(calm), len(rows), replace=False) for _ in range(_CHANCES)]
    moving = np.array([_reaching(row[:length], reach) for row in rows])
    return _together(moving), max(_together(calm[places]) for places in chance)


def _reaching(row: Doubles, reach: int) -> Doubles:
    """Return the logarithm of the most within ``reach`` values on both sides."""
    most: Doubles = np.lib.stride_tricks.sliding_window_view(np.maximum(row, 1.0), 2 * reach + 1).max(axis=1)
    return np.log(most)


def _together(rows: Doubles) -> float:
    return float(np.exp(np.sort(rows, axis=0)[1:].mean(axis=0).max()))
