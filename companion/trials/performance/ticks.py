"""What stands out of a held note for a moment: clicks, wherever they come from. Pure."""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.hearing import hann

Floats = NDArray[np.float32]

FROM_S: Final = 0.06
"""Seconds after its beginning from which a note is listened to: strokes and plucks are over,"""
UNTIL_S: Final = 0.01
"""and before its end until which it is."""
AUDIBLE: Final = 0.5
"""How large a click is at least, as a share of the note’s root mean square."""
AGAIN: Final = 2.0
"""And the next one that is more than 15 ms from it: a chorus repeats a click once within that."""
ALONE: Final = 4.0
"""By how many times a click exceeds all but half a percent of its surroundings."""

OVER: Final = 0.1
"""What goes on behind a click is as loud as this share of what was before it, and louder."""
NEAR_S: Final = 0.015

_ORDER: Final = 256
"""So many samples foretell the next: whole periods of most notes, so that a gap of a millisecond stands out of them."""
_SHARE: Final = 8
"""And no more than one in so many of all."""


class Tick(msgspec.Struct, frozen=True):
    """What stands out of a note that is held.

    peak: the largest sample that those before it do not foretell, in medians of its size; 0 where none stands alone.
    at: where, in milliseconds after the note’s beginning. standing: for each millisecond from :data:`FROM_S` on, the
    largest over what all but half a percent of the note stay under.
    """

    peak: float
    at: int
    standing: Floats

    def near(self, milliseconds: float, reach: int) -> float | None:
        """Return how far the note stands out around a moment; None where that is not listened to."""
        middle = round(milliseconds - 1000 * FROM_S)
        if not 0 <= middle < len(self.standing):
            return None
        return float(self.standing[max(0, middle - reach) : middle + reach + 1].max())


NO_TICK: Final = Tick(0.0, 0, np.zeros(0, np.float32))


def tick_of(data: Floats, rate: int) -> Tick:
    """Return what stands out of (frames, channels) that begin :data:`FROM_S` after their note does.

    By linear prediction of order 256 (autocorrelation method); of whichever channel has the larger click.
    """
    best, standing = NO_TICK, np.zeros(0, np.float32)
    for channel in range(data.shape[1]):
        piece = data[:, channel].astype(np.float64)
        if len(piece) < rate // 20 or float(np.abs(piece).max()) < 1e-4:
            continue
        order = min(_ORDER, len(piece) // _SHARE)
        rest = _unforetold(piece, order)
        usual = float(np.percentile(rest, 99.5))
        curve = _by_milliseconds(rest, rate, order) / np.float32(usual + 2**-15)
        standing = curve if not len(standing) else np.maximum(standing, curve)
        peak, at, near = float(rest.max()), int(np.argmax(rest)), int(NEAR_S * rate)
        loud = float(np.sqrt(np.mean(piece**2)))
        # What comes back with every period, as the jump of a saw does, is the sound itself.
        others = max(float(rest[: max(0, at - near)].max(initial=0.0)), float(rest[at + near :].max(initial=0.0)))
        if _ends(piece, at + order, rate):
            continue
        if peak > max(AUDIBLE * loud, ALONE * usual, AGAIN * others):
            # A floor of one step of 16 bits: what is digitally clean foretells itself, and any dither would stand out.
            height = peak / (float(np.median(rest)) + 2**-15)
            if height > best.peak:
                best = Tick(height, round(1000 * (FROM_S + (at + order) / rate)), standing)
    return msgspec.structs.replace(best, standing=standing.astype(np.float32))


def _ends(piece: NDArray[np.float64], at: int, rate: int) -> bool:
    """Tell whether the sound is over there: a short sample ends, and that is no click of the performance."""
    before, behind = (
        piece[max(0, at - rate // 50) : max(0, at - rate // 500)],
        piece[at + rate // 500 : at + rate // 50],
    )
    if not len(before) or not len(behind):
        return False
    return float(np.abs(behind).max()) < OVER * float(np.abs(before).max())


def _unforetold(piece: NDArray[np.float64], order: int) -> NDArray[np.float64]:
    """Return by how much each sample that has ``order`` before it differs from what these foretell."""
    # By way of the spectrum: products this long are shared out among threads, which wait for each other.
    size = len(piece)
    power = np.abs(np.fft.rfft(piece * hann(size), 2 * size)) ** 2
    correlation = np.fft.irfft(power)[: order + 1]
    correlation[0] *= 1 + 1e-9
    places = np.abs(np.arange(order)[:, None] - np.arange(order))
    weights = np.linalg.solve(correlation[places], correlation[1:])
    whole = 1 << (size + order).bit_length()
    error = np.fft.irfft(np.fft.rfft(piece, whole) * np.fft.rfft(np.concatenate(([1.0], -weights)), whole), whole)
    rest: NDArray[np.float64] = np.abs(error[order:size])
    return rest


def _by_milliseconds(rest: NDArray[np.float64], rate: int, order: int) -> Floats:
    edges = np.arange(round(1000 * (len(rest) + order) / rate)) * rate // 1000 - order
    edges = np.clip(edges, 0, len(rest) - 1)
    return np.asarray(np.maximum.reduceat(rest, edges), np.float32)
