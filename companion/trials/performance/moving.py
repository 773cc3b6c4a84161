"""What is heard while a control moves under a held note: clicks, and steps where it should glide."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.bounce import Heard
from companion.trials.performance.controls_plan import glide_of
from companion.trials.performance.features import BANDS_HZ, band_powers
from companion.trials.performance.score import Slot

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

_ORDER: Final = 24
_BLOCK_S: Final = 0.06
_SIDE_S: Final = 0.02
_AFTER_S: Final = 0.05
"""A move is heard within this: hosts hand controllers on in blocks."""
_BEFORE_S: Final = 0.02
_HOP_S: Final = 0.01
_WINDOW_S: Final = 0.03


class Held(msgspec.Struct, frozen=True, kw_only=True):
    """What a held note says of one control.

    number: of its slot. clicks: for each jump and for the glide, how far the largest residual stands out of its
    surroundings. still: the same for stretches as long in which nothing moves, largest last. step: the largest part of
    the glide's whole change that happens in 40 ms, in the track that shows the glide best; nan where none shows it.
    spread: in which share of the time it changes at all. track: which one that is.
    """

    number: int
    clicks: tuple[float, ...]
    still: tuple[float, ...]
    step: float
    spread: float
    track: str


def residual(data: Floats, rate: int) -> Doubles:
    """Return what a linear predictor, fitted anew every 60 ms, does not foresee of one channel."""
    size = int(_BLOCK_S * rate)
    out = np.zeros(len(data))
    for first in range(0, len(data), size):
        start, stop = max(0, first - size), min(len(data), first + 2 * size)
        piece = data[start:stop].astype(np.float64)
        if len(piece) < 4 * _ORDER:
            continue
        windowed = piece * np.hanning(len(piece))
        lags = np.array([windowed[: len(windowed) - lag] @ windowed[lag:] for lag in range(_ORDER + 1)])
        if lags[0] < 1e-14:
            continue
        lags[0] *= 1 + 1e-7
        ordered = lags[np.abs(np.subtract.outer(np.arange(_ORDER), np.arange(_ORDER)))]
        weights = np.linalg.solve(ordered, lags[1:])
        error = np.convolve(piece, np.concatenate([[1.0], -weights]))[: len(piece)]
        part = error[first - start : first - start + size]
        out[first : first + len(part)] = part
    out[: 2 * _ORDER] = 0
    return out


def _outstanding(error: Doubles, rate: int) -> Doubles:
    """Return, for each millisecond, the largest residual over the usual one on its louder side."""
    size = max(1, rate // 1000)
    count = len(error) // size
    cells = np.abs(error[: count * size]).reshape(count, size)
    most, usual = cells.max(axis=1), cells.mean(axis=1)
    side = int(_SIDE_S * 1000)
    padded = np.pad(usual, (side, side), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, side)
    medians = np.median(windows, axis=1)
    left, right = medians[:count], medians[side + 1 : side + 1 + count]
    right = np.pad(right, (0, count - len(right)), mode="edge") if len(right) < count else right
    standing: Doubles = most / (np.maximum(left, right) + 1e-9)
    return standing


def hear_held(sound: Heard, slot: Slot, at: Callable[[float], float], number: int) -> Held:
    """Return what the held note of a control says."""
    note = slot.notes[0]
    jumps, begin, end = glide_of(slot)
    start, stop = at(note.on / 1000), at(note.off / 1000)
    data = sound.read(start, stop)
    rate = sound.rate
    scores = np.max(
        [_outstanding(residual(data[:, side], rate), rate) for side in range(min(2, data.shape[1]))], axis=0
    )
    moved = [(at(jump / 1000) - start - _BEFORE_S, at(jump / 1000) - start + _AFTER_S) for jump in jumps]
    moved.append((at(begin / 1000) - start - _BEFORE_S, at(end / 1000) - start + _AFTER_S))
    clicks = tuple(_most(scores, first, last) for first, last in moved)
    edges = [0.12, *(edge for pair in moved for edge in pair), (stop - start) - 0.04]
    span = _BEFORE_S + _AFTER_S
    still = tuple(
        sorted(
            _most(scores, first + index * span, first + (index + 1) * span)
            for first, last in zip(edges[::2], edges[1::2], strict=True)
            for index in range(int((last - first) / span))
        )
    )
    step, spread, track = _glide(
        data, rate, at(begin / 1000) - start, at(end / 1000) - start, at(jumps[0] / 1000) - start
    )
    return Held(number=number, clicks=clicks, still=still, step=step, spread=spread, track=track)


def _most(scores: Doubles, first: float, last: float) -> float:
    part = scores[max(0, int(first * 1000)) : max(0, int(last * 1000))]
    return float(part.max()) if len(part) else 0.0


def _tracks(data: Floats, rate: int) -> dict[str, Doubles]:
    """Return curves over time, every 10 ms: level as amplitude, brightness in octaves, place from side to side."""
    size, hop = int(_WINDOW_S * rate), int(_HOP_S * rate)
    count = max(0, (len(data) - size) // hop + 1)
    level, bright, pan = np.zeros(count), np.zeros(count), np.zeros(count)
    for index in range(count):
        part = data[index * hop : index * hop + size]
        power = (part.astype(np.float64) ** 2).mean(axis=0)
        level[index] = np.sqrt(power.mean())
        pan[index] = (power[-1] - power[0]) / (power.sum() + 1e-12) if len(power) > 1 else 0.0
        weights = band_powers(part, rate) ** 0.35
        bright[index] = (weights * np.arange(len(BANDS_HZ) - 1)).sum() / (weights.sum() + 1e-12)
    return {"level": level, "bright": bright, "pan": pan}


def _pitch(data: Floats, rate: int) -> Doubles:
    """Return where the strongest partial lies, in cents, one value every 10 ms."""
    mono = data[:, 0] + data[:, -1]
    size, hop = int(0.06 * rate), int(_HOP_S * rate)
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


def _glide(data: Floats, rate: int, begin: float, end: float, still_end: float) -> tuple[float, float, str]:
    """Return (largest step, share of the time in which it changes, track) of the glide; nan where none shows it.

    Steps at the very ends of the way do not count: many tapers are steep there.
    """
    best: tuple[float, float, float, str] = (0.0, float("nan"), float("nan"), "")
    loud = 10 * np.log10(np.mean(data.astype(np.float64) ** 2) + 1e-16)
    for name, curve in (*_tracks(data, rate).items(), ("pitch", _pitch(data, rate))):
        first, last = int((begin - 0.04) / _HOP_S), int((end + 0.06) / _HOP_S)
        part = curve[first:last]
        rest = curve[last + 2 : -4]
        quiet = curve[int(0.25 / _HOP_S) : int(still_end / _HOP_S) - 8]
        if len(part) < 40 or len(rest) < 10:
            continue
        lag = 8 if name == "pitch" else 4
        change = float(np.median(rest[:20]) - np.median(part[:3]))
        noise = max(float(np.std(piece[lag:] - piece[:-lag])) for piece in (rest, quiet) if len(piece) > 2 * lag)
        drift = abs(float(np.median(curve[first - 8 : first]) - np.median(curve[first - 26 : first - 18]))) * 4
        clear = abs(change) / (noise + 1e-9)
        least = {
            "level": 0.3 * float(max(np.median(rest), np.median(part[:5]))),
            "bright": 0.25 if loud > -60 else 99.0,
            "pan": 0.2,
            "pitch": 20.0,
        }[name]
        if abs(change) > max(least, 3 * drift) and clear > best[0]:
            steps = (part[lag:] - part[:-lag]) / change
            inner = steps[14:-10]
            moving = float(np.mean(np.abs(steps) > max(0.01, 3 * noise / abs(change))))
            best = (clear, float(inner.max()), moving, name)
    return (best[1], best[2], best[3]) if best[0] >= 20 else (float("nan"), float("nan"), "")
