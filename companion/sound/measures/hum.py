"""Mains hum: lines at 50 or 60 Hz and their multiples that stand out of a noise floor. Arrays: one channel, float32."""

from collections.abc import Sequence
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from companion.sound.measures.mains import HARMONICS, MAINS_HZ, hum_of
from companion.sound.measures.pitch import fast_length
from companion.sound.measures.windows import hann

SHORTEST_S: Final = 0.3
_AROUND_HZ: Final = 18.0
_DRIFT_HZ: Final = 0.6
"""How far from its nominal frequency a line may lie: the mains drift by hundredths of a hertz, harmonics by more."""

_THIN_HZ: Final = 6000
_RUMBLE_HZ: Final = 60.0
_LINE: Final = 8.0
_HUMS_DB: Final = 12.0

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
    windowed = (part - part.mean()) * hann(len(part))
    length = fast_length(_LONGEST_S * rate)
    power = np.abs(np.fft.rfft(windowed, length)).astype(np.float64) ** 2 + 1e-30
    return Spectrum(power, rate / length, len(part) / rate, rate)


def lines_of(quiet: NDArray[np.float32], rate: int) -> tuple[float, ...]:
    """Return how far each multiple of 50 Hz, then of 60 Hz, stands out of ``quiet``, in dB: ten each.

    That is the height of a peak within 0.6 Hz over the median of the spectrum within 18 Hz, and 0 where there is none:
    the skirt of a partial near by is no line. Empty where the stretch is too short, or at too low a rate, to tell.
    """
    sound = _thinned(quiet, rate)
    if sound is None:
        return ()
    spectrum = spectrum_of(*sound)
    if spectrum is None or spectrum.seconds < SHORTEST_S:
        return ()
    power, step, *_ = spectrum
    hertz = np.outer(MAINS_HZ, np.arange(1, HARMONICS + 1)).reshape(-1, 1)
    centres, reach, drift = np.round(hertz / step).astype(int), round(_AROUND_HZ / step), round(_DRIFT_HZ / step)
    around = power[np.maximum(centres + np.arange(-reach, reach + 1), 1)]
    line = power[centres + np.arange(-drift - 1, drift + 2)]
    tops = line.argmax(axis=1)
    heights = 10 * np.log10(line.max(axis=1) / np.median(around, axis=1))
    is_peak = (tops > 0) & (tops < line.shape[1] - 1)
    return tuple(round(float(height), 1) for height in np.where(is_peak, heights, 0.0))


def _thinned(sound: NDArray[np.float32], rate: int) -> tuple[NDArray[np.float32], int] | None:
    """Return the sound under 1 kHz at a rate near 6 kHz, and that rate; None where the rate is too low for that."""
    factor = rate // _THIN_HZ
    if rate < 2 * (HARMONICS * MAINS_HZ[1] + _AROUND_HZ) or len(sound) < 8 * max(1, factor):
        return None
    if factor < 2:
        return sound, rate
    kernel = _thinning(factor)
    windows = np.lib.stride_tricks.sliding_window_view(sound, len(kernel))[::factor]
    return np.ascontiguousarray(windows) @ kernel, rate // factor


@lru_cache(maxsize=8)
def _thinning(factor: int) -> NDArray[np.float32]:
    """Return a low-pass, its weights adding up to one, ahead of keeping each ``factor``-th sample."""
    taps = 8 * factor
    sinc = np.sinc((np.arange(taps) - (taps - 1) / 2) / (2 * factor))
    kernel = (sinc * np.hanning(taps + 2)[1:-1]).astype(np.float32)
    return np.asarray(kernel / kernel.sum(), np.float32)


def rings_by_itself(floor: Spectrum, lines: Sequence[float]) -> bool:
    """Tell whether a stretch that seems to be a noise floor is a sound that still rings, whatever its notes are.

    So it is where lines that stand 9 dB out of what is around them hold over half of the energy above 60 Hz. Those of
    the mains do not count where it hums.
    """
    power, step, seconds, _ = floor
    if seconds < SHORTEST_S:
        return False
    first = round(_RUMBLE_HZ / step)
    width = max(9, 2 * round(max(_AROUND_HZ, 6 / seconds) / step) + 1)
    whole = power[first : first + (len(power) - first) // width * width].reshape(-1, width)
    usual = np.median(whole, axis=1, keepdims=True)
    lined = np.where(whole > _LINE * usual, whole, 0.0).reshape(-1)
    hum = hum_of(lines)
    if hum is not None and hum[1] > _HUMS_DB:
        hertz = (first + np.arange(len(lined))) * step
        lined[np.abs(hertz - hum[0] * np.round(hertz / hum[0])) < 2 / seconds] = 0
    total = float(whole.sum())
    return total > 0 and float(lined.sum()) > _RINGS * total


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
