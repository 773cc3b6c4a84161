"""How a held note follows a control that glides: evenly, or in steps.

What the control does to the note is learned from its jumps, end against end, so that a note that dies away meanwhile is
no part of it; the glide is then read along that difference alone. Where a pitch is what moves, it is followed as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

_HOP_S: Final = 0.01
_WINDOW_S: Final = 0.03
_PITCH_WINDOW_S: Final = 0.06
_LAG: Final = 4
"""Windows between two values that make one step: 40 ms."""
_SETTLE_S: Final = 0.12
"""A jump is over after this: engines glide for up to 80 ms, and are late."""
_BEFORE_S: Final = 0.03
_WAY: Final = slice(14, -10)
"""Steps at the very ends of the way do not count: many tapers are steep there."""
_BANDS: Final = 16
_LEAST_SIZE: Final = 8.0
"""By how many deviations the ends must differ for the way between them to show."""
_AGREE: Final = 0.75
"""The two jumps must do the same, to this share,"""
_RISE: Final = (0.7, 1.4)
"""and the glide as much as they did."""
_LEAST_CENTS: Final = 20.0
_CLEAR: Final = 20.0
_AT_ONCE: Final = 0.9


class Glide(msgspec.Struct, frozen=True):
    """The way of a glide, in shares of the whole change.

    step: the largest part that happens in 40 ms; nan where nothing shows the glide. two: with the next largest.
    noise: the deviation of such parts while nothing moves. spread: in which share of the time it changes at all.
    track: what shows it.
    """

    step: float = float("nan")
    two: float = float("nan")
    noise: float = float("nan")
    spread: float = float("nan")
    track: str = ""


def hear_glide(data: Floats, rate: int, jumps: Sequence[float], begin: float, end: float) -> Glide:
    """Return how (frames, channels) follow a control that jumps from end to end and then glides once.

    jumps: the four seconds at which it jumps, first away from where it glides from. begin, end: of the glide.
    """
    found = _along(data, rate, jumps, begin, end)
    if found is not None:
        return found
    return _by_pitch(data, rate, jumps, begin, end) or Glide()


def _levels(data: Floats, rate: int) -> tuple[Doubles, Doubles]:
    """Return decibels in bands, a row every 10 ms, and the second each row is centred on.

    Of the whole, of one side against the other, and of what the sides differ in against what they share: a sound that
    moves by itself moves the last two far less.
    """
    size, hop = int(_WINDOW_S * rate), int(_HOP_S * rate)
    count = max(0, (len(data) - size) // hop + 1)
    window = np.hanning(size)
    edges = np.geomspace(max(100.0, 2 * rate / size), min(16_000.0, 0.48 * rate), _BANDS + 1)
    places = np.searchsorted(np.fft.rfftfreq(size, 1 / rate), edges)

    def bands(spectra: NDArray[np.complex128]) -> Doubles:
        power = np.abs(spectra) ** 2 / ((window**2).sum() * size / 2)
        sums = np.concatenate([np.zeros((count, 1)), np.cumsum(power, axis=1)], axis=1)
        return np.asarray(np.diff(sums[:, places], axis=1), np.float64)

    left, right = (
        np.fft.rfft(np.lib.stride_tricks.sliding_window_view(data[:, side], size)[::hop][:count] * window, axis=1)
        for side in (0, -1)
    )
    powers = [bands(one) for one in (left, right, (left + right) / 2, (left - right) / 2)]
    whole = powers[0] + powers[1]
    floor = 1e-7 * float(np.percentile(whole.sum(axis=1), 90)) + 1e-14
    one, other, middle, side = (10 * np.log10(power + floor) for power in powers)
    levels = np.concatenate([10 * np.log10(whole + floor), one - other, side - middle], axis=1)
    return levels, (np.arange(count) * hop + size / 2) / rate


def _along(data: Floats, rate: int, jumps: Sequence[float], begin: float, end: float) -> Glide | None:
    """Follow the glide along the difference that the jumps make."""
    levels, times = _levels(data, rate)
    spans = _still(jumps, begin, end)
    inside = [(times > first) & (times < last) for first, last in spans]
    if min(int(one.sum()) for one in inside) < 2 * _LAG:
        return None
    at = np.array([float(times[one].mean()) for one in inside])
    # What dies away does so in every stretch: taken out, as much as the ends have in common.
    means = np.array([levels[one].mean(axis=0) for one in inside])
    low, high = [0, 2, 4], [1, 3]
    falls = [
        (at[own] - at[own].mean()) @ (means[own] - means[own].mean(axis=0)) / ((at[own] - at[own].mean()) ** 2).sum()
        for own in (low, high)
    ]
    levels = levels - np.minimum(0, (falls[0] + falls[1]) / 2) * (times - at[4])[:, None]
    still = [levels[one] for one in inside]
    means = np.array([one.mean(axis=0) for one in still])
    first, second = _moves(means)
    moved = (first + second) / 2
    steps = np.concatenate([one[_LAG:] - one[:-_LAG] for one in still])
    spread = steps.T @ steps / len(steps) / 2
    spread = 0.7 * spread + 0.3 * np.diag(np.diag(spread)) + 0.1 * np.eye(len(spread))
    weights = np.linalg.solve(spread, moved)
    size = float(moved @ weights)
    if size < _LEAST_SIZE**2:
        return None
    curve = (levels - means[4]) @ weights / size
    rise = float(curve[inside[5]].mean() - curve[inside[4]].mean())
    if not _agree(float(first @ weights) / size, float(second @ weights) / size, rise):
        return None
    quiet = np.concatenate([curve[one][_LAG:] - curve[one][:-_LAG] for one in inside])
    noise = float(np.sqrt(np.mean(quiet**2))) / min(1.0, rise)
    way = curve[(times > begin - 0.04) & (times < end + 0.06)]
    return _way((way[_LAG:] - way[:-_LAG]) / min(1.0, rise), noise, "spectrum")


def _still(jumps: Sequence[float], begin: float, end: float) -> list[tuple[float, float]]:
    """Return the stretches in which a control stands still: low, high, low, high, low, and high behind the glide."""
    spans = [(max(0.1, jumps[0] - 0.28), jumps[0] - _BEFORE_S)]
    spans += [(first + _SETTLE_S, last - _BEFORE_S) for first, last in pairwise([*jumps, begin])]
    return [*spans, (end + _SETTLE_S, end + 0.33)]


def _moves(means: Doubles) -> tuple[Any, Any]:
    """Return what each of two ways up and down changes, what drifts meanwhile taken out."""
    return means[1] - (means[0] + means[2]) / 2, means[3] - (means[2] + means[4]) / 2


def _agree(first: float, second: float, rise: float) -> bool:
    """Tell whether both jumps and the glide do the same: shares of what the jumps do on an average."""
    return min(first, second) >= _AGREE * max(first, second) and _RISE[0] <= rise <= _RISE[1]


def _way(steps: Doubles, noise: float, track: str) -> Glide:
    moving = float(np.mean(np.abs(steps) > max(0.01, 3 * noise)))
    inner = steps[_WAY].copy()
    first = int(np.argmax(inner))
    largest = float(inner[first])
    inner[max(0, first - _LAG - 2) : first + _LAG + 3] = 0
    return Glide(largest, largest + max(0.0, float(inner.max())), noise, moving, track)


def _by_pitch(data: Floats, rate: int, jumps: Sequence[float], begin: float, end: float) -> Glide | None:
    """Follow the strongest partial."""
    cents = _pitch(data, rate)
    way = cents[int((begin - 0.04) / _HOP_S) : int((end + 0.06) / _HOP_S)]
    rest = cents[int((end + 0.06) / _HOP_S) + 2 : -4]
    quiet = cents[int(0.25 / _HOP_S) : int(jumps[0] / _HOP_S) - 8]
    lag = 2 * _LAG  # its windows are as long
    if len(way) < 40 or min(len(rest), len(quiet)) < lag + 4:
        return None
    parts = [cents[int(first / _HOP_S) : max(1, int(last / _HOP_S) - 4)] for first, last in _still(jumps, begin, end)]
    if min(map(len, parts)) < _LAG:
        return None
    stands = np.array([float(np.median(part)) for part in parts])
    first, second = _moves(stands)
    change = float(first + second) / 2
    noise = max(float(np.std(piece[lag:] - piece[:-lag])) for piece in (rest, quiet))
    if abs(change) < max(_LEAST_CENTS, _CLEAR * noise):
        return None
    if not _agree(first / change, second / change, float(stands[5] - stands[4]) / change):
        return None
    found = _way((way[lag:] - way[:-lag]) / change, noise / abs(change), "pitch")
    # All at once is another partial that has become the strongest, as often as a leap.
    return found if found.step < _AT_ONCE else None


def _pitch(data: Floats, rate: int) -> Doubles:
    """Return where the strongest partial lies, in cents, one value every 10 ms."""
    mono = data[:, 0] + data[:, -1]
    size, hop = int(_PITCH_WINDOW_S * rate), int(_HOP_S * rate)
    if len(mono) < 2 * size:
        return np.zeros(0)
    frames = np.lib.stride_tricks.sliding_window_view(mono, size)[::hop] * np.hanning(size)
    width = 1 << int(np.ceil(np.log2(size * 4)))
    spectra = np.abs(np.fft.rfft(frames, width, axis=1))
    mean = spectra.mean(axis=0)
    peak = int(np.argmax(mean[3:])) + 3
    low, high = max(1, int(peak * 0.89)), min(len(mean) - 2, int(peak * 1.12) + 1)
    places = np.clip(np.argmax(spectra[:, low : high + 1], axis=1) + low, 1, len(mean) - 2)
    rows = np.arange(len(places))
    left, mid, right = (np.log(spectra[rows, places + step] + 1e-12) for step in (-1, 0, 1))
    bend = np.minimum(left - 2 * mid + right, -1e-9)
    exact = places + np.clip(0.5 * (left - right) / bend, -0.5, 0.5)
    cents: Doubles = 1200 * np.log2(exact / peak)
    return cents
