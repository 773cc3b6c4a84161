"""What is heard of one note: how loud, how it stands out of what rang before, and its spectrum on a scale of cents."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.bounce import Heard

Floats = NDArray[np.float32]

CELL_S: Final = 0.01
CENTS: Final = 10
"""Width of a bin of the spectrum on a scale of cents."""
LOWEST_HZ: Final = 40.0
OCTAVES: Final = 8
SILENCE_DB: Final = -160.0
_LATE_CELLS: Final = 8
_ONE_SIDE_DB: Final = 30.0
_FAINT: Final = 1e-10
"""Mean square of what is left of a channel in which nothing is: dither."""


class Tone(msgspec.Struct, frozen=True, kw_only=True):
    """What was heard of one note, levels in dB relative to full scale (mean square).

    before: just before it begins. loud: the loudest 50 ms of it. level: its mean while held. after: the end of its
    slot, as long behind its release as the slot lasts. peak: the largest sample. late: its last 80 ms before it is let
    go of. side: the right channel over the left, within 30 dB; 0 for one channel. cents: magnitudes at ``CENTS`` per
    bin from 40 Hz on, their local mean taken away, of length one; None where there was nothing to hear. bands: power
    in bands of a semitone from 40 Hz on, dB.
    """

    before: float
    loud: float
    level: float
    after: float
    peak: float
    late: float = SILENCE_DB
    side: float = 0.0
    cents: Floats | None = None
    bands: Floats | None = None

    @property
    def rises(self) -> float:
        """By how many decibels it stands out of what was there before."""
        return self.loud - self.before


def decibels(power: float) -> float:
    """Return a mean square in dB, −160 at the least."""
    return float(10 * np.log10(power)) if power > 1e-16 else SILENCE_DB


def cells(mono: Floats, rate: int) -> Floats:
    """Return mean squares in cells of 10 ms."""
    size = max(1, int(CELL_S * rate))
    whole = len(mono) // size * size
    return np.asarray(np.mean(mono[:whole].reshape(-1, size).astype(np.float32) ** 2, axis=1), np.float32)


def powers(data: Floats) -> Floats:
    """Return one channel whose square is the mean square of all: a sum would lose what is out of phase."""
    if data.shape[1] == 1:
        return data[:, 0]
    total = data[:, 0] ** 2
    for channel in range(1, data.shape[1]):  # over two columns numpy's own mean takes ten times as long
        total += data[:, channel] ** 2
    return np.asarray(np.sqrt(total / data.shape[1]), np.float32)


@lru_cache(maxsize=16)
def hann(size: int) -> NDArray[np.float64]:
    """Return a Hann window; kept, since most notes of a performance are equally long."""
    window = np.hanning(size)
    window.flags.writeable = False
    return window


class Rest(msgspec.Struct, frozen=True):
    """What is heard while nothing is played, dB: ``early``, 0.4 to 0.7 s after its start, and ``late``, at its end."""

    early: float
    late: float


def hear_rest(sound: Heard, start: float, end: float) -> Rest:
    """Return what is heard of a rest from ``start`` to ``end``, seconds of the bounce."""
    energy = cells(powers(sound.read(start, end)), sound.rate)
    if len(energy) < 100:
        return Rest(SILENCE_DB, SILENCE_DB)
    return Rest(decibels(float(np.median(energy[40:70]))), decibels(float(np.median(energy[-40:-10]))))


def hear(sound: Heard, on: float, off: float, end: float) -> Tone:
    """Return what is heard of a note from ``on`` to ``off``, whose slot lasts until ``end`` (seconds of the bounce)."""
    front = 0.09
    data = sound.read(on - front, end)
    power = powers(data)
    energy = cells(power, sound.rate)
    start = round(front / CELL_S)
    held = energy[start : max(start + 5, round((front + off - on) / CELL_S))]
    before = float(np.median(energy[: start - 2]))
    smooth = np.convolve(held, np.ones(5) / 5, "valid") if len(held) >= 5 else held
    tail = energy[-6:-1]
    mono = mixed(data)[round((front + 0.03) * sound.rate) : round((front + off - on) * sound.rate)]
    magnitudes = _magnitudes(mono, sound.rate)
    return Tone(
        before=decibels(before),
        loud=decibels(float(smooth.max())),
        level=decibels(float(held.mean())),
        after=decibels(float(np.median(tail))),
        peak=float(np.abs(data).max()),
        late=decibels(float(held[-_LATE_CELLS:].mean())),
        side=_side(data[round(front * sound.rate) : round((front + off - on) * sound.rate)]),
        cents=None if magnitudes is None else _on_cents(magnitudes, sound.rate),
        bands=None if magnitudes is None else _in_bands(magnitudes, sound.rate),
    )


def _side(data: Floats) -> float:
    """Return by how many dB the right of two channels is louder than the left one."""
    if data.shape[1] < 2:
        return 0.0
    left, right = (decibels(float(np.mean(data[:, channel] ** 2)) + _FAINT) for channel in (0, 1))
    return min(max(right - left, -_ONE_SIDE_DB), _ONE_SIDE_DB)


def mixed(data: Floats) -> Floats:
    """Return (frames, channels) as one channel, in unequal weights: what is out of phase must not cancel."""
    weights = np.float32(0.7) ** np.arange(data.shape[1], dtype=np.float32)
    return np.asarray(data @ (weights / weights.sum()), np.float32)


def _magnitudes(piece: Floats, rate: int) -> Floats | None:
    """Return the magnitudes of a stretch, finely enough for its lowest octave; None where there is too little."""
    if len(piece) < rate * 0.08 or float(np.abs(piece).max()) < 1e-6:
        return None
    size = 1 << int(np.ceil(np.log2(max(len(piece), rate * 0.7))))
    window = hann(len(piece)).astype(np.float32)
    magnitudes = np.abs(np.fft.rfft(piece * window, size)) * np.float32(2 / window.sum())
    return np.asarray(magnitudes, np.float32)


def _on_cents(magnitudes: Floats, rate: int) -> Floats | None:
    """Return magnitudes on a scale of cents: compressed, freed of their local mean, of length one."""
    size = 2 * (len(magnitudes) - 1)
    top = min(rate * 0.45, LOWEST_HZ * 2**OCTAVES)
    places = LOWEST_HZ * 2 ** (np.arange(OCTAVES * 1200 // CENTS) * CENTS / 1200)
    values = np.interp(places * size / rate, np.arange(len(magnitudes)), magnitudes)
    values[places > top] = 0
    logs = np.log10(values / (values.max() + 1e-12) + 1e-3) + 3
    width = 600 // CENTS | 1
    whole = np.maximum(logs - np.convolve(logs, np.ones(width) / width, "same"), 0)
    norm = float(np.linalg.norm(whole))
    return (whole / norm).astype(np.float32) if norm > 1e-6 else None


def _in_bands(magnitudes: Floats, rate: int) -> Floats:
    """Return the power in bands of a semitone from 40 Hz on, dB; −160 where a band lies above half the rate."""
    size = 2 * (len(magnitudes) - 1)
    summed = np.concatenate(([0.0], np.cumsum(magnitudes.astype(np.float64) ** 2)))
    edges = LOWEST_HZ * 2 ** ((np.arange(OCTAVES * 12 + 1) - 0.5) / 12) * size / rate
    ends = np.clip(edges, 0, len(magnitudes))
    whole = np.interp(ends, np.arange(len(summed)), summed)
    return (10 * np.log10(np.maximum(np.diff(whole), 1e-16))).astype(np.float32)


def shifted_by(one: Floats, other: Floats, expected: int, around: int = 1300) -> tuple[float, float, float]:
    """Return (error, likeness, lead) of ``other`` against ``one`` moved up by ``expected`` cents.

    error: by how many cents the best shift differs from the expected one, within ``around``. likeness: 0 to 1 there.
    lead: how much better it is than the best shift further than 60 cents from it.
    """
    centre = expected // CENTS
    reach = around // CENTS
    spectrum_one = np.fft.rfft(one, 2048)
    spectrum_other = np.fft.rfft(other, 2048)
    whole = np.fft.irfft(spectrum_other * np.conj(spectrum_one), 2048)
    shifts = np.arange(centre - reach, centre + reach + 1)
    likeness = whole[shifts % 2048]
    best = int(np.argmax(likeness))
    aside = likeness.copy()
    aside[max(0, best - 6) : best + 7] = -1
    error = float(shifts[best] - centre)
    if 0 < best < len(likeness) - 1:
        left, mid, right = (float(value) for value in likeness[best - 1 : best + 2])
        bend = left - 2 * mid + right
        error += 0.5 * (left - right) / bend if bend < 0 else 0.0
    return CENTS * error, float(likeness[best]), float(likeness[best] - aside.max())


def spectrum(mono: Floats, rate: int) -> Floats | None:
    """Return magnitudes of a stretch on a scale of cents, as :class:`Tone` has them; None where there is too little."""
    magnitudes = _magnitudes(mono, rate)
    return None if magnitudes is None else _on_cents(magnitudes, rate)
