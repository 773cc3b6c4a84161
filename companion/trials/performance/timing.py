"""When a note begins, and which notes begin at another moment in one bounce than in the other.

Honest bounces differ in that too: by a latency that is the same for all, by clocks, by blocks of a host, by takes that
begin a little earlier or later, by attacks so slow that no one can say when they begin. A difference counts by what
stands out of all that.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.bounce import Heard
from companion.trials.performance.hearing import powers

LATE_S: Final = 0.03
"""Less than this is not told: two sounds this far apart begin together to most ears (common practice, no source)."""
SPREADS: Final = 5.0
"""By how many standard deviations of the notes that agree a note must stray from them."""
OF_THE_RISE: Final = 0.6
"""By how much of its own rise it must: a slow attack begins at no one moment."""
OF_THE_TAKES: Final = 1.5
"""By how much of what the takes of one note differ among each other."""
RISE_DB: Final = 14.0
"""What a note must stand out of what rang before, for its beginning to be seen."""
_UP_DB: Final = 9.0
_FOOT_DB: Final = 20.0
"""A note has begun where it comes this near to its loudest; its rise is the way there from the foot."""
_FRONT_S: Final = 0.12
_EARLY_S: Final = 0.05
_SMOOTH_S: Final = 0.012
_STEP_S: Final = 0.001
_AGREE: Final = 0.4
"""Share of the notes that must agree on how late all of them are."""
_CENTRAL: Final = 1.05
"""Width of the central 40 % of a normal distribution, in standard deviations."""
FEWEST: Final = 5
"""Notes that must be seen to begin in both bounces before any is called late."""


class Rise(msgspec.Struct, frozen=True):
    """How a note begins. at: seconds behind the moment it was played; span: seconds it takes to come up."""

    at: float
    span: float


def hear_rise(sound: Heard, on: float, off: float) -> Rise | None:
    """Return how a note begins that is played from ``on`` to ``off``, seconds of the bounce.

    None where it does not stand out of what was there before, or where nothing of it is seen to come up.
    """
    curve = _curve(sound, on - _FRONT_S, off)
    start = round(_FRONT_S / _STEP_S)
    if len(curve) <= start + 10:
        return None
    top, before = float(curve[start:].max()), float(np.median(curve[: start - 20]))
    if top < 1e-12 or 10 * np.log10(top / max(before, 1e-16)) < RISE_DB:
        return None
    first = start - round(_EARLY_S / _STEP_S)
    up = np.flatnonzero(curve[first:] >= top * 10 ** (-_UP_DB / 10))
    if not len(up) or up[0] == 0:
        return None
    reached = first + int(up[0])
    foot = np.flatnonzero(curve[:reached] < top * 10 ** (-_FOOT_DB / 10))
    span = (reached - int(foot[-1])) * _STEP_S if len(foot) else _FRONT_S
    return Rise((reached - start) * _STEP_S, span)


def _curve(sound: Heard, first: float, last: float) -> NDArray[np.float64]:
    """Return the mean square around each millisecond."""
    power = powers(sound.read(first, last)).astype(np.float64) ** 2
    width = max(1, round(_SMOOTH_S * sound.rate))
    summed = np.concatenate(([0.0], np.cumsum(power)))
    middles = np.arange(0, max(0.0, last - first), _STEP_S) * sound.rate
    low = np.clip(middles - width / 2, 0, len(power)).astype(np.int64)
    high = np.clip(middles + width / 2, 0, len(power)).astype(np.int64)
    return np.asarray((summed[high] - summed[low]) / np.maximum(high - low, 1), np.float64)


def late(home: Mapping[int, Rise], away: Mapping[int, Rise], takes: Iterable[Sequence[Rise]]) -> dict[int, float]:
    """Return the notes that begin at another moment away, by their numbers: seconds, later where positive.

    takes: of the home bounce, the beginnings of notes that were played over and over, each several of one note.
    """
    both = sorted(home.keys() & away.keys())
    if len(both) < FEWEST:
        return {}
    behind = np.array([away[number].at - home[number].at for number in both])
    middle, width = _agreed(behind)
    moments = [[one.at for one in several] for several in takes if several]
    among = max((max(several) - min(several) for several in moments), default=0.0)
    least = max(LATE_S, SPREADS * width / _CENTRAL, OF_THE_TAKES * among)
    found = {}
    for number, value in zip(both, behind - middle, strict=True):
        if abs(value) > max(least, OF_THE_RISE * max(home[number].span, away[number].span)):
            found[number] = float(value)
    return found


def _agreed(values: NDArray[np.float64]) -> tuple[float, float]:
    """Return the middle and the width of the narrowest stretch that holds enough of ``values``.

    The median would lie between two layers where one of them is late.
    """
    ordered = np.sort(values)
    count = max(3, int(np.ceil(_AGREE * len(ordered))))
    widths = ordered[count - 1 :] - ordered[: len(ordered) - count + 1]
    at = int(np.argmin(widths))
    return float(np.median(ordered[at : at + count])), float(widths[at])
