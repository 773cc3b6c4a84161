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
CAMP: Final = 0.75
APART: Final = 0.2
LEAST: Final = 0.85
BAGS: Final = 4
"""Keys that must all have each take once in every turn: by chance two takes of a key come so in two of seven."""
FEWEST: Final = 2
"""Keys whose repeats fall into camps, :data:`APART` from each other and the upper one from :data:`LEAST` on."""
FREE: Final = "no two of them are alike: an effect runs free over them, or there are more takes than repeats"
BY_CHANCE: Final = "takes come by chance here, and so one key may repeat one"


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
        return [Verdict(rule="take-repeats", key=key, slots=slots[key], reason=FREE) for key in alike]
    by_turns = sum(_turns(table, takes, bound) for table in varied) >= 0.7 * len(varied)
    by_turns = by_turns or (len(varied) >= BAGS and all(_each_in_turn(table, takes, bound) for table in varied))
    told = [_repeats(key, slots, takes) for key, one in same.items() if one]
    return told if by_turns else [msgspec.structs.replace(one, reason=BY_CHANCE) for one in told]


def _bound(alike: Mapping[int, Sequence[Sequence[float]]]) -> float:
    """Return how alike two repeats of one recording are at least.

    What the key before still rings over them, and an effect that sways a little, make them less alike. Where the
    repeats of several keys fall into two camps far apart each, the upper ones are those of one recording.
    """
    camps = [camp for table in alike.values() if (camp := _camps(table))]
    if len(camps) < FEWEST:
        return SAME
    return max(CAMP, (max(lower for lower, _ in camps) + min(upper for _, upper in camps)) / 2)


def _camps(table: Sequence[Sequence[float]]) -> tuple[float, float] | None:
    """Return the most of the lower camp and the least of the upper one; None where there are no two."""
    values = sorted(value for row in _pairs(table) for value in row)
    gap, lower, upper = max(((two - one, one, two) for one, two in pairwise(values)), default=(0.0, 0.0, 0.0))
    return (lower, upper) if gap >= APART and upper >= LEAST else None


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


def _each_in_turn(table: Sequence[Sequence[float]], takes: int, bound: float) -> bool:
    """Tell whether in two turns of ``takes`` repeats each take comes once in either, in whatever order."""
    if len(table) != 2 * takes:
        return False
    first, second = range(takes), range(takes, 2 * takes)
    apart = all(table[i][j] <= bound for turn in (first, second) for i in turn for j in turn if i < j)
    return apart and all(sum(table[i][j] > bound for i in first) == 1 for j in second)
