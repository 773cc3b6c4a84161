"""What repeats of one note tell: round robins that are one recording. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.judged import Verdict

Floats = NDArray[np.float32]

SAME: Final = 0.985
CAMP: Final = 0.9
APART: Final = 0.2


class Levelled(msgspec.Struct, frozen=True):
    """A recording's spectrum with its magnitudes levelled, of length one; None where there is nothing to hear."""

    spectrum: NDArray[np.complex64] | None
    size: int


def levelled(data: Floats, rate: int) -> Levelled:
    """Return a stretch ready to be compared: of two takes of one note the strong partials are much alike, so weak ones
    are made to count nearly as much. What lies 50 dB under the strongest is left out as noise.
    """
    length = len(data)
    if length < rate // 20:
        return Levelled(None, 0)
    window = np.ones(length, np.float32)
    edge = max(1, rate // 100)
    window[-edge:] = np.linspace(1, 0, edge, dtype=np.float32)
    size = 1 << (2 * length - 1).bit_length()
    spectrum = np.fft.rfft(data * window, size)
    power = np.abs(spectrum)
    top = float(power.max())
    if top < 1e-6:
        return Levelled(None, size)
    flat = np.where(power > top * 10 ** (-50 / 20), spectrum / np.maximum(power, 1e-12) ** 0.7, 0)
    return Levelled((flat / np.linalg.norm(flat)).astype(np.complex64), size)


def likeness(one: Levelled, other: Levelled, rate: int) -> float:
    """Return how alike two recordings are, 0 to 1, whatever their level and with up to 30 ms between them."""
    if one.spectrum is None or other.spectrum is None or one.size != other.size:
        return 0.0
    # Twice as many values as samples: between two of them the true peak is missed by next to nothing.
    crossed = np.zeros(one.size + 1, np.complex64)
    crossed[: one.size // 2 + 1] = one.spectrum * np.conj(other.spectrum)
    whole = np.fft.irfft(crossed, 2 * one.size) * one.size
    lags = int(0.03 * rate) * 2
    return float(min(1.0, np.abs(np.concatenate((whole[: lags + 1], whole[-lags:]))).max()))


def repeating(
    alike: Mapping[int, Sequence[Sequence[float]]], slots: Mapping[int, tuple[int, ...]], takes: int
) -> list[Verdict]:
    """Return the keys that repeat one recording although ``takes`` are stated.

    alike: by key, how alike each repeat is to each other. Where other keys draw their takes by chance, one key may draw
    the same each time: then only an instrument that never varies at all is told.
    """
    if takes < 2 or not alike:
        return []
    bound = _bound(alike)
    same = {key: _least(table) > bound for key, table in alike.items()}
    if all(same.values()) and len(same) >= 3:
        return [_repeats(key, slots, takes) for key in same]
    varied = [table for key, table in alike.items() if not same[key]]
    if not any(value > bound for table in varied for row in _pairs(table) for value in row):
        reason = "no two of them are alike: an effect runs free over them, or there are more takes than repeats"
        return [Verdict(rule="take-repeats", key=key, slots=slots[key], reason=reason) for key in alike]
    by_turns = sum(_turns(table, takes, bound) for table in varied) >= 0.7 * len(varied)
    return [_repeats(key, slots, takes) for key, one in same.items() if one] if by_turns else []


def _bound(alike: Mapping[int, Sequence[Sequence[float]]]) -> float:
    """Return how alike two repeats of one recording are at least.

    What the key before still rings over them makes them less alike. Where repeats fall into two camps far apart, the
    upper one is that of one recording.
    """
    values = sorted({value for table in alike.values() for row in _pairs(table) for value in row})
    gaps = [(upper - lower, upper) for lower, upper in pairwise(values) if upper >= CAMP]
    widest = max(gaps, default=(0.0, SAME))
    return max(CAMP, widest[1] - widest[0] / 2) if widest[0] >= APART else SAME


def _repeats(key: int, slots: Mapping[int, tuple[int, ...]], takes: int) -> Verdict:
    return Verdict(rule="take-repeats", key=key, slots=slots[key], value=1, bound=takes)


def _pairs(table: Sequence[Sequence[float]]) -> list[Sequence[float]]:
    return [row[place + 1 :] for place, row in enumerate(table)]


def _least(table: Sequence[Sequence[float]]) -> float:
    return min((value for row in _pairs(table) for value in row), default=0.0)


def _turns(table: Sequence[Sequence[float]], takes: int, bound: float) -> bool:
    """Tell whether repeats are alike exactly where a turn of ``takes`` comes round."""
    pairs = [(i, j) for i in range(len(table)) for j in range(i + 1, len(table))]
    return all((table[i][j] > bound) == ((j - i) % takes == 0) for i, j in pairs)
