"""Gaps of a millisecond or two in a held note: the host had no sound ready in time. Pure.

A gap in a low or soft note makes hardly a click. What the sound on both sides leads to expect is laid over what is
there: in a gap the same is there, only much less of it or nothing; anywhere else the two agree.
"""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.hearing import hann, mixed
from companion.trials.performance.ticks import FROM_S

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

GAP: Final = 38.0
"""How surely a gap is one, as :class:`Gap` counts it; what is none stays under it,"""
GAP_OVER: Final = 3.0
"""and so does what is not this many times as sure as nine of ten notes: a chorus puts the like of it into them all."""
STEADY_S: Final = 0.1
"""Seconds after its beginning from which a note has no attack that could be taken for the end of a gap."""
LENGTHS_MS: Final = (1.0, 2.0)
"""A longer gap clicks at its ends."""
_ORDER: Final = 40
_PLACES: Final = 12
"""So many places are looked at, those where two edges that far apart stand out the most,"""
_ASIDE: Final = np.arange(-14, 15, 2)
"""and these samples beside each."""
_MISSING: Final = (0.4, 1.06)
"""How much of what is expected a gap lacks: a chorus fills up the rest, and nothing lacks more than all."""
_AROUND: Final = 0.3
"""Before and behind a gap is this share of the power that is expected inside, and more: not so where a note begins."""
_LEAST_REST: Final = 0.02
_ENOUGH_HZ: Final = 44_100


class Gap(msgspec.Struct, frozen=True):
    """A gap. sure: 0 to 50, how well all that differs from what is expected is a lack of just that. at: milliseconds
    after the note’s beginning.
    """

    sure: float = 0.0
    at: int = 0


def gap_of(data: Floats, rate: int) -> Gap:
    """Return the likeliest gap in (frames, channels) that begin :data:`ticks.FROM_S` after their note does."""
    return max(gaps_in(data, rate), key=lambda gap: gap.sure, default=Gap())


def gaps_in(data: Floats, rate: int) -> list[Gap]:
    """Return the likeliest gap of each length, and around each place that was looked at.

    By least squares interpolation of an autoregressive process of order 40 (Janssen, Veldhuis, Vries, 1986).
    """
    piece = mixed(data).astype(np.float64)
    every = max(1, rate // _ENOUGH_HZ)
    if every > 1:  # finer steps would tell no more, and cost their cube
        piece, rate = piece[: len(piece) // every * every].reshape(-1, every).mean(axis=1), rate // every
    if len(piece) < rate // 20 or float(np.abs(piece).max()) < 1e-4:
        return []
    weights = _predictor(piece)
    error = np.convolve(piece, weights, "valid") ** 2
    edges = np.convolve(error, np.ones(_ORDER // 2))[_ORDER // 2 - 1 :]
    return [
        gap
        for length in LENGTHS_MS
        if 0 < (size := int(rate * length / 1000)) < len(edges) // 4
        for gap in _of_length(piece, weights, edges, size, rate)
    ]


def _predictor(piece: Doubles) -> Doubles:
    """Return the filter whose output is what does not follow from the samples before."""
    power = np.abs(np.fft.rfft(piece * hann(len(piece)), 2 * len(piece))) ** 2
    correlation = np.fft.irfft(power)[: _ORDER + 1]
    correlation[0] *= 1 + 1e-9
    places = np.abs(np.arange(_ORDER)[:, None] - np.arange(_ORDER))
    return np.concatenate(([1.0], -np.linalg.solve(correlation[places], correlation[1:])))


def _of_length(piece: Doubles, weights: Doubles, edges: Doubles, size: int, rate: int) -> list[Gap]:
    both, firsts = edges[: len(edges) - size] + edges[size:], []
    for _ in range(_PLACES):
        place = int(np.argmax(both))
        firsts.append(place)
        both[max(0, place - size // 2) : place + size // 2] = 0
    first = np.add.outer(np.array(firsts) + _ORDER, _ASIDE)
    reach = size + _ORDER
    inside = (first >= max(_ORDER, size, (STEADY_S - FROM_S) * rate)) & (first + reach <= len(piece))
    first = first[inside]
    if not len(first):
        return []
    parts = piece[first[:, None] + np.arange(-_ORDER, reach)]
    there = parts[:, _ORDER : _ORDER + size].copy()
    parts[:, _ORDER : _ORDER + size] = 0
    known = np.lib.stride_tricks.sliding_window_view(parts, _ORDER + 1, axis=1) @ weights[::-1]
    unknown = np.zeros((reach, size))
    for column in range(size):
        unknown[column : column + _ORDER + 1, column] = weights
    expected = -known @ np.linalg.pinv(unknown).T
    lacks = expected - there
    power = (expected**2).mean(axis=1) + 1e-15
    share = (lacks * expected).mean(axis=1) / power
    rest = ((lacks - share[:, None] * expected) ** 2).mean(axis=1) / (share**2 * power + 1e-15)
    before = (piece[first[:, None] - size + np.arange(size)] ** 2).mean(axis=1)
    behind = (piece[first[:, None] + size + np.arange(_ORDER)] ** 2).mean(axis=1)
    loud = np.minimum(power / float((piece**2).mean() + 1e-15), 1.0)
    likely = (share > _MISSING[0]) & (share < _MISSING[1]) & (np.minimum(before, behind) > _AROUND * power)
    sure = np.where(likely, loud * share**2 / (rest + _LEAST_REST), 0.0)
    return [
        Gap(float(sure[one]), round(1000 * (FROM_S + first[one] / rate))) for one in np.nonzero(sure > 0)[0].tolist()
    ]
