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
"""And the next one that is more than 5 ms from it."""
ALONE: Final = 5.0
"""By how many times a click exceeds all but half a percent of its surroundings."""

_ORDER: Final = 32


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

    By linear prediction of order 32 (autocorrelation method); of whichever channel has the larger click.
    """
    best, standing = NO_TICK, np.zeros(0, np.float32)
    for channel in range(data.shape[1]):
        piece = data[:, channel].astype(np.float64)
        if len(piece) < rate // 20 or float(np.abs(piece).max()) < 1e-4:
            continue
        rest = _unforetold(piece)
        usual = float(np.percentile(rest, 99.5))
        curve = _by_milliseconds(rest, rate) / np.float32(usual + 2**-15)
        standing = curve if not len(standing) else np.maximum(standing, curve)
        peak, at, near = float(rest.max()), int(np.argmax(rest)), rate // 200
        loud = float(np.sqrt(np.mean(piece**2)))
        # What comes back with every period, as the jump of a saw does, is the sound itself.
        others = max(float(rest[: max(0, at - near)].max(initial=0.0)), float(rest[at + near :].max(initial=0.0)))
        if peak > max(AUDIBLE * loud, ALONE * usual, AGAIN * others):
            # A floor of one step of 16 bits: what is digitally clean foretells itself, and any dither would stand out.
            height = peak / (float(np.median(rest)) + 2**-15)
            if height > best.peak:
                best = Tick(height, round(1000 * (FROM_S + (at + _ORDER) / rate)), standing)
    return msgspec.structs.replace(best, standing=standing.astype(np.float32))


def _unforetold(piece: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return, from the 33rd sample on, by how much each differs from what the 32 before it foretell."""
    # By way of the spectrum: products this long are shared out among threads, which wait for each other.
    power = np.abs(np.fft.rfft(piece * hann(len(piece)), 2 * len(piece))) ** 2
    correlation = np.fft.irfft(power)[: _ORDER + 1]
    correlation[0] *= 1 + 1e-9
    places = np.abs(np.arange(_ORDER)[:, None] - np.arange(_ORDER))
    weights = np.linalg.solve(correlation[places], correlation[1:])
    rest: NDArray[np.float64] = np.abs(np.convolve(piece, np.concatenate(([1.0], -weights)), "valid"))
    return rest


def _by_milliseconds(rest: NDArray[np.float64], rate: int) -> Floats:
    edges = np.arange(round(1000 * (len(rest) + _ORDER) / rate)) * rate // 1000 - _ORDER
    edges = np.clip(edges, 0, len(rest) - 1)
    return np.asarray(np.maximum.reduceat(rest, edges), np.float32)
