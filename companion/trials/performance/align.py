"""Finding a performance in a bounce of it: where it begins, and how fast its clock runs.

The moments at which notes begin are laid over the strength of onsets at every offset. Their gaps are irregular, so only
the right performance at the right place fits. Stretches of the performance are then placed one by one, and a line
through their places tells of drift; stretches that are not there are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

SURE_FIT: Final = 13.0
"""Fit that is enough by itself; right ones of sounds that begin at once reach 18 and more, others stay under 10."""
LEAST_FIT: Final = 5.0
"""Fit that is enough where it is also :data:`APART` times that of every decoy: slow attacks reach 6 under noise."""
APART: Final = 1.6
LEAST_HITS: Final = 0.4
"""Share of onsets that must be strong by themselves: one loud bang fits anything."""
_DECOYS: Final = 8
_LATE_S: Final = 0.008
"""By how much the strength of onsets runs ahead of them: its window sees them come."""
_STRETCH: Final = 24
"""Onsets in a stretch that is placed by itself."""
_NEAR_S: Final = 0.35
_LEAST_STRETCH: Final = 4.5
_MANY: Final = 4_000_000
"""More sums than this are taken by way of spectra."""


class Alignment(msgspec.Struct, frozen=True, kw_only=True):
    """Where a performance lies in a bounce: second ``t`` of it stands at ``offset + ratio * t``.

    fit: how far the best place stands out, in standard deviations of all the others. covered: of each stretch of the
    performance, (first, last) second in it, and whether it was found. scatter: seconds by which stretches stray.
    """

    offset: float
    ratio: float
    fit: float
    covered: tuple[tuple[float, float, bool], ...] = ()
    scatter: float = 0.0

    def at(self, seconds: float) -> float:
        """Return the second of the bounce at which second ``seconds`` of the performance stands."""
        return self.offset + self.ratio * seconds

    def covers(self, seconds: float) -> bool:
        """Tell whether the stretch around this second of the performance is in the bounce."""
        near = [found for first, last, found in self.covered if first - 1.0 <= seconds <= last + 1.0]
        return any(near)


def _levelled(curve: Floats, seconds: float) -> Floats:
    """Return the curve with its local mean taken away and its local spread set to one; large values are held down."""
    width = max(3, min(int(4.0 / seconds), len(curve) - 2) | 1)  # never wider than the curve itself
    kernel = np.ones(width) / width
    mean = np.convolve(curve, kernel, "same")
    spread = np.sqrt(np.maximum(np.convolve((curve - mean) ** 2, kernel, "same"), 1e-12))
    floor = 0.05 * float(np.sqrt(np.mean((curve - mean) ** 2))) + 1e-9
    return np.clip((curve - mean) / np.maximum(spread, floor), -1.0, 4.0).astype(np.float32)


def _laid(curve: Floats, onsets: NDArray[np.float64], seconds: float, first: float, last: float) -> Floats:
    """Return, for each offset from ``first`` to ``last`` seconds, a value at a time, the curve summed over onsets."""
    starts = np.round(onsets / seconds).astype(int)
    offsets = np.arange(int(np.floor(first / seconds)), int(np.ceil(last / seconds)) + 1)
    pad = int(max(0, -offsets[0])) + 1
    end = int(starts.max() + offsets[-1] + 2)
    padded = np.zeros(pad + max(len(curve), end), np.float32)
    padded[pad : pad + len(curve)] = curve
    if len(starts) * len(offsets) > _MANY:
        return _laid_at_once(padded, pad + offsets[0] + starts, len(offsets))
    total = np.zeros(len(offsets), np.float32)
    for start in starts:
        total += padded[pad + start + offsets[0] : pad + start + offsets[0] + len(offsets)]
    return total


def _laid_at_once(padded: Floats, starts: NDArray[np.int64], count: int) -> Floats:
    """Return the same by way of spectra: the sum over ``starts`` of ``count`` values of ``padded`` from each on."""
    marks = np.zeros(len(padded), np.float32)
    np.add.at(marks, starts, 1)
    size = 1 << (2 * len(padded) - 1).bit_length()
    whole = np.fft.irfft(np.fft.rfft(padded, size) * np.conj(np.fft.rfft(marks, size)), size)
    return whole[:count].astype(np.float32)


def align(curve: Floats, seconds: float, onsets: Sequence[float], length: float) -> Alignment | None:
    """Return where a performance lies in a bounce, or None where it cannot be found.

    curve: strength of onsets, one value every ``seconds``. onsets: when notes begin in the performance, in seconds,
    rising. length: of the performance in seconds.
    """
    usable = len(onsets) >= 8 and len(curve) * seconds >= 2 and bool(np.isfinite(curve).all())
    if not usable or float(curve.std()) < 1e-9:
        return None
    planned, levelled = np.asarray(onsets, np.float64), _levelled(curve, seconds)
    best = _aligned(levelled, seconds, planned, length)
    if best is None or best.fit < LEAST_FIT or _hits(levelled, seconds, planned, best) < LEAST_HITS:
        return None
    if best.fit < SURE_FIT:
        decoys = [_aligned(levelled, seconds, decoy, length) for decoy in _decoys(planned)]
        if best.fit < APART * max((decoy.fit for decoy in decoys if decoy), default=0.0):
            return None
    return best


def _hits(curve: Floats, seconds: float, planned: NDArray[np.float64], place: Alignment) -> float:
    """Return the share of onsets inside the bounce at which the curve is strong; 0 where too few are inside."""
    at = np.round((place.offset - _LATE_S + place.ratio * planned) / seconds).astype(int)
    at = at[(at >= 4) & (at < len(curve) - 4)]
    if len(at) < max(8, len(planned) // 8):
        return 0.0
    near = np.max([curve[at + aside] for aside in range(-4, 5)], axis=0)
    return float((near > 0.5).mean())


def _decoys(planned: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Return performances like this one: the same gaps, but near ones have changed places."""
    gaps, made = np.diff(planned), []
    for number in range(_DECOYS):
        draw, shuffled = np.random.default_rng(number), gaps.copy()
        for first in range(0, len(gaps), _STRETCH):
            draw.shuffle(shuffled[first : first + _STRETCH])
        made.append(planned[0] + np.concatenate(([0.0], np.cumsum(shuffled))))
    return made


def _aligned(curve: Floats, seconds: float, planned: NDArray[np.float64], length: float) -> Alignment | None:
    whole = len(curve) * seconds
    first, last = -min(length, 1e6) * 0.9, whole - planned[0]
    place, _ = _best_place(curve, seconds, planned, first, last)
    stretches = [planned[index : index + _STRETCH] for index in range(0, len(planned), _STRETCH)]
    if len(stretches) > 1 and len(stretches[-1]) < _STRETCH // 2:
        stretches[-2:] = [np.concatenate(stretches[-2:])]
    points: list[tuple[float, float, float]] = []
    for stretch in stretches:
        at, strength = _best_place(curve, seconds, stretch, place - _NEAR_S, place + _NEAR_S)
        points.append((float(stretch.mean()), at, strength))
    sure = [(t, at) for t, at, strength in points if strength >= _LEAST_STRETCH]
    if not sure:
        return None
    slope, base = _line(sure)
    exact = base + planned * (1 + slope)
    fit = _fit(curve, seconds, exact)
    covered = tuple(
        (float(stretch[0]), float(stretch[-1]), strength >= _LEAST_STRETCH and abs(at - (base + slope * t)) < 0.03)
        for stretch, (t, at, strength) in zip(stretches, points, strict=True)
    )
    stray = float(np.median([abs(at - (base + slope * t)) for t, at in sure]))
    return Alignment(offset=base + _LATE_S, ratio=1 + slope, fit=fit, covered=covered, scatter=stray)


def _best_place(
    curve: Floats, seconds: float, onsets: NDArray[np.float64], first: float, last: float
) -> tuple[float, float]:
    """Return the best offset between ``first`` and ``last``, and how many standard errors its mean is above zero."""
    total = _laid(curve, onsets, seconds, first, last)
    # Neighbours count as well: a curve's peak is some values wide.
    wide = np.convolve(total, [0.5, 1.0, 0.5], "same")
    index = int(np.argmax(wide))
    strength = float(total[max(0, index - 1) : index + 2].max() / np.sqrt(len(onsets)))
    between = 0.0
    if 0 < index < len(wide) - 1:
        left, middle, right = (float(value) for value in wide[index - 1 : index + 2])
        bend = left - 2 * middle + right
        between = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return (int(np.floor(first / seconds)) + index + between) * seconds, strength


def _line(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return slope and base of the line through (time, place) points by Theil and Sen: the median of all slopes."""
    if len(points) < 3:
        return 0.0, float(np.median([at for _, at in points]))
    slopes = [(b[1] - a[1]) / (b[0] - a[0]) for i, a in enumerate(points) for b in points[i + 1 :] if b[0] > a[0]]
    slope = float(np.median(slopes))
    return slope, float(np.median([at - slope * t for t, at in points]))


def _fit(curve: Floats, seconds: float, places: NDArray[np.float64]) -> float:
    """Return how far the sum at ``places`` stands above the sums at other offsets, in their standard deviations."""
    inside = places[(places >= 0) & (places < len(curve) * seconds)]
    if len(inside) < 8:
        return 0.0
    here = float(_laid(curve, inside, seconds, -2 * seconds, 2 * seconds).max())
    others = _laid(curve, inside, seconds, -8.0, 8.0)
    middle = len(others) // 2
    quiet = int(0.25 / seconds)
    aside = np.concatenate([others[: middle - quiet], others[middle + quiet :]])
    return (here - float(aside.mean())) / (float(aside.std()) + 1e-9)
