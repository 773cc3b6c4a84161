"""Pitch along a file, the decay of an impulse response, and spectra: what is measured once, by time or frequency."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from companion.sound.drawing.values import (
    DecayAsked,
    DecayCurve,
    PitchAsked,
    PitchTrack,
    SpectrumAsked,
    SpectrumLine,
)
from companion.sound.drawing.waves import cleaned
from companion.sound.files.decoding import AudioReader
from companion.sound.measures.bits import mixed
from companion.sound.measures.edges import Envelope, floor_of, integrated
from companion.sound.measures.pitch import WINDOW_S, cents_of, periods

_FLOOR_DB: Final = -120.0
_SPECTRUM_S: Final = 8.0
_MOST: Final = 4096


def _head(reader: AudioReader) -> NDArray[np.float32]:
    """Return the first block in one channel: some 20 s of stereo, or all there is."""
    for block in reader.blocks():
        return mixed(cleaned(block))
    return np.zeros(0, np.float32)


def _whole(reader: AudioReader, frames: int) -> int:
    return frames if frames < reader.block_frames else max(frames, reader.promised)


def pitch_along(reader: AudioReader, asked: PitchAsked) -> PitchTrack:
    """Return the pitch of even windows of 90 ms over the first block; where no period shows there is none."""
    sound = _head(reader)
    size = min(len(sound), round(WINDOW_S * reader.rate))
    count = max(1, min(asked.count, _MOST, (len(sound) - size) // max(1, size // 8) + 1))
    starts = np.linspace(0, max(0, len(sound) - size), count).astype(int)
    found: list[tuple[float, float, float, float]] = []
    levels = [
        float(np.sqrt(np.mean(np.square(sound[s : s + size]), dtype=np.float64))) if size else 0.0 for s in starts
    ]
    loudest = max(levels, default=0.0)
    for start, level in zip(starts, levels, strict=True):
        if size < 64 or level <= 0:
            continue
        hertz, clarity = periods(sound[start : start + size][None, :], reader.rate)[0]
        if hertz > 0:
            middle = (int(start) + size / 2) / reader.rate
            found.append((middle, cents_of(hertz), clarity, 20 * math.log10(level / loudest)))
    columns = list(zip(*found, strict=True)) if found else [(), (), (), ()]
    return PitchTrack(
        rate=reader.rate,
        whole=_whole(reader, len(sound)),
        seconds=tuple(columns[0]),
        cents=tuple(columns[1]),
        clarity=tuple(columns[2]),
        loudness=tuple(columns[3]),
    )


def decay_along(reader: AudioReader, asked: DecayAsked) -> DecayCurve:
    """Return the level of each millisecond and the integrated decay from the loudest on, thinned to what is drawn."""
    envelope = Envelope(reader.rate)
    frames = 0
    for block in reader.blocks():
        frames += len(block)
        envelope.add(cleaned(block))
    cells = envelope.cells()
    loudest = float(cells.max(initial=0.0))
    if loudest <= 0:
        return DecayCurve(seconds=(), levels=(), integrated_seconds=(), integrated=(), rate=reader.rate, whole=frames)
    levels = 10 * np.log10(np.maximum(cells / loudest, 10 ** (_FLOOR_DB / 10)))
    start = int(np.argmax(cells))
    curve = integrated(cells[start:])
    seconds, kept = _thinned(levels, asked.columns, envelope.seconds, 0)
    later, line = _thinned(curve, asked.columns, envelope.seconds, start)
    return DecayCurve(
        seconds=seconds, levels=kept, integrated_seconds=later, integrated=line, rate=reader.rate, whole=frames
    )


def _thinned(
    values: NDArray[np.float64], columns: int, seconds: float, offset: int
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return times and the highest value of each of at most ``columns`` stretches."""
    count = max(1, min(columns, _MOST, len(values)))
    starts = np.arange(count) * len(values) // count
    highest = np.maximum.reduceat(values, starts) if len(values) else values
    return tuple(float((one + offset) * seconds) for one in starts), tuple(map(float, highest))


def spectrum_along(reader: AudioReader, asked: SpectrumAsked) -> SpectrumLine:
    """Return the highest level in each of many even stretches of frequency, of the first seconds or the noise floor."""
    sound, rate = _head(reader), reader.rate
    start, stop = 0, min(len(sound), round(_SPECTRUM_S * rate))
    if asked.quiet and len(sound):
        envelope = Envelope(rate)
        envelope.add(sound[None, :])
        floor = floor_of(envelope.cells())
        if floor.level_dbfs is not None:
            start, stop = floor.start * envelope.cell, min(len(sound), floor.stop * envelope.cell)
            stop = min(stop, start + round(_SPECTRUM_S * rate))
    part = sound[start:stop]
    top = min(asked.top_hz or rate / 2, rate / 2)
    if len(part) < 64 or not float(np.abs(part).max()) > 0:
        return SpectrumLine(hertz=(), levels=(), rate=rate, whole=len(sound), start_s=0.0, end_s=0.0)
    power = np.abs(np.fft.rfft((part - part.mean()) * np.hanning(len(part)))) ** 2
    power = power[: max(2, math.ceil(top / (rate / 2) * (len(power) - 1)) + 1)]
    count = max(1, min(asked.columns, _MOST, len(power)))
    starts = np.arange(count) * len(power) // count
    highest = np.maximum.reduceat(power, starts)
    levels = 10 * np.log10(np.maximum(highest / highest.max(), 10 ** (_FLOOR_DB / 10)))
    step = rate / len(part)
    return SpectrumLine(
        hertz=tuple(float(one * step) for one in starts),
        levels=tuple(map(float, levels)),
        rate=rate,
        whole=_whole(reader, len(sound)),
        start_s=start / rate,
        end_s=stop / rate,
    )
