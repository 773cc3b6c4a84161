"""Decay of an impulse response by Schroeder integration (ISO 3382-1:2009, 5.3.3), from energy in 1 ms cells."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from companion.sound.measures.measured import Decay

_RANGES: Final = {"edt_s": (0.0, -10.0), "t20_s": (-5.0, -25.0), "t30_s": (-5.0, -35.0)}


def decay_of(cells: NDArray[np.float64], seconds: float) -> Decay:
    """Return EDT, T20 and T30: the time for 60 dB along a line fitted to 10, 20 or 30 dB of the integrated decay.

    The decay begins at the loudest cell. Where the sound is cut before it has died away, what is missing behind the end
    is put back as an exponential of the late slope, as the standard allows. A range the sound does not hold is None.
    """
    if len(cells) < 10 or not float(cells.max(initial=0.0)) > 0:
        return Decay()
    start = int(np.argmax(cells))
    body = cells[start:]
    loudest = float(body[0:5].mean()) or 1e-30
    end = float(body[-min(10, len(body)) :].mean())
    end_db = 10 * math.log10(max(end, 1e-16) / loudest)
    curve = _integrated(body, _missing(body))
    values = {name: _line(curve, seconds, top, bottom) for name, (top, bottom) in _RANGES.items()}
    return Decay(**values, end_db=round(end_db, 1))


def _missing(body: NDArray[np.float64]) -> float:
    """Return the energy behind the end, from the slope of the second half; 0 where the sound has died away."""
    half = body[len(body) // 2 :]
    quarter = len(half) // 2
    if quarter < 5:
        return 0.0
    first, second = float(half[:quarter].mean()), float(half[quarter : 2 * quarter].mean())
    if not 0 < second < 0.9 * first:
        return 0.0
    rate = math.log(first / second) / quarter
    return float(second * math.exp(-rate * quarter / 2) / rate)


def _integrated(body: NDArray[np.float64], missing: float) -> NDArray[np.float64]:
    energy = np.cumsum(body[::-1])[::-1] + missing
    return np.asarray(10 * np.log10(np.maximum(energy, 1e-30) / energy[0]))


def _line(curve: NDArray[np.float64], seconds: float, top: float, bottom: float) -> float | None:
    inside = np.flatnonzero((curve <= top) & (curve >= bottom))
    if len(inside) < 5 or curve.min() > bottom - 5:
        return None
    places, levels = inside - inside.mean(), curve[inside]
    slope = float(places @ levels) / float(places @ places) / seconds  # least squares
    return round(-60.0 / slope, 4) if slope < 0 else None
