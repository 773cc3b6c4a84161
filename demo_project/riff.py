"""RIFF/WAVE files as bytes, with the chunks that instruments use.

Layouts: IBM and Microsoft, Multimedia Programming Interface and Data Specifications 1.0 (RIFF, fmt, LIST INFO), its
later ``smpl`` chunk, and EBU Tech 3285 (``bext``).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray


def chunk(name: bytes, body: bytes) -> bytes:
    """Return one chunk: name, length, body, and a zero byte where the length is odd."""
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) & 1)


def wave(
    frames: NDArray[np.int16],
    rate: int,
    *,
    bits: int = 16,
    before: Iterable[bytes] = (),
    after: Iterable[bytes] = (),
) -> bytes:
    """Return a PCM file. frames: (count,) or (count, channels). bits: 24 pads the 16 of ``frames`` with zeros."""
    channels = 1 if frames.ndim == 1 else frames.shape[1]
    width = bits // 8
    data = frames.astype("<i2").tobytes()
    if bits == 24:
        padded = np.zeros((frames.size, 3), np.uint8)
        padded[:, 1:] = np.frombuffer(data, np.uint8).reshape(-1, 2)
        data = padded.tobytes()
    form = struct.pack("<HHIIHH", 1, channels, rate, rate * channels * width, channels * width, bits)
    parts = [chunk(b"fmt ", form), *before, chunk(b"data", data), *after]
    return chunk(b"RIFF", b"WAVE" + b"".join(parts))


def sampler(root: int, rate: int, loop: tuple[int, int] | None = None) -> bytes:
    """Return a ``smpl`` chunk. root: MIDI note number. loop: first and last frame, both played."""
    head = struct.pack("<9I", 0, 0, round(1e9 / rate), root, 0, 0, 0, 1 if loop else 0, 0)
    return chunk(b"smpl", head + (struct.pack("<6I", 0, 0, loop[0], loop[1], 0, 0) if loop else b""))


def broadcast(description: str, originator: str) -> bytes:
    """Return a ``bext`` chunk of version 0 with a fixed date."""
    return chunk(
        b"bext",
        struct.pack(
            "<256s32s32s10s8sIIH64s190s",
            description.encode("ascii"),
            originator.encode("ascii"),
            b"",
            b"2026-02-11",
            b"21:40:00",
            0,
            0,
            0,
            b"",
            b"",
        ),
    )


def info(**texts: str) -> bytes:
    """Return a ``LIST`` chunk of type ``INFO``: keys of four letters, such as ``ICMT``."""
    body = b"".join(chunk(key.encode("ascii"), text.encode("latin-1") + b"\0") for key, text in texts.items())
    return chunk(b"LIST", b"INFO" + body)
