"""Mains hum: lines at 50 or 60 Hz and their multiples that stand out of a noise floor. Arrays: one channel, float32."""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from companion.sound.measures.pitch import fast_length

MAINS_HZ: Final = (50.0, 60.0)
HARMONICS: Final = 10
SHORTEST_S: Final = 0.3
_AROUND_HZ: Final = 18.0
_DRIFT_HZ: Final = 1.0
"""How far from its nominal frequency a line may lie: the mains drift by tenths of a hertz, their harmonics by more."""

_LONGEST_S: Final = 4
_PARTIALS: Final = 40
_RINGS: Final = 0.5


class Spectrum(NamedTuple):
    """Power under a Hann window at every ``step`` Hz, a quarter at most, of so many seconds; the rate in Hz."""

    power: NDArray[np.float64]
    step: float
    seconds: float
    rate: int


def spectrum_of(floor: NDArray[np.float32], rate: int) -> Spectrum | None:
    """Return the spectrum of the first four seconds of ``floor``; None where there is no sound."""
    part = floor[: _LONGEST_S * rate]
    if not float(np.abs(part).max(initial=0.0)) > 0:
        return None
    windowed = (part - part.mean()) * np.hanning(len(part)).astype(np.float32)
    length = fast_length(_LONGEST_S * rate)
    power = np.abs(np.fft.rfft(windowed, length)).astype(np.float64) ** 2 + 1e-30
    return Spectrum(power, rate / length, len(part) / rate, rate)


def hum_of(floor: Spectrum) -> tuple[float, float] | None:
    """Return (mains frequency, prominence in dB) of the more likely mains, or None when the floor is too short.

    The prominence of a harmonic is its height over the median of the spectrum within 18 Hz, and 0 where no peak lies
    within 1 Hz: the skirt of a partial near by is no line. That of a mains is its third-highest, since one or two
    lines near a multiple of 50 Hz are found in any music.
    """
    power, step, seconds, rate = floor
    if seconds < SHORTEST_S:
        return None
    best = (0.0, -np.inf)
    for mains in MAINS_HZ:
        heights = []
        for harmonic in range(1, HARMONICS + 1):
            hertz = harmonic * mains
            if hertz + _AROUND_HZ > 0.45 * rate:
                break
            low = round((hertz - _DRIFT_HZ) / step)
            line = power[low - 1 : round((hertz + _DRIFT_HZ) / step) + 2]
            top = int(np.argmax(line))
            around = power[max(1, round((hertz - _AROUND_HZ) / step)) : round((hertz + _AROUND_HZ) / step) + 1]
            is_peak = 0 < top < len(line) - 1
            heights.append(float(10 * np.log10(line[top] / np.median(around))) if is_peak else 0.0)
        if len(heights) >= 3 and sorted(heights)[-3] > best[1]:
            best = (mains, sorted(heights)[-3])
    return (best[0], round(best[1], 1)) if best[0] else None


def rings_on(floor: Spectrum, hertz: float) -> bool:
    """Tell whether a stretch that seems to be a noise floor is the note itself, of ``hertz``, still ringing.

    So it is where the partials hold over half of the energy that noise would not have there by chance.
    """
    power, step, seconds, _ = floor
    if seconds * hertz < 8:
        return False
    frequencies = np.arange(len(power)) * step
    inside = (frequencies > 0.5 * hertz) & (frequencies < (_PARTIALS + 0.5) * hertz)
    # The main lobe of a Hann window is two bins of the unpadded spectrum to either side.
    off = np.abs(frequencies - hertz * np.maximum(1, np.round(frequencies / hertz)))
    near = inside & (off < 2 / seconds)
    total, by_chance = float(power[inside].sum()), float(near.sum()) / max(1, int(inside.sum()))
    if total <= 0 or by_chance > 0.8:
        return False
    return (float(power[near].sum()) / total - by_chance) / (1 - by_chance) > _RINGS
