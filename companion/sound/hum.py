"""Mains hum: lines at 50 or 60 Hz and their multiples that stand out of a noise floor. Arrays: one channel, float32."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from companion.sound.blocks import fast_length

MAINS_HZ: Final = (50.0, 60.0)
HARMONICS: Final = 10
SHORTEST_S: Final = 0.3
_AROUND_HZ: Final = 18.0


def hum_of(floor: NDArray[np.float32], rate: int) -> tuple[float, float] | None:
    """Return (mains frequency, prominence in dB) of the more likely mains, or None when ``floor`` is too short.

    The prominence of a harmonic is its height over the median of the spectrum within 18 Hz; that of a mains is its
    third-highest, since one or two lines near a multiple of 50 Hz are found in any music.
    """
    if len(floor) < SHORTEST_S * rate or not float(np.abs(floor).max(initial=0.0)) > 0:
        return None
    size = min(len(floor), 4 * rate)
    windowed = (floor[:size] - floor[:size].mean()) * np.hanning(size).astype(np.float32)
    length = fast_length(size)
    power = np.abs(np.fft.rfft(windowed, length)).astype(np.float64) ** 2 + 1e-30
    step = rate / length
    best = (0.0, -np.inf)
    for mains in MAINS_HZ:
        heights = []
        for harmonic in range(1, HARMONICS + 1):
            hertz = harmonic * mains
            if hertz + _AROUND_HZ > 0.45 * rate:
                break
            line = power[round((hertz - 1) / step) - 1 : round((hertz + 1) / step) + 2].max()
            around = power[max(1, round((hertz - _AROUND_HZ) / step)) : round((hertz + _AROUND_HZ) / step) + 1]
            heights.append(10 * np.log10(line / np.median(around)))
        if len(heights) >= 3 and sorted(heights)[-3] > best[1]:
            best = (mains, float(sorted(heights)[-3]))
    return (best[0], round(best[1], 1)) if best[0] else None
