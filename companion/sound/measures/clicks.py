"""Clicks: single samples or steps that the sound around them does not predict. Arrays: one channel, float32.

A linear predictor of order 32 is fitted to each 80 ms (autocorrelation method); what it cannot predict, its residual,
is nearly flat for music and stands up where something was cut, pasted or lost (Godsill and Rayner, "Digital Audio
Restoration", 1998, chapter 5). What stands up there has the shape of a cut: the predictor's own answer to a single
sample, a step or a kink, all within 32 samples. The tick of a stick, a nail or a damper is no cut: it takes time.
"""

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from companion.sound.measures.measured import Click
from companion.sound.measures.windows import open_hann

ORDER: Final = 32
FRAME_S: Final = 0.08
HOP_S: Final = 0.06
AROUND_S: Final = 0.025
GUARD_S: Final = 0.0015
STANDS_OUT_DB: Final = 6.0
MASKED: Final = 0.35
"""A click under this share of the mean level around it is covered by the sound."""

TONAL: Final = 0.5
"""Where more than half of the sound (6 dB) cannot be predicted it is noise, and any sample of it may stand out."""

QUIET: Final = 0.01
"""Under this share (−40 dB) of the highest sample what is around a click hides nothing, whatever it is."""

FAINTEST: Final = 0.002
"""A click is at least this high (−54 dB), against the highest sample, and over four steps of the stored integers."""

LIKE_A_CUT: Final = 0.6
PLAINLY_A_CUT: Final = 0.8
PLAIN_DB: Final = 10.0
"""How much of the residual's energy around a click a sample, a step and a kink explain together, 0–1; and how much they
have to where it stands out by 10 dB at most."""

ONSET_RATIO: Final = 1.5
TEXTURE_S: Final = 0.15
MOST_TOGETHER: Final = 6
"""More than so many within 150 ms on either side are the pulses of a low note, or the sound's texture."""

LONGEST_GAP_S: Final = 0.06
CUT_OFF: Final = 0.02
SAME_AGAIN: Final = 2.0
"""A gap: up to 60 ms of one value, with a level of over 2 % (−34 dB) of the peak on both sides, 6 dB apart at most."""

MOST_CLICKS: Final = 50
_STEPS: Final = 4
_STRIDE: Final = 32
_BEFORE, _BEHIND = 12, 33

Mono = NDArray[np.float32]


def residual(sound: Mono, rate: int, order: int = ORDER) -> NDArray[np.float32]:
    """Return what a predictor fitted to the sound around cannot predict, same length as ``sound``."""
    hop = max(4 * order, round(HOP_S * rate))
    size = max(hop, round(FRAME_S * rate))
    margin = (size - hop) // 2
    count = -(-len(sound) // hop)
    padded = np.zeros(count * hop + size + order, np.float32)
    padded[order + margin : order + margin + len(sound)] = sound
    # Of each frame the middle is predicted, so that every sample is fitted from both sides.
    frames = np.lib.stride_tricks.sliding_window_view(padded[order:], size)[::hop][:count]
    coefficients = _predictors(frames * open_hann(size), order)
    # The filter laid out as a band matrix turns each stride of samples, with the ``order`` before it, into residual:
    # more sums than a loop over the lags, but a matrix product runs them many times faster.
    strides = -(-hop // _STRIDE)
    reach = strides * _STRIDE
    windows = np.lib.stride_tricks.sliding_window_view(padded[margin:], _STRIDE + order)
    banded = np.zeros((count, 2 * _STRIDE + order - 1), np.float32)
    banded[:, _STRIDE - 1 : _STRIDE + order] = coefficients[:, ::-1]
    bands = np.lib.stride_tricks.sliding_window_view(banded, _STRIDE + order, axis=1)[:, ::-1]
    error = np.empty((count, reach), np.float32)
    for row in range(count):
        here = np.ascontiguousarray(windows[row * hop : row * hop + reach : _STRIDE])
        np.matmul(here, np.ascontiguousarray(bands[row]).T, out=error[row].reshape(strides, _STRIDE))
    flat: NDArray[np.float32] = error[:, :hop].reshape(-1)
    return flat[: len(sound)]


def _predictors(frames: NDArray[np.float32], order: int) -> NDArray[np.float32]:
    """Return the prediction-error filters of each row (Levinson and Durbin), shape (rows, order + 1)."""
    size = frames.shape[1]
    # Without the last ``order`` samples, which the window has all but silenced, this is one pass for all lags.
    correlation = np.stack([np.correlate(frame, frame[: size - order], "valid") for frame in frames]).astype(np.float64)
    # White noise 60 dB down keeps pure tones from making the fit singular.
    error = correlation[:, 0] * (1 + 1e-6) + 1e-9
    correlation[:, 0] = error
    floor, spent = 1e-7 * error, 3e-6 * error
    filters = np.zeros((len(frames), order + 1))
    filters[:, 0] = 1.0
    for step in range(1, order + 1):
        gain = -(filters[:, :step] * correlation[:, step:0:-1]).sum(axis=1) / error
        # Rounding must not make a filter unstable, nor be fitted where nothing but that white noise is left.
        gain = np.where(error > spent, np.clip(gain, -0.999999, 0.999999), 0.0)
        reflected = filters[:, step::-1][:, : step + 1].copy()
        filters[:, : step + 1] += gain[:, None] * reflected
        error = np.maximum(error * (1 - gain**2), floor)
    return filters.astype(np.float32)


class Sound(NamedTuple):
    """What clicks are looked for in: the sound, its residual, both by cells of a guard's length.

    peak: the highest sample of the whole recording. step: of the stored integers, 0 for floating point.
    """

    wave: Mono
    rest: Mono
    rate: int
    guard: int
    around: int
    tops: NDArray[np.float32]
    peak: float
    step: float


def clicks_in(sound: Mono, rate: int, peak: float = 0.0, step: float = 0.0) -> tuple[Click, ...]:
    """Return the clicks of ``sound``, the largest first.

    A sample counts where its residual stands 6 dB above every other within 25 ms on either side, save the millisecond
    or two that belong to itself, and save other clicks, of which there are six at most near by: so neither noise nor
    the pulses of a reed or a string count. What stands out must have the shape of a cut. It must be loud enough to be
    heard beside the sound, and the sound around it must be tonal or hardly there; and it must not be an onset: where
    the sound is louder or brighter after than before, a click is part of the attack. Where the sound is gone for a
    moment, both ends of the gap count.

    peak: of the whole recording, of which ``sound`` may be a part. step: one step of its integers, full scale 1.
    """
    around, guard = round(AROUND_S * rate), max(ORDER + 1, round(GUARD_S * rate))
    if len(sound) < 4 * around:
        return ()
    rest = residual(sound, rate)
    error = np.abs(rest)
    # Work on the highest value of each cell of a guard's length: cheap, and no candidate is lost.
    cells = len(error) // guard
    grid = error[: cells * guard].reshape(cells, guard)
    tops = grid.max(axis=1)
    highest = max(peak, float(sound.max(initial=0.0)), -float(sound.min(initial=0.0)))
    whole = Sound(sound, rest, rate, guard, around, tops, highest, step)
    reach = max(2, around // guard)
    factor = np.float32(10 ** (STANDS_OUT_DB / 20))
    likely = np.flatnonzero((tops > factor * _smoothed_around(tops, reach)) & (tops > 1e-5))
    rivals = _rivals(tops, likely, reach)
    stands = tops[likely] > factor * rivals
    crowded = _crowded(likely, tops[likely], round(TEXTURE_S * rate / guard))
    found = _gaps(whole)
    for cell, rival in zip(likely[stands & ~crowded].tolist(), rivals[stands & ~crowded].tolist(), strict=True):
        frame = cell * guard + int(np.argmax(grid[cell]))
        size = 20 * math.log10(float(tops[cell]) / max(rival, 1e-9))
        likeness = LIKE_A_CUT if size > PLAIN_DB else PLAINLY_A_CUT
        inside = around <= frame <= len(sound) - around
        if inside and _cut_share(whole, frame) > likeness and _heard(whole, frame):
            found.append(Click(frame, round(size, 1)))
    return tuple(_once(found, guard))


def _crowded(cells: NDArray[np.int64], heights: NDArray[np.float32], reach: int) -> NDArray[np.bool_]:
    """Return which of ``cells`` are pulses: more than six within ``reach`` of it, or of one that is near it.

    Those count that are at least half as high; two cells next to each other are one pulse.
    """
    first, last = np.searchsorted(cells, cells - reach), np.searchsorted(cells, cells + reach, "right")
    many = np.zeros(len(cells), bool)
    crowded = np.zeros(len(cells), bool)
    places = np.flatnonzero(last - first > MOST_TOGETHER)
    for place in places:
        near = slice(first[place], last[place])
        pulses = cells[near][heights[near] > 0.5 * heights[place]]
        many[place] = int((np.diff(pulses) > 1).sum()) + 1 > MOST_TOGETHER
    for place in np.flatnonzero(many):  # those at either end of a train have fewer around them
        near = slice(first[place], last[place])
        crowded[near] |= heights[near] < 2 * heights[place]
    return crowded


def _once(found: list[Click], guard: int) -> list[Click]:
    """Return the largest first, each place once: a cut reaches over two cells, and a gap has been found by itself."""
    kept: list[Click] = []
    for click in sorted(found, key=lambda click: (-click.size_db, click.frame)):
        if all(abs(click.frame - other.frame) > 2 * guard for other in kept):
            kept.append(click)
        if len(kept) == MOST_CLICKS:
            break
    return kept


def _smoothed_around(tops: NDArray[np.float32], reach: int) -> NDArray[np.float32]:
    """Return the highest of the ``reach`` cells on either side once peaks of one or two cells are taken off.

    So clicks do not hide one another. Peaks are taken off by an opening: the lowest of three cells, then the highest.
    """
    padded = np.concatenate((tops[:1], tops[:1], tops, tops[-1:], tops[-1:]))
    lowest = np.minimum(np.minimum(padded[:-2], padded[1:-1]), padded[2:])
    opened = np.maximum(np.maximum(lowest[:-2], lowest[1:-1]), lowest[2:])
    return _highest_around(opened, reach)


def _rivals(tops: NDArray[np.float32], likely: NDArray[np.int64], reach: int) -> NDArray[np.float32]:
    """Return for each of the ``likely`` cells the highest around it that is neither one of them nor next to one."""
    others = tops.copy()
    for shift in (-1, 0, 1):
        others[np.clip(likely + shift, 0, len(tops) - 1)] = 0
    return _highest_around(others, reach)[likely]


def _highest_around(tops: NDArray[np.float32], reach: int) -> NDArray[np.float32]:
    """Return the highest of the ``reach`` cells on either side of each, without itself and its two neighbours."""
    highest_of = np.concatenate((np.zeros(reach + 1, np.float32), tops, np.zeros(reach + 1, np.float32)))
    width = 1
    while width < reach:  # the highest of ``width`` cells from each on, by doubling
        further = min(width, reach - width)
        highest_of = np.maximum(highest_of[:-further], highest_of[further:])
        width += further
    highest: NDArray[np.float32] = np.maximum(highest_of[: len(tops)], highest_of[reach + 3 : reach + 3 + len(tops)])
    return highest


def _gaps(sound: Sound) -> list[Click]:
    """Return both ends of each stretch of 5 to 60 ms in which the sound is gone: buffers that came too late.

    Such a stretch is one value throughout, and what sounds after it is about as loud as what sounded before. Where
    there are many, they are the flat parts of a wave.
    """
    wave, guard = sound.wave, sound.guard
    cells = wave[: len(wave) // guard * guard].reshape(-1, guard)
    still = np.zeros(len(cells) + 2, bool)
    likely = np.flatnonzero((cells[:, 0] == cells[:, -1]) & (cells[:, 0] == cells[:, guard // 2]))
    still[1 + likely] = (cells[likely] == cells[likely, :1]).all(axis=1)
    turns = np.flatnonzero(still[1:] != still[:-1])
    ends: list[tuple[int, int]] = []
    for first, last in zip(turns[::2].tolist(), turns[1::2].tolist(), strict=True):
        start, end = first * guard, last * guard
        if last - first < 2 or wave[start] != wave[end - 1]:
            continue
        while start and wave[start - 1] == wave[start]:
            start -= 1
        while end < len(wave) and wave[end] == wave[start]:
            end += 1
        # Against its own value: an offset is no sound, and what has died away over one is no gap.
        sides = wave[max(0, start - 2 * guard) : start], wave[end : end + 2 * guard]
        before, after = (_level(side - wave[start]) for side in sides)
        alike = max(before, after) < SAME_AGAIN * min(before, after)
        # What dies away in few bits crosses its last step now and then: nothing is gone there.
        least = max(CUT_OFF * sound.peak, _STEPS * sound.step)
        if end - start <= LONGEST_GAP_S * sound.rate and min(before, after) > least and alike:
            ends.append((start, end))
    if len(ends) > MOST_TOGETHER:
        return []
    found = []
    for frame in (place for both in ends for place in both):
        cell = min(frame // guard, len(sound.tops) - 1)
        usual = float(np.median(sound.tops[max(0, cell - 16) : cell + 17]))
        size = float(sound.tops[max(0, cell - 1) : cell + 2].max()) / max(usual, FAINTEST * sound.peak)
        found.append(Click(frame, round(max(STANDS_OUT_DB, 20 * math.log10(max(size, 1e-9))), 1)))
    return found


def _cut_share(sound: Sound, frame: int) -> float:
    """Return how much of the residual around ``frame`` is a predictor's answer to a sample, a step and a kink, 0–1."""
    start = frame - _BEFORE
    rest = sound.rest[start : frame + _BEHIND].astype(np.float64)
    size = max(4 * ORDER, round(FRAME_S * sound.rate))
    first = max(0, min(frame - size // 2, len(sound.wave) - size))
    part = sound.wave[first : first + size] * open_hann(min(size, len(sound.wave) - first))
    answer = np.zeros(2 * len(rest))
    answer[: ORDER + 1] = _predictors(part[None, :], ORDER)[0]
    shapes = np.stack((answer, np.cumsum(answer), np.cumsum(np.cumsum(answer))), axis=1)
    energy, best = float(rest @ rest), 0.0
    for place in range(_BEFORE - 6, _BEFORE + 4):  # where the cut lies, since it need not be highest at once
        basis = np.concatenate((np.zeros((place, 3)), shapes[: len(rest) - place]))
        ortho, _ = np.linalg.qr(basis)
        explained = ortho.T @ rest
        best = max(best, float(explained @ explained))
    return best / energy if energy > 0 else 0.0


def _by_cells(values: Mono, guard: int) -> float:
    """Return the level without the loudest quarter of stretches of a guard's length: other clicks do not raise it."""
    whole = len(values) // guard * guard
    if not whole:
        return _level(values)
    parts = values[:whole].reshape(-1, guard)
    energies = np.sort(np.einsum("ij,ij->i", parts, parts))[: -(-3 * len(parts) // 4)]
    return math.sqrt(float(energies.mean()) / guard)


def _level(values: Mono) -> float:
    return math.sqrt(float(values @ values) / max(1, len(values)))


def _heard(sound: Sound, frame: int) -> bool:
    """Tell whether a candidate is loud enough, in sound that is tonal or hardly there, and no onset."""
    wave, guard = sound.wave, sound.guard
    sides = slice(frame - sound.around, frame - guard), slice(frame + guard, frame + sound.around)
    before, after = (_by_cells(wave[side], guard) for side in sides)
    level, height = math.hypot(before, after), abs(float(sound.rest[frame]))
    unpredicted = math.hypot(*(_by_cells(sound.rest[side], guard) for side in sides))
    tonal = unpredicted < TONAL * level
    quiet = level < QUIET * sound.peak
    loud = height > MASKED * level / math.sqrt(2) and height > max(FAINTEST * sound.peak, _STEPS * sound.step)
    # A tine or a hammer may hardly raise the level, but what it adds is bright.
    bright = [_by_cells(np.diff(wave[side]), guard) for side in sides]
    brighter = bright[1] > ONSET_RATIO * bright[0]
    return (tonal or quiet) and loud and after <= ONSET_RATIO * before + FAINTEST * sound.peak / 4 and not brighter
