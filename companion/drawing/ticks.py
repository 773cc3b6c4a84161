"""Where an axis is labelled, and how: even steps of 1, 2 or 5 times a power of ten."""

from __future__ import annotations

import math
from typing import Final

from companion.drawing.shapes import Axis

_MOST: Final = 1000


def place_of(axis: Axis, value: float, length: int) -> int:
    """Return the one of ``length`` even stretches of an axis that a value lies in; the nearest for one outside."""
    return min(length - 1, max(0, math.floor(share_of(axis, value) * length + 1e-9)))


def share_of(axis: Axis, value: float) -> float:
    """Return how far along an axis a value lies, 0 to 1 for those on it."""
    if axis.log:
        return math.log(max(value, axis.low) / axis.low) / math.log(axis.high / axis.low)
    return (value - axis.low) / (axis.high - axis.low)


def step_for(span: float, most: int) -> float:
    """Return the smallest even step of which at most ``most`` cover ``span``."""
    least = span / max(1, most)
    power = 10.0 ** math.floor(math.log10(least))
    return next((factor * power for factor in (1, 2, 5, 10) if factor * power >= least * (1 - 1e-9)), 10 * power)


def ticks_of(axis: Axis, most: int) -> list[tuple[float, str]]:
    """Return at most about ``most`` (place, label) of an axis, in order; the unit is written elsewhere."""
    if axis.ticks:
        named = [tick for tick in axis.ticks if axis.low <= tick[0] <= axis.high]
        every = -(-len(named) // max(1, most))
        return named[::every] if every else []
    if axis.log:
        return _log_ticks(axis)
    low, high = axis.low * axis.scale, axis.high * axis.scale
    if not high > low or not math.isfinite(high - low):
        return []
    step = step_for(high - low, most)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    if last - first > _MOST:
        return []
    return [(number * step / axis.scale, number_text(number * step, places)) for number in range(first, last + 1)]


def _log_ticks(axis: Axis) -> list[tuple[float, str]]:
    """Return the places at 1, 2 and 5 times powers of ten."""
    found = []
    low, high = axis.low * axis.scale, axis.high * axis.scale
    for power in range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1):
        for factor in (1, 2, 5):
            value = factor * 10.0**power
            if low * (1 - 1e-9) <= value <= high * (1 + 1e-9):
                found.append((value / axis.scale, number_text(value, max(0, -power))))
    return found


def number_text(value: float, places: int) -> str:
    """Return a number with so many places, thousands set off, a true minus, and no minus before a zero."""
    return f"{round(value, places) + 0.0:,.{places}f}".replace("-", "−")
