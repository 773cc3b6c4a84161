"""What is heard of one state of the controls: some thirty numbers, each in units of a just noticeable difference.

A probe is a long note and a short one. Every number is counted so that 1 is about what a listener just notices: 1 dB
of level, an eighth of an octave of brightness, 8 cents of pitch. Levels are taken over the bounce's own noise, which is
never subtracted: what lies in the noise reads as the noise.
"""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.bounce import Heard
from companion.trials.performance.hearing import shifted_by, spectrum

Vector = NDArray[np.float64]
Floats = NDArray[np.float32]

BANDS_HZ: Final = (60, 120, 250, 500, 1000, 2000, 4000, 8000, 16000)
FEATURES: Final[dict[str, float]] = {
    "early": 1.0,
    "level": 1.0,
    "attack 25": 3.0,
    "attack 80": 2.0,
    "rise": 0.6,
    **{f"band {low}": 1.5 for low in BANDS_HZ[:-1]},
    "bright": 0.12,
    "bright onset": 0.2,
    "release": 2.0,
    "release late": 2.5,
    "short": 1.0,
    "tail": 2.0,
    "tail late": 2.5,
    "width": 1.5,
    "pan": 1.0,
    "pitch": 8.0,
    "pitch moves": 5.0,
    "level moves": 0.5,
    "rough": 1.5,
    "falls": 3.0,
    "flat": 1.5,
    "crest": 1.5,
    "before": 4.0,
}
"""The numbers, and how much of each is just noticeable: decibels, octaves, cents, doublings, decibels a second.

By the order of magnitude from textbooks of psychoacoustics (1 dB, a few cents); they weigh the numbers against each
other and decide nothing alone: what counts as different is earned by each bounce.
"""
NAMES: Final = tuple(FEATURES)
JNDS: Final = np.array(list(FEATURES.values()))
FRONT: Final = 0.1


class Ground(msgspec.Struct, frozen=True, kw_only=True):
    """What a bounce brings along.

    noise: mean square of silence, in all. bands: the same in each band. cents: the spectrum of the first home, against
    which pitch is compared; none where there is none.
    """

    noise: float = 1e-14
    bands: tuple[float, ...] = (1e-14,) * (len(BANDS_HZ) - 1)
    cents: Floats | None = None


class Times(msgspec.Struct, frozen=True, kw_only=True):
    """When a probe's long note and first short one sound, and when its slot ends, in seconds of the bounce."""

    on: float
    off: float
    short_on: float
    short_off: float
    end: float


def _db(power: float | np.floating) -> float:
    return float(10 * np.log10(max(float(power), 1e-16)))


def _ratio(power: float | np.floating, other: float | np.floating, noise: float, most: float = 60.0) -> float:
    """Return a ratio of levels in dB, both held above the noise, and within ``most`` dB."""
    return min(max(_db(float(power) + noise) - _db(float(other) + noise), -most), most)


def band_powers(data: Floats, rate: int) -> Vector:
    """Return the mean square of (frames, channels) in each band, the mean over the channels."""
    if len(data) < 16:
        return np.zeros(len(BANDS_HZ) - 1)
    window = np.hanning(len(data))[:, None]
    power = (np.abs(np.fft.rfft(data * window, axis=0)) ** 2).mean(axis=1) / (len(data) * (window**2).sum() / 2)
    bins = np.fft.rfftfreq(len(data), 1 / rate)
    edges = np.searchsorted(bins, BANDS_HZ)
    sums = np.concatenate([[0.0], np.cumsum(power)])
    inside: Vector = np.maximum(sums[edges[1:]] - sums[edges[:-1]], 0.0)
    return inside


def ground_of(sound: Heard, first: float, last: float, home: Times | None = None) -> Ground:
    """Return what a bounce brings along. first, last: a stretch in seconds in which nothing is played."""
    data = sound.read(first, last)
    noise = float(np.mean(data.astype(np.float64) ** 2)) + 1e-12
    bands = tuple(float(value) + 1e-13 for value in band_powers(data, sound.rate))
    cents = None
    if home:
        cents = spectrum(sound.read(home.on + 0.08, home.off).mean(axis=1), sound.rate)
    return Ground(noise=noise, bands=bands, cents=cents)


def _centroid(bands: Vector, noise: Vector) -> float:
    """Return where the energy lies, in octaves over 60 Hz; bands are compressed, so that a weak top counts as heard."""
    above = np.maximum(bands - 1.5 * noise, 0)
    weights = above**0.35
    return float((weights * np.arange(len(bands))).sum() / weights.sum()) if weights.sum() > 0 else 0.0


def _cells(power: Vector, rate: int, seconds: float) -> Vector:
    size = max(1, int(seconds * rate))
    count = len(power) // size
    means: Vector = power[: count * size].reshape(count, size).mean(axis=1)
    return means


def _moves(levels: Vector) -> float:
    """Return how far a curve strays from the line through it, as a standard deviation."""
    if len(levels) < 4:
        return 0.0
    steps = np.arange(len(levels))
    return float(np.std(levels - np.polyval(np.polyfit(steps, levels, 1), steps)))


def _pitch_moves(mono: Floats, rate: int) -> float:
    """Return how far the strongest partial strays from its line, in cents."""
    size, hop = int(0.07 * rate), int(0.015 * rate)
    if len(mono) < size + 6 * hop:
        return 0.0
    frames = np.lib.stride_tricks.sliding_window_view(mono, size)[::hop] * np.hanning(size)
    width = 1 << int(np.ceil(np.log2(size * 2)))
    spectra = np.abs(np.fft.rfft(frames, width, axis=1))
    mean = spectra[:, 2:].mean(axis=0)
    # A higher partial tells more of its movement than the lowest does.
    strong = np.nonzero((mean[1:-1] > mean[:-2]) & (mean[1:-1] >= mean[2:]) & (mean[1:-1] > 0.2 * mean.max()))[0] + 3
    if not len(strong):
        return 0.0
    peak = int(strong[-1])
    reach = max(2, int(peak * 0.03))
    low = max(1, peak - reach)
    part = spectra[:, low : peak + reach + 1]
    places = np.argmax(part, axis=1) + low
    rows = np.arange(len(places))
    places = np.clip(places, 1, spectra.shape[1] - 2)
    left, mid, right = (np.log(spectra[rows, places + step] + 1e-12) for step in (-1, 0, 1))
    bend = left - 2 * mid + right
    exact = places + np.where(bend < -1e-9, 0.5 * (left - right) / np.minimum(bend, -1e-9), 0.0)
    return min(_moves(1200 * np.log2(np.maximum(exact, 1e-6) / peak)), 100.0)


def features(sound: Heard, times: Times, ground: Ground) -> Vector:
    """Return the numbers of one probe, in just noticeable differences, in the order of ``NAMES``."""
    rate = sound.rate
    data = sound.read(times.on - FRONT, times.end)
    if data.shape[1] == 1:
        data = np.repeat(data, 2, axis=1)
    power = np.mean(data.astype(np.float64) ** 2, axis=1)

    def part(first: float, last: float) -> slice:
        start = max(0, round((first - times.on + FRONT) * rate))
        return slice(start, max(start + 2, round((last - times.on + FRONT) * rate)))

    on, off, short, short_off = times.on, times.off, times.short_on, times.short_off
    noise = ground.noise
    held = part(on + 0.25, off - 0.01)
    level = float(power[held].mean())
    early = float(power[part(on + 0.08, on + 0.25)].mean())
    fine = _cells(power[part(on, off)], rate, 0.005)
    most = float(np.convolve(fine, np.ones(8) / 8, "valid").max()) if len(fine) > 8 else level
    half = np.nonzero(fine > most / 4)[0]
    rise = (int(half[0]) + 2) if len(half) else len(fine)
    bands = band_powers(data[held].astype(np.float32), rate)
    quiet = np.array(ground.bands)
    start_bands = band_powers(data[part(on, on + 0.12)].astype(np.float32), rate)
    total = float(bands.sum())
    mid, side = (data[held, 0] + data[held, 1]) / 2, (data[held, 0] - data[held, 1]) / 2
    mono = data[held].mean(axis=1).astype(np.float32)
    if float(np.abs(mono).max()) < 0.25 * float(np.abs(data[held]).max()):
        mono = data[held, 0].astype(np.float32)
    centred = spectrum(mono, rate)
    pitch = 0.0
    if centred is not None and ground.cents is not None and level > 4 * noise:
        error, likeness, _ = shifted_by(ground.cents, centred, 0, 250)
        pitch = error if likeness > 0.3 else 0.0
    cells = 10 * np.log10(_cells(power[held], rate, 0.025) + noise + 1e-14)
    quick = np.sqrt(_cells(power[held], rate, 0.004) + 1e-16)
    steady = np.convolve(quick, np.ones(15) / 15, "same") if len(quick) >= 15 else quick
    rough = float(np.std((quick - steady)[5:-5]) / (quick.mean() + 1e-12)) if len(quick) > 20 else 0.0
    spectra = np.abs(np.fft.rfft(mono * np.hanning(len(mono)))) ** 2
    spectra = spectra[: int(0.9 * len(spectra))] + 1e-16
    flat = float(np.mean(np.log(spectra)) - np.log(np.mean(spectra))) * 4.343
    mids, sides = float(np.mean(mid**2)), float(np.mean(side**2))
    floor = noise / 2
    values = [
        _db(early + noise),
        _db(level + noise),
        _ratio(power[part(on, on + 0.025)].mean(), level, noise),
        _ratio(power[part(on + 0.03, on + 0.08)].mean(), level, noise),
        float(np.log2(rise)),
        *(max(_ratio(one, total, hiss), -50.0) for one, hiss in zip(bands, quiet, strict=True)),
        _centroid(bands, quiet),
        _centroid(start_bands, quiet * 3),
        _ratio(power[part(off + 0.02, off + 0.12)].mean(), level, noise),
        _ratio(power[part(off + 0.28, min(off + 0.43, short - 0.02))].mean(), level, noise),
        _db(power[part(short, short_off + 0.03)].mean() + noise),
        _ratio(power[part(short_off + 0.05, short_off + 0.13)].mean(), level, noise),
        _ratio(power[part(short_off + 0.26, short_off + 0.41)].mean(), level, noise),
        _ratio(sides, mids, floor, 30.0),
        _ratio(np.mean(data[held, 1] ** 2), np.mean(data[held, 0] ** 2), floor, 20.0),  # beyond it is one side alone
        pitch,
        _pitch_moves(mono, rate),
        _moves(cells),
        20 * float(np.log10(rough + 0.02)),
        float(np.polyfit(np.arange(len(cells)), cells, 1)[0]) / 0.025 if len(cells) > 4 else 0.0,
        flat,
        _db(float(np.abs(data[held]).max()) ** 2) - _db(level),
        _db(float(np.median(power[part(on - 0.06, on - 0.02)])) + noise),
    ]
    vector: Vector = np.array(values) / JNDS
    return vector
