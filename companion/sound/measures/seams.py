"""Whether a loop's seam can be heard. Arrays: one channel, float32; a loop's end is exclusive."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from companion.sound.measures.measured import MeasuredLoop

REACH_S: Final = 0.003
FEWEST_LEFT: Final = 8
FEWEST_RIGHT: Final = 6
DIFFERENT: Final = 0.4
"""0 is the same wave on both sides, 1 is two waves that have nothing in common, 2 is one upside down."""

NOT_ALIKE: Final = 0.1
BREAKS: Final = 4.0
"""A predictor's error at the seam over its highest elsewhere: 12 dB above what the sound does by itself."""

PLAINLY_BREAKS: Final = 8.0
HARDLY_ALIKE: Final = 0.015
STEPS: Final = 1.2
AUDIBLE: Final = 0.03
FITS_BETTER: Final = 3.0
"""A seam is at fault only where the two sides fit so many times better within 80 frames: noise fits nowhere."""

FITS_ELSEWHERE: Final = (0.2, 100.0)
"""Sides that differ by so much, and fit so many times better near by, are a loop whose end has moved."""

TONAL: Final = 0.4
NOISY: Final = 0.6
"""Above ``TONAL``, up to this, only what fits six times better near by is judged."""

JOINED: Final = 2.0
_JOINED_S: Final = 0.01
_AS_LOUD: Final = 2.0
_NEAR: Final = 80
_ORDER: Final = 16
_LONGEST_FIT_S: Final = 0.05

Mono = NDArray[np.float32]


def seam_of(sound: Mono, rate: int, start: int, end: int) -> MeasuredLoop:
    """Return how the seam from ``end`` back to ``start`` joins. It is heard where the wave breaks: where it is another
    wave, or not quite alike and steps out of line.

    At a good seam the sound after the end is what also comes after the start, or the sound before the start is what
    also comes before the end; one of the two suffices, over up to 3 ms or one turn of the loop. A low wave moved by a
    small part of its period stays alike, but no predictor fitted to the loop expects the step. One frame either way is
    allowed for, since writers differ in whether the end is played. Where the sides are as unlike at any other end
    within 80 frames, they are so by nature: breath, strings that beat. Not judged: noise, whose seams are not heard,
    and loops with too little sound around their points.
    """
    length, reach = end - start, max(FEWEST_LEFT, round(REACH_S * rate))
    body = sound[start:end]
    peak = float(np.abs(body).max(initial=0.0))
    unjudged = MeasuredLoop(start=start, end=end)
    if length < FEWEST_LEFT or peak <= 0:
        return unjudged
    left, right = min(reach, start, length), min(reach, len(sound) - end - 1, length)
    sides = []
    if left >= FEWEST_LEFT:
        sides.append(_side(sound, start, end, -left, 0))
    if right >= FEWEST_RIGHT:
        sides.append(_side(sound, start, end, 0, right))
    if not sides:
        return unjudged
    error, jump, fits = (min(side[place] for side in sides) for place in range(3))
    jump /= peak
    breaks = _breaks(sound, rate, start, end)
    missed = unpredicted(sound[max(0, min(start, end - round(_LONGEST_FIT_S * rate))) : end][-round(0.2 * rate) :])
    judged = missed <= TONAL or (missed <= NOISY and error > 2 * FITS_BETTER * fits)
    other_wave = error > DIFFERENT and (breaks > STEPS or error > 2 * FITS_BETTER * fits)
    plainly = breaks > PLAINLY_BREAKS and error > HARDLY_ALIKE
    broken = other_wave or plainly or (error > NOT_ALIKE and breaks > BREAKS)
    audible = (broken and error > FITS_BETTER * fits and jump > AUDIBLE) or (
        error > FITS_ELSEWHERE[0] and error > FITS_ELSEWHERE[1] * fits and jump > 2 * AUDIBLE
    )
    return MeasuredLoop(
        start=start,
        end=end,
        seam="not judged" if not judged else "audible" if audible else "clean",
        jump=round(jump, 4),
        error=round(error, 4),
        breaks=round(breaks, 2),
        fits=round(fits, 4),
    )


def joins(start: Mono, end: Mono, rate: int) -> bool:
    """Tell whether a whole file goes round: its ``end`` is about as loud as its ``start``, and leads on to it.

    So it is with recordings that are loops from end to end, and whose points lie in a patch.
    """
    near = max(FEWEST_LEFT, round(_JOINED_S * rate))
    levels = [float(np.square(part.astype(np.float64)).mean()) for part in (start[:near], end[-near:]) if len(part)]
    if len(levels) < 2 or min(levels) <= 0 or max(levels) > _AS_LOUD * min(levels) or len(end) < 4 * _ORDER:
        return False
    return _breaks(np.concatenate((start, end)), rate, 0, len(start) + len(end)) < JOINED


def _side(sound: Mono, start: int, end: int, low: int, high: int) -> tuple[float, float, float]:
    """Return (difference, largest step, difference at the best end near by) of the frames around ``start`` and ``end``.

    The first two are those of the best of three ends, a frame apart.
    """
    wave = sound[start + low : start + high].astype(np.float64)
    first = max(0, end + low - _NEAR)
    windows = np.lib.stride_tricks.sliding_window_view(sound[first : end + high + _NEAR].astype(np.float64), len(wave))
    apart = wave - windows
    energies = wave @ wave + np.einsum("ij,ij->i", windows, windows)
    differences = np.einsum("ij,ij->i", apart, apart) / np.maximum(energies, 1e-30)
    here = end + low - first
    ends = [place for place in (here, here - 1, here + 1) if 0 <= place < len(windows)]
    if not ends:
        return 2.0, math.inf, 2.0
    best = min(ends, key=lambda place: float(differences[place]))
    return float(differences[best]), float(np.abs(apart[best]).max()), float(differences.min())


def _breaks(sound: Mono, rate: int, start: int, end: int) -> float:
    """Return a predictor's error at the seam over its highest near either end of the loop, where it was fitted."""
    body = sound[start:end]
    if len(body) < 4 * _ORDER:  # of a short loop, several turns
        body = np.tile(body, -(-4 * _ORDER // len(body)))
    size = max(round(_LONGEST_FIT_S * rate), 4 * _ORDER)
    taps = _predictor(body[-size:], _ORDER)
    highest = max(float(np.abs(_missed(part, taps)).max()) for part in (body[-size:], body[:size]))
    at_seam = float(np.abs(_missed(np.concatenate((body[-_ORDER:], body[:_ORDER])), taps)).max())
    return min(1e6, at_seam / max(highest, 1e-9))


def _predictor(sound: Mono, order: int) -> NDArray[np.float64]:
    """Return the weights of the ``order`` samples before each that predict it best (covariance method)."""
    windows = np.lib.stride_tricks.sliding_window_view(sound.astype(np.float64), order + 1)
    before, now = windows[:, :-1], windows[:, -1]
    normal = before.T @ before
    normal[np.diag_indices(order)] += 1e-6 * np.trace(normal) / order + 1e-12
    return np.asarray(np.linalg.solve(normal, before.T @ now), np.float64)


def _missed(sound: Mono, weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the predictor's error at every sample that has enough before it."""
    windows = np.lib.stride_tricks.sliding_window_view(sound.astype(np.float64), len(weights) + 1)
    return np.asarray(windows[:, -1] - windows[:, :-1] @ weights)


def unpredicted(sound: Mono) -> float:
    """Return the share of ``sound`` (root mean square, 0–1) that a linear predictor of order 16 misses."""
    order = min(_ORDER, len(sound) // 4)
    if order < 1:
        return 1.0
    heard = sound[order:].astype(np.float64)
    energy = float(heard @ heard)
    if energy <= 0:
        return 0.0
    missed = _missed(sound, _predictor(sound, order))
    return math.sqrt(float(missed @ missed) / energy)
