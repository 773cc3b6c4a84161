"""What several benchmarks measure on."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest


def _library(root: Path, size: int, files: int) -> None:
    """Write an instrument as a sampler has it: notes in four velocity layers that decay into the room's noise."""
    chance = np.random.default_rng(7)
    mean = size // files // 6
    time_ = np.arange(int(mean * 1.5))
    notes = [
        sum(
            np.sin(time_ * 0.02 * 1.12**note * part * (1 + 0.0003 * part)) * np.exp(-time_ * (2 + part) / mean) / part
            for part in range(1, 7)
        )
        for note in range(12)
    ]
    noise = chance.normal(0, 120, time_.size * 4)  # some −96 dBFS
    for number in range(files):
        loud = 10 ** (-(6 + 12 * (number % 4)) / 20) * (1 << 23) / 2.5
        count = int(mean * chance.uniform(0.5, 1.5))
        at = int(chance.integers(0, noise.size - 2 * count))
        body = np.asarray(notes[number % 12][:count]) * loud
        stereo = np.stack([body + noise[at : at + count], body * 0.8 + noise[at + count : at + 2 * count]], 1)
        data = np.clip(stereo, -(1 << 23), (1 << 23) - 1).astype("<i4").view("u1").reshape(-1, 4)[:, :3].tobytes()
        head = struct.pack("<4sI8sIHHIIHH", b"RIFF", 36 + len(data), b"WAVEfmt ", 16, 1, 2, 48000, 288000, 6, 24)
        path = root / "Samples" / f"layer {number % 23:02d}" / f"note {number:05d}.wav"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(head + struct.pack("<4sI", b"data", len(data)) + data)


@pytest.fixture(scope="session")
def write_library() -> Callable[[Path, int, int], None]:
    """``write_library(root, size, files)``: 24-bit stereo files of that size together."""
    return _library
