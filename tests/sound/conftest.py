"""Signals and files that the tests of the sound room share."""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from companion.core.cache import Cache
from companion.core.entries import Kind
from companion.core.facts import Facts
from companion.core.progress import QUIET
from companion.core.rules import findings_of
from companion.sound.checks.model import sound_model
from companion.sound.measures.batch import measure_files
from companion.sound.measures.measured import Measured
from companion.sound.rules import RULES

Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write samples (frames or frames × channels) as a file in the temporary folder and return its path."""

    def writing(name: str, samples: Any, rate: int = 48000, subtype: str = "PCM_24", **more: Any) -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, np.asarray(samples), rate, subtype=subtype, **more)
        return path

    return writing


@pytest.fixture
def sine() -> Callable[..., Any]:
    """A sine: frequency in Hz, seconds, amplitude, rate, phase in radians."""

    def make(hertz: float, seconds: float = 0.5, amplitude: float = 0.5, rate: int = 48000, phase: float = 0.0) -> Any:
        return amplitude * np.sin(2 * np.pi * hertz * np.arange(round(seconds * rate)) / rate + phase)

    return make


@pytest.fixture
def chunk() -> Callable[[bytes, bytes], bytes]:
    """One RIFF chunk, padded to even length."""

    def make(name: bytes, body: bytes) -> bytes:
        return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) & 1)

    return make


@pytest.fixture
def append_chunks() -> Callable[..., None]:
    """Append RIFF chunks to a WAVE file and mend its size."""

    def add(path: Path, *chunks: bytes) -> None:
        data = path.read_bytes() + b"".join(chunks)
        path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])

    return add


@pytest.fixture
def smpl(chunk: Callable[[bytes, bytes], bytes]) -> Callable[..., bytes]:
    """A sampler chunk: root note, fraction of a semitone (0 to 1), loops as (kind, first frame, last frame)."""

    def make(root: int = 60, fraction: float = 0.0, loops: tuple[tuple[int, int, int], ...] = ()) -> bytes:
        body = struct.pack("<9I", 0, 0, 20833, root, int(fraction * 2**32), 0, 0, len(loops), 0)
        for number, (kind, first, last) in enumerate(loops):
            body += struct.pack("<6I", number, kind, first, last, 0, 0)
        return chunk(b"smpl", body)

    return make


@pytest.fixture
def measure(tmp_path: Path) -> Callable[..., Mapping[str, Measured]]:
    """Measure every file under the temporary folder, in worker processes as the companion does."""

    def measuring(*paths: Path) -> Mapping[str, Measured]:
        chosen = paths or tuple(sorted(path for path in tmp_path.rglob("*") if path.is_file()))
        files = [(path.relative_to(tmp_path).as_posix(), path, "") for path in chosen]
        with Cache(None) as cache:
            return measure_files(files, cache, QUIET)

    return measuring


@pytest.fixture
def found() -> Callable[..., dict[str, list[str]]]:
    """Check measures and return the paths found, by rule: ``found(measured, facts=…, kinds=…, table=…)``."""

    def finding(
        measured: Mapping[str, Measured],
        facts: Facts | None = None,
        kinds: Mapping[str, Kind] | None = None,
        table: str = "",
    ) -> dict[str, list[str]]:
        by_rule: dict[str, list[str]] = {}
        for one in findings_of(RULES, sound_model(measured, kinds or {}, facts or Facts(), table)):
            if not one.unknown:  # what cannot be judged has a module of its own
                by_rule.setdefault(one.rule, []).append(one.path)
        return by_rule

    return finding


@pytest.fixture
def good() -> Callable[..., Measured]:
    """The measures of a sample that nothing is wrong with, some of them replaced."""

    def make(**values: Any) -> Measured:
        usual: dict[str, Any] = {
            "format": "WAV",
            "subtype": "PCM_24",
            "bits": 24,
            "effective_bits": 24,
            "seconds": 2.0,
            "frames": 96000,
            "rate": 48000,
            "channels": 1,
            "size": 288044,
            "peak_dbfs": -3.0,
            "channel_peaks": (0.7,),
            "true_peak_dbtp": -2.9,
            "momentary_max_lufs": -20.0,
            "dc": 0.0,
            "onset_s": 0.001,
            "tail_s": 0.0,
            "end_db": -70.0,
        }
        return Measured(**{**usual, **values})

    return make
