"""Pitch of a recording, and how far it can be trusted. Arrays: one channel, float32.

The period is found by the normalised square difference (McLeod and Wyvill, "A smarter way to find pitch", ICMC 2005)
in six windows after the attack, and refined on the partials of one long spectrum. A Gaussian window makes the peak of
a partial an exact parabola in dB, also of one that decays exponentially (Gasior and Gonzalez, CERN-AB-2004-023).
"""

import math
from functools import lru_cache
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

WINDOWS: Final = 6
WINDOW_S: Final = 0.09
LONG_WINDOW_S: Final = 0.3
KEEP: Final = 0.93
"""The first peak within this share of the highest is the period: MPM's constant k."""

LOWEST_HZ: Final = 16.0
HIGHEST_HZ: Final = 8000.0
PARTIALS: Final = 8
NO_ODD_DB: Final = -18.0
"""With so little in its odd partials a sound is heard an octave above the period that was found."""

REFINE_S: Final = 1.0
_SAME_CENTS: Final = 35.0

Mono = NDArray[np.float32]


class Pitch(msgspec.Struct, frozen=True, kw_only=True):
    """cents: 100 × MIDI note, A4 = 440 Hz = 6900. trust: clarity × agreement of the windows, 0–1.

    odd_db: energy of the odd partials against the even ones; far below 0, the true pitch is an octave higher.
    half_db: energy half-way between the partials against theirs; near 0, the true pitch is an octave lower.
    spread: cents between the lowest and the highest of the windows that agree. fundamental_db: the first partial
    against the highest of the first eight; far below 0 it is missing, and only the others' spacing gives the pitch.
    """

    cents: float
    trust: float
    odd_db: float
    half_db: float
    spread: float
    fundamental_db: float


def cents_of(hertz: float) -> float:
    """Return 100 × MIDI note number for a frequency; A4 = 440 Hz (ISO 16) is 6900."""
    return 6900.0 + 1200.0 * math.log2(hertz / 440.0)


def hertz_of(cents: float) -> float:
    """Return the frequency in Hz of 100 × MIDI note number."""
    return float(440.0 * 2.0 ** ((cents - 6900.0) / 1200.0))


@lru_cache(maxsize=256)
def fast_length(size: int) -> int:
    """Return the smallest length of at least ``size`` whose only prime factors are 2, 3 and 5: quick to transform."""
    best = 1 << max(0, size - 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            rest = -(-size // three)
            best = min(best, three << max(0, rest - 1).bit_length())
            three *= 3
        five *= 5
    return best


def pitch_of(sound: Mono, rate: int, start: int, stop: int) -> Pitch | None:
    """Return the pitch of ``sound`` between the frames ``start`` (the attack) and ``stop`` (where it has faded).

    None where no period shows. The first 30 ms after the attack, or a tenth of what there is, are passed over.
    """
    start += min(round(0.03 * rate), (stop - start) // 10)
    body = sound[start:stop].astype(np.float32)
    if len(body) < 64 or not float(np.abs(body).max(initial=0.0)) > 0:
        return None
    found = _period(body, rate, WINDOW_S)
    if found is None or found[1] < 0.8 or found[0] < 55:
        longer = _period(body, rate, LONG_WINDOW_S)
        if longer is not None and (found is None or longer[1] > found[1]):
            found = longer
    if found is None:
        return None
    hertz, trust, spread = found
    spectrum, step = _spectrum(body, rate)
    refined = _refine(spectrum, step, hertz, len(body) / rate, rate)
    odd, half = _octave_evidence(spectrum, step, refined, rate)
    if odd < NO_ODD_DB:
        refined *= 2
        odd, half = _octave_evidence(spectrum, step, refined, rate)
    first = _fundamental(spectrum, step, refined, rate)
    return Pitch(cents=cents_of(refined), trust=trust, odd_db=odd, half_db=half, spread=spread, fundamental_db=first)


def _period(body: Mono, rate: int, window_s: float) -> tuple[float, float, float] | None:
    """Return (frequency in Hz, trust, spread in cents) of what most of up to six windows over ``body`` agree on.

    Those agree that lie within a third of a semitone of one another.
    """
    size = min(len(body), round(window_s * rate))
    count = 1 if len(body) < size * 5 // 4 else WINDOWS
    starts = np.linspace(0, len(body) - size, count).astype(int)
    frames = np.stack([body[start : start + size] for start in starts])
    hertz, clarity = np.array(periods(frames, rate)).T
    valid = hertz > 0
    if not valid.any():
        return None
    cents = np.where(valid, 1200 * np.log2(np.maximum(hertz, 1e-9)), np.inf)
    best, weight = np.zeros(count, bool), -1.0
    for index in np.flatnonzero(valid):
        near = valid & (np.abs(cents - cents[index]) <= _SAME_CENTS)
        if clarity[near].sum() > weight:
            best, weight = near, float(clarity[near].sum())
    trust = float(clarity[best].mean() * (best.sum() / count))
    return float(np.median(hertz[best])), trust, float(np.ptp(cents[best]))


def periods(frames: NDArray[np.float32], rate: int) -> list[tuple[float, float]]:
    """Return (frequency in Hz, clarity 0–1) of each row by its first high peak; (0, 0) where no period shows."""
    return [_first_peak(curve, rate) for curve in square_difference(frames - frames.mean(axis=1, keepdims=True))]


def square_difference(frames: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return 2·r(τ)/m(τ), −1…1, of each row for τ from 0 to two thirds of its length (equation 9 of the paper)."""
    size = frames.shape[1]
    lags = size * 2 // 3
    length = fast_length(size + lags)
    spectrum = np.fft.rfft(frames, length, axis=1)
    autocorrelation = np.fft.irfft(np.abs(spectrum) ** 2, length, axis=1)[:, :lags].astype(np.float64)
    squares = np.cumsum(frames.astype(np.float64) ** 2, axis=1)
    total = squares[:, -1:]
    before = np.concatenate((total, squares[:, ::-1][:, 1:lags]), axis=1)
    after = np.concatenate((np.zeros_like(total), squares[:, : lags - 1]), axis=1)
    energy = before + total - after
    return np.where(energy > 1e-12 * total, 2 * autocorrelation / np.maximum(energy, 1e-30), 0.0)


def _first_peak(curve: NDArray[np.float64], rate: int) -> tuple[float, float]:
    shortest = max(2, int(rate / HIGHEST_HZ))
    negative = np.flatnonzero(curve < 0)
    if not len(negative):
        return 0.0, 0.0
    first = max(int(negative[0]), shortest)
    inner = curve[first:-1]
    if len(inner) < 3:
        return 0.0, 0.0
    tops = np.flatnonzero((inner[1:-1] > inner[:-2]) & (inner[1:-1] >= inner[2:]) & (inner[1:-1] > 0)) + 1
    if not len(tops):
        return 0.0, 0.0
    left, middle, right = inner[tops - 1], inner[tops], inner[tops + 1]
    bend = left - 2 * middle + right
    shift = 0.5 * (left - right) / np.where(bend < 0, bend, -1e-9)
    # A period of few samples falls between them: only the parabola's top tells how high a peak is.
    heights = middle - 0.25 * (left - right) * shift
    best = int(np.argmax(heights >= KEEP * heights.max()))
    clarity = heights[best]
    hertz = rate / (first + tops[best] + shift[best])
    return (float(hertz), float(min(1.0, clarity))) if hertz >= LOWEST_HZ else (0.0, 0.0)


@lru_cache(maxsize=4)
def _gaussian(size: int) -> NDArray[np.float32]:
    position = (np.arange(size) - (size - 1) / 2) / (size / 8)
    window: NDArray[np.float32] = np.exp(-0.5 * position**2).astype(np.float32)
    return window


def _spectrum(body: Mono, rate: int) -> tuple[NDArray[np.float64], float]:
    """Return the magnitude spectrum of the first ``REFINE_S`` seconds under a Gaussian window, and its step in Hz."""
    size = min(len(body), round(REFINE_S * rate))
    windowed = body[:size] * _gaussian(size)
    length = fast_length(max(2 * size, 1024))
    return np.abs(np.fft.rfft(windowed, length)).astype(np.float64), rate / length


def _peak_near(spectrum: NDArray[np.float64], step: float, hertz: float, reach: float) -> tuple[float, float]:
    """Return frequency and magnitude of the highest peak within ``reach`` Hz of ``hertz``; (0, 0) when at an edge."""
    low, high = max(1, int((hertz - reach) / step)), min(len(spectrum) - 2, math.ceil((hertz + reach) / step))
    if high - low < 2:
        return 0.0, 0.0
    top = low + int(np.argmax(spectrum[low : high + 1]))
    around = spectrum[top - 1 : top + 2]
    if around[1] <= 0 or around[1] < around[0] or around[1] < around[2] or around.min() <= 0:
        return 0.0, 0.0
    left, middle, right = np.log(around)
    bend = left - 2 * middle + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return (top + shift) * step, float(around[1])


def _refine(spectrum: NDArray[np.float64], step: float, hertz: float, seconds: float, rate: int) -> float:
    """Return the frequency that the partials agree on; ``hertz`` itself where they cannot be told apart."""
    width = 1.27 / min(seconds, REFINE_S)
    if hertz < 5 * width:
        return hertz
    total, weights = 0.0, 0.0
    for partial in range(1, PARTIALS + 1):
        target = partial * hertz
        if target > 0.48 * rate:
            break
        reach = min(max(0.02 * target, 1.5 * step), 0.45 * hertz)
        peak, size = _peak_near(spectrum, step, target, reach)
        if peak > 0 and abs(1200 * math.log2(peak / target)) < _SAME_CENTS:
            total += size**2 * peak / partial
            weights += size**2
    return total / weights if weights > 0 else hertz


def _octave_evidence(spectrum: NDArray[np.float64], step: float, hertz: float, rate: int) -> tuple[float, float]:
    def energy(multiples: list[float]) -> float:
        reach, inside = max(0.1 * hertz, 2 * step), [one * hertz for one in multiples if one * hertz < 0.48 * rate]
        return sum(_peak_near(spectrum, step, near, reach)[1] ** 2 for near in inside)

    odd, even = energy([1, 3, 5, 7]), energy([2, 4, 6, 8])
    half = energy([0.5, 1.5, 2.5, 3.5])
    tiny = 1e-12 * (odd + even) + 1e-30
    return 10 * math.log10((odd + tiny) / (even + tiny)), 10 * math.log10((half + tiny) / (odd + even + tiny))


def _fundamental(spectrum: NDArray[np.float64], step: float, hertz: float, rate: int) -> float:
    """Return the first partial's height against the highest of the first eight, in dB; −120 where it is not there."""
    reach = max(0.1 * hertz, 2 * step)
    inside = [partial * hertz for partial in range(1, PARTIALS + 1) if partial * hertz < 0.48 * rate]
    heights = [_peak_near(spectrum, step, near, reach)[1] for near in inside]
    highest = max(heights, default=0.0)
    return max(-120.0, 20 * math.log10(heights[0] / highest)) if highest > 0 and heights[0] > 0 else -120.0
