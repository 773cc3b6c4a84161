"""What a control does inside a held note, moved back and forth: each stretch is held against the one beside it.

A chorus that runs free is elsewhere in every note, so that two notes differ by more than many an effect does. From one
stretch of a note to the next it has hardly moved; and since which end comes first is drawn for each pair, nothing that
moves by itself keeps time with the control.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.bounce import Heard
from companion.trials.performance.controls_plan import visits_of
from companion.trials.performance.features import BANDS_HZ, FEATURES, Ground, Vector
from companion.trials.performance.score import Slot

Floats = NDArray[np.float32]

MEASURED: Final = (
    "level",
    *(f"band {low}" for low in BANDS_HZ[:-1]),
    "bright",
    "flat",
    "width",
    "pan",
    "pitch",
    "level moves",
    "pitch moves",
)
"""The numbers that a stretch of a held note has, named as those of a probe are."""
_UNITS: Final = np.array([FEATURES[name] for name in MEASURED])
_WINDOW_S: Final = 0.04
_HOP_S: Final = 0.01
_SETTLE_S: Final = 0.07
"""A move is over after this, but for the slowest hosts, which then show a little less of it."""
_LOUD_DB: Final = 12.0
"""A stretch less far above the noise says nothing."""
_PARTIALS: Final = 12


class Paired(msgspec.Struct, frozen=True, kw_only=True):
    """What moving one control back and forth changes within pairs of stretches, in just noticeable differences.

    number: of its slot. up: second stretch less first where the control went up, (pairs, numbers) by :data:`MEASURED`;
    down: where it went down. Only pairs that are loud enough.
    """

    number: int
    up: Vector
    down: Vector


def hear_paired(sound: Heard, slot: Slot, at: Callable[[float], float], number: int, ground: Ground) -> Paired:
    """Return what the notes of a control that moves back and forth say."""
    found: tuple[list[Vector], list[Vector]] = ([], [])
    for on, stretches, off in visits_of(slot):
        start = at(on / 1000)
        data = sound.read(start, at(off / 1000) + _HOP_S)
        values, loud, times = _measured(data, sound.rate, ground)
        begins = [at(begin / 1000) - start for begin, _ in stretches]
        ends = [*begins[1:], at(off / 1000) - start]
        inside = [
            (times - _WINDOW_S / 2 >= begin + _SETTLE_S) & (times + _WINDOW_S / 2 <= end + _HOP_S)
            for begin, end in zip(begins, ends, strict=True)
        ]
        for first in range(0, len(stretches), 2):
            one, two = inside[first], inside[first + 1]
            if one.any() and two.any() and max(float(loud[one].mean()), float(loud[two].mean())) >= _LOUD_DB:
                apart = (values[two].mean(axis=0) - values[one].mean(axis=0)) / _UNITS
                found[stretches[first][1] > 0].append(apart)
    up, down = (np.array(one).reshape(-1, len(MEASURED)) for one in found)
    return Paired(number=number, up=up, down=down)


def _measured(data: Floats, rate: int, ground: Ground) -> tuple[Vector, Vector, Vector]:
    """Return the numbers of (frames, channels) every 10 ms, how far each stands above the noise in dB, and when."""
    size, hop = int(_WINDOW_S * rate), int(_HOP_S * rate)
    count = max(0, (len(data) - size) // hop + 1)
    window = np.hanning(size)
    left, right = (
        np.fft.rfft(np.lib.stride_tricks.sliding_window_view(data[:, side], size)[::hop][:count] * window, axis=1)
        for side in (0, -1)
    )
    norm = 1 / ((window**2).sum() * size / 2)
    powers = [np.abs(one) ** 2 * norm for one in (left, right, (left + right) / 2, (left - right) / 2)]
    hertz = np.fft.rfftfreq(size, 1 / rate)
    both = (powers[0] + powers[1]) / 2
    edges = np.searchsorted(hertz, BANDS_HZ)
    sums = np.concatenate([np.zeros((count, 1)), np.cumsum(both, axis=1)], axis=1)
    bands = np.diff(sums[:, edges], axis=1)
    quiet = np.array(ground.bands)
    level = _decibels(both[:, 1:].sum(axis=1), ground.noise)
    weights = np.maximum(bands - 1.5 * quiet, 0) ** 0.35
    bright = weights @ np.arange(len(BANDS_HZ) - 1) / np.maximum(weights.sum(axis=1), 1e-12)
    inside = both[:, (hertz > 200) & (hertz < 10_000)] + 1e-14
    flat = 4.343 * (np.log(inside).mean(axis=1) - np.log(inside.mean(axis=1)))
    sides = [_decibels(power[:, 1:].sum(axis=1), ground.noise / 2) for power in powers]
    cents = _cents(np.abs(0.6 * left + 0.4 * right) ** 2, hertz)
    columns = [
        level,
        *(_decibels(bands[:, place], quiet[place]) for place in range(len(quiet))),
        bright,
        flat,
        np.maximum(sides[3] - sides[2], -30.0),
        np.clip(sides[1] - sides[0], -20.0, 20.0),
        cents,
        np.abs(np.gradient(level)) if count > 1 else level,
        np.abs(np.gradient(cents)) if count > 1 else cents,
    ]
    loud = level - float(_decibels(np.zeros(1), ground.noise)[0])
    return np.column_stack(columns), loud, (np.arange(count) * hop + size / 2) / rate


def _decibels(power: Vector, noise: float) -> Vector:
    found: Vector = 10 * np.log10(power + noise + 1e-14)
    return found


def _cents(power: NDArray[np.floating], hertz: NDArray[np.floating]) -> Vector:
    """Return how far the strong partials stray from where they lie on an average, in cents."""
    mean = power.mean(axis=0) if len(power) else np.zeros(len(hertz))
    peaks = (mean[1:-1] > mean[:-2]) & (mean[1:-1] >= mean[2:]) & (mean[1:-1] > 0.03 * mean.max()) & (hertz[1:-1] > 150)
    found, whole = np.zeros(len(power)), 1e-30
    for peak in (np.nonzero(peaks)[0] + 1)[:_PARTIALS]:
        part = slice(max(1, peak - 2), peak + 3)
        around = power[:, part]
        place = around @ hertz[part] / np.maximum(around.sum(axis=1), 1e-30)
        found += mean[peak] * 1200 * np.log2(np.maximum(place, 1.0) / hertz[peak])
        whole += float(mean[peak])
    return found / whole
