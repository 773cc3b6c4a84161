"""One file, one pass: reads it in blocks and puts its measures together."""

from __future__ import annotations

import hashlib
import math
import os
from pathlib import Path
from typing import Any, Final

from companion.sound.chunks import Chunks, read_chunks
from companion.sound.levels import Levels
from companion.sound.measured import LoopSeen, Measured
from companion.sound.reading import Reading, Unreadable

_BITS: Final = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64}


def measure_path(raw_path: bytes) -> Measured:
    """Return what is measured of the file at ``raw_path`` (``os.fsencode`` of a path); a fault of it is a value."""
    path = Path(os.fsdecode(raw_path))
    try:
        size = path.stat().st_size
        chunks = read_chunks(path)
        if size == 0:
            return Measured(problem="unreadable", problem_text="the file is empty")
        with Reading(path) as reading:
            return _measure(reading, chunks, size)
    except Unreadable as error:
        return Measured(problem="unreadable", problem_text=str(error), size=size)
    except OSError as error:
        return Measured(problem="unreadable", problem_text=error.strerror or str(error))


def decibels(value: float) -> float | None:
    """Return 20·log10 of an amplitude, or None for silence."""
    return round(20 * math.log10(value), 3) if value > 0 else None


def _measure(reading: Reading, chunks: Chunks, size: int) -> Measured:
    bits = _BITS.get(reading.subtype, 0)
    step = 2.0 ** (1 - bits) if reading.subtype.startswith("PCM") and bits else 0.0
    levels = Levels(reading.channels, step)
    digest = hashlib.blake2b(f"{reading.rate}/{reading.channels}".encode(), digest_size=16)
    for block in reading.blocks():
        digest.update(block.tobytes())
        levels.add(block)
    values: dict[str, Any] = {}
    if levels.frames == 0:
        return Measured(
            problem="unreadable", problem_text="it holds no sound", format=reading.format, size=size, rate=reading.rate
        )
    values |= _integrity(levels.frames, reading, chunks)
    return Measured(
        format=reading.format,
        subtype=reading.subtype,
        bits=bits,
        seconds=round(levels.frames / reading.rate, 6),
        frames=levels.frames,
        rate=reading.rate,
        channels=reading.channels,
        size=size,
        digest=digest.hexdigest(),
        peak_dbfs=decibels(levels.peak),
        channel_peaks=tuple(round(float(peak), 9) for peak in levels.peaks),
        rms_dbfs=decibels(levels.rms),
        dc=round(levels.dc, 9),
        not_finite=levels.not_finite,
        clipped_runs=levels.clipped_runs(),
        loops=tuple(LoopSeen(start=loop.start, end=loop.end, kind=loop.kind) for loop in chunks.loops),
        root_note=chunks.root_note,
        root_source="chunk" if chunks.root_note is not None else "",
        fine_cents=chunks.fine_cents,
        low_key=chunks.low_key,
        high_key=chunks.high_key,
        low_velocity=chunks.low_velocity,
        high_velocity=chunks.high_velocity,
        **values,
    )


def _integrity(frames: int, reading: Reading, chunks: Chunks) -> dict[str, Any]:
    """Tell whether the file holds what its header promises."""
    promised = chunks.frames_promised if chunks.frames_promised is not None else reading.promised
    if promised is None or not 0 < promised < 1 << 40:
        return {}
    values: dict[str, Any] = {"frames_promised": promised}
    if frames < promised and reading.format not in ("MP3", "OGG"):
        values["problem"] = "truncated"
        values["problem_text"] = f"{frames:,} of {promised:,} frames are there"
    return values
