"""FLAC as another encoder writes it, of the same samples: ffmpeg's own, which shares no code with libFLAC."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from companion.core.cache import Cache
from companion.core.progress import QUIET
from companion.sound.measures.lossless import flac_sizes


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_16", 16), ("PCM_24", 24)])
@pytest.mark.parametrize("channels", [1, 2])
def test_within_three_per_cent_of_another_encoder(
    tmp_path: Path, installed: Callable[[str, str], str], subtype: str, bits: int, channels: int
) -> None:
    ffmpeg = installed("ffmpeg", "ffmpeg")
    source, packed = tmp_path / "a.wav", tmp_path / "a.flac"
    time = np.arange(48_000 * 5)[:, None] / 48_000
    partials = [
        0.3 / k * np.sin(2 * np.pi * 196 * k * time + k * np.arange(channels)) * np.exp(-time * k / 2)
        for k in range(1, 8)
    ]
    noise = np.random.default_rng(1).standard_normal((len(time), channels)) * 1e-3
    soundfile.write(source, (sum(partials) + noise) * 0.5, 48_000, subtype)
    command = [ffmpeg, "-v", "error", "-i", str(source), "-c:a", "flac", "-bits_per_raw_sample", str(bits), str(packed)]
    subprocess.run(command, check=True, stdin=subprocess.DEVNULL)
    decoded: Any = soundfile.read(packed, dtype="int32")[0]
    assert np.array_equal(decoded, soundfile.read(source, dtype="int32")[0])
    # ffmpeg leaves room for tags (PADDING, RFC 9639 section 8.3), which is no sound.
    theirs = packed.stat().st_size - padding(packed.read_bytes())
    with Cache(None) as cache:
        (ours,) = flac_sizes([("a.wav", source, "")], cache, QUIET).values()
    assert ours == pytest.approx(theirs, rel=0.03)


def padding(data: bytes) -> int:
    """Bytes of the metadata blocks of type 1."""
    found, place, last = 0, 4, False
    while not last:
        last, kind = bool(data[place] & 0x80), data[place] & 0x7F
        length = int.from_bytes(data[place + 1 : place + 4], "big")
        found += (length + 4) * (kind == 1)
        place += 4 + length
    return found
