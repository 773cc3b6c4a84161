"""The archive against zip and unzip, paired in one run: pytest tests/benchmarks/test_archive.py -m benchmark -n 0 -s.

Whole commands, Python's start included, on a generated library of 1 GB (24-bit stereo, one file in twelve with the
same sound on both channels); a quicker look: ``COMPANION_BENCH_BYTES=100000000``. Ratios of processor time are printed
beside those of the clock, since a machine that does other things meanwhile moves the one more than the other.
"""

from __future__ import annotations

import hashlib
import json
import os
import resource
import shutil
import statistics
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

pytestmark = pytest.mark.benchmark

BYTES = int(os.environ.get("COMPANION_BENCH_BYTES", "1000000000"))
ROUNDS = int(os.environ.get("COMPANION_BENCH_ROUNDS", "3"))

BUILD = """
import json, sys
from pathlib import Path
from companion.archive.build import pending_archive
from companion.archive.plan import plan
from companion.core.progress import Watch
folder = Path(sys.argv[1])
files = [(path, folder / path, size, sha256) for path, (size, sha256) in json.load(open(sys.argv[2])).items()]
with pending_archive(plan("library", files), Path(sys.argv[3]), Watch()) as new:
    new.accept()
"""
PROVE = """
import json, sys
from pathlib import Path
from companion.archive import external
from companion.archive.prove import prove
from companion.core.progress import Watch
external.ask = lambda path, watch: []
manifest = {f"library/{path}": tuple(told) for path, told in json.load(open(sys.argv[2])).items()}
proof = prove(Path(sys.argv[1]), manifest=manifest, into=Path(sys.argv[3]), watch=Watch())
assert proof.extracted and not proof.findings, proof.findings
"""


def _note(chance: np.random.Generator, number: int) -> bytes:
    """Return a struck note, 48 kHz, 24-bit stereo, 1.5 to 4.5 s, with a room noise of −84 dBFS."""
    count = int(48000 * chance.uniform(1.5, 4.5))
    time_ = np.arange(count) / 48000
    tone = 55 * 2 ** (number % 60 / 12)
    sides = []
    for spread in (1.0, 1.0003):
        parts = [
            np.sin(2 * np.pi * tone * k * spread * time_ + chance.uniform(0, 6)) * np.exp(-time_ * (0.6 + 0.5 * k)) / k
            for k in range(1, 9)
        ]
        sides.append(0.25 * sum(parts) + chance.normal(0, 10 ** (-84 / 20), count))
    if number % 12 == 0:
        sides[1] = sides[0]
    scaled = np.clip(np.round(np.stack(sides, 1) * 8388607), -8388608, 8388607).astype("<i4")
    data = scaled.view("u1").reshape(-1, 4)[:, :3].tobytes()
    head = struct.pack("<4sI8sIHHIIHH", b"RIFF", 36 + len(data), b"WAVEfmt ", 16, 1, 2, 48000, 288000, 6, 24)
    return head + struct.pack("<4sI", b"data", len(data)) + data


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    root = tmp_path_factory.mktemp("archive")
    chance = np.random.default_rng(7)
    told: dict[str, tuple[int, str]] = {}
    done = 0
    while done < BYTES:
        data = _note(chance, len(told))
        path = f"Samples/layer {len(told) % 4}/note {len(told):05d}.wav"
        (root / "library" / path).parent.mkdir(parents=True, exist_ok=True)
        (root / "library" / path).write_bytes(data)
        told[path] = (len(data), hashlib.sha256(data).hexdigest())
        done += len(data)
    (root / "told.json").write_text(json.dumps(told))
    (root / "sums").write_text("".join(f"{sha256}  library/{path}\n" for path, (_, sha256) in told.items()))
    yield root
    shutil.rmtree(root)


class Spent(NamedTuple):
    clock: float
    processor: float


def _spent(*commands: list[str], cwd: Path) -> Spent:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    for command in commands:
        subprocess.run(command, cwd=cwd, check=True, stdout=subprocess.DEVNULL)
    clock = time.perf_counter() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return Spent(clock, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)


def _paired(what: str, most: float, ours: Callable[[], Spent], theirs: Callable[[], Spent]) -> None:
    pairs = []
    for _ in range(ROUNDS):
        one, two = ours(), theirs()
        pairs.append((one.clock / two.clock, one.processor / two.processor))
        print(
            f"\n{what}: {one.clock:.2f} s ({one.processor:.2f} s of processor) against "
            f"{two.clock:.2f} s ({two.processor:.2f} s)"
        )
    clock = statistics.median(pair[0] for pair in pairs)
    processor = statistics.median(pair[1] for pair in pairs)
    print(f"{what}: {clock:.3f} × the clock (at most {most}), {processor:.3f} × the processor")
    assert clock <= most


def _fresh(place: Path) -> Path:
    shutil.rmtree(place, ignore_errors=True)
    os.sync()  # what one run left to be written is not paid for by the next
    return place


def test_building_against_zip(made: Path) -> None:
    def ours() -> Spent:
        out = _fresh(made / "ours")
        command = [sys.executable, "-c", BUILD, "library", "told.json", str(out / "x.zip")]
        return _spent(command, cwd=made)

    def theirs() -> Spent:
        out = _fresh(made / "theirs")
        out.mkdir()
        return _spent(["zip", "-q", "-r", "-6", str(out / "x.zip"), "library"], cwd=made)

    _paired("building", 0.10, ours, theirs)
    sizes = [(made / name / "x.zip").stat().st_size for name in ("ours", "theirs")]
    print(f"size: {sizes[0] / sizes[1]:.4f} × zip's (at most 1.01)")
    assert sizes[0] <= 1.01 * sizes[1]


def test_proving_against_unzip_and_sha256sum(made: Path) -> None:
    archive = made / "proof" / "x.zip"
    _spent([sys.executable, "-c", BUILD, "library", "told.json", str(archive)], cwd=made)

    def ours() -> Spent:
        into = _fresh(made / "into")
        return _spent([sys.executable, "-c", PROVE, str(archive), "told.json", str(into)], cwd=made)

    def theirs() -> Spent:
        into = _fresh(made / "unzipped")
        into.mkdir()
        return _spent(
            ["unzip", "-q", str(archive), "-d", str(into)], ["sha256sum", "--quiet", "-c", str(made / "sums")], cwd=into
        )

    _paired("proving", 0.30, ours, theirs)
