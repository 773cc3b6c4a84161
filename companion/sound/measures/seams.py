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

AUDIBLE: Final = 0.05
TONAL: Final = 0.4
_ORDER: Final = 16
_LONGEST_FIT_S: Final = 0.05

Mono = NDArray[np.float32]


def seam_of(sound: Mono, rate: int, start: int, end: int) -> MeasuredLoop:
    """Return how the seam from ``end`` back to ``start`` joins. It is heard where the wave breaks: where it is another
    wave, or not quite alike and steps out of line.

    At a good seam the sound after the end is what also comes after the start, or the sound before the start is what
    also comes before the end; one of the two suffices, over up to 3 ms or one turn of the loop. A low wave moved by a
    small part of its period stays alike, but no predictor fitted to the loop expects the step. One frame either way is
    allowed for, since writers differ in whether the end is played. Not judged: noise, whose seams are not heard, and
    loops with too little sound around their points.
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
    error, jump = min(side[0] for side in sides), min(side[1] for side in sides) / peak
    breaks = _breaks(sound, rate, start, end)
    missed = unpredicted(sound[max(0, min(start, end - round(_LONGEST_FIT_S * rate))) : end][-round(0.2 * rate) :])
    audible = (error > DIFFERENT or (error > NOT_ALIKE and breaks > BREAKS)) and jump > AUDIBLE
    return MeasuredLoop(
        start=start,
        end=end,
        seam="not judged" if missed > TONAL else "audible" if audible else "clean",
        jump=round(jump, 4),
        error=round(error, 4),
        breaks=round(breaks, 2),
    )


def _side(sound: Mono, start: int, end: int, low: int, high: int) -> tuple[float, float]:
    """Return (difference, largest step) of the frames around ``start`` against those around ``end``."""
    best = (2.0, math.inf)
    wave = sound[start + low : start + high].astype(np.float64)
    for shift in (0, -1, 1):
        if end + shift + low < 0 or end + shift + high > len(sound):
            continue
        other = sound[end + shift + low : end + shift + high].astype(np.float64)
        apart = wave - other
        energy = float(wave @ wave + other @ other)
        difference = float(apart @ apart) / energy if energy > 0 else 0.0
        if difference < best[0]:
            best = (difference, float(np.abs(apart).max()))
    return best


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
