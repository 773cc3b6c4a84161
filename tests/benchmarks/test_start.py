"""What starting costs, against the least that could start. Run: pytest tests/benchmarks -m benchmark -n 0 -s."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

pytestmark = pytest.mark.benchmark


# An installed package runs from compiled files; a test run may have been told not to write any.
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


def seconds(command: list[str], cwd: Path) -> float:
    began = time.perf_counter()
    subprocess.run(command, cwd=cwd, check=True, stdout=subprocess.DEVNULL, env=ENVIRONMENT)
    return time.perf_counter() - began


def paired(a: Callable[[], float], b: Callable[[], float], rounds: int) -> float:
    """Return the median ratio of ``a`` to ``b``, run in turn so that both meet the same machine."""
    a(), b()
    return statistics.median(a() / b() for _ in range(rounds))


def test_version_starts_like_click_alone(tmp_path: Path) -> None:
    ratio = paired(
        lambda: seconds([sys.executable, "-m", "companion", "--version"], tmp_path),
        lambda: seconds([sys.executable, "-c", "import click"], tmp_path),
        25,
    )
    print(f"\ncompanion --version / import click: {ratio:.2f} (at most 1.5)")
    assert ratio <= 1.5


def test_second_status_is_near_a_bare_walk(tmp_path: Path) -> None:
    folder = tmp_path / "instrument"
    for part in range(200):
        (folder / "Samples" / f"{part:03}").mkdir(parents=True)
        for index in range(100):
            (folder / "Samples" / f"{part:03}" / f"Slate_{index:03}.wav").write_bytes(b"%d %d" % (part, index))
    (folder / "Slate.eeng").write_bytes(b"patch")
    (folder / "release.toml").write_text(
        '[instrument]\ntitle = "Slate Choir"\nversion = "1.0"\n[contents]\npatches = ["Slate.eeng"]\n', encoding="utf-8"
    )
    status = [sys.executable, "-m", "companion", "status", str(folder)]
    walk = (
        "import os, sys\n"
        "for place, folders, names in os.walk(sys.argv[1]):\n"
        "    for name in names:\n"
        "        os.stat(os.path.join(place, name))\n"
    )
    time.sleep(2.1)  # files younger than the clock's grain are hashed again, rightly
    for _ in range(2):
        subprocess.run(status, cwd=tmp_path, check=False, stdout=subprocess.DEVNULL, env=ENVIRONMENT)

    def status_seconds() -> float:
        began = time.perf_counter()
        subprocess.run(status, cwd=tmp_path, check=False, stdout=subprocess.DEVNULL, env=ENVIRONMENT)
        return time.perf_counter() - began

    whole = paired(status_seconds, lambda: seconds([sys.executable, "-c", walk, str(folder)], tmp_path), 7)
    print(f"\nsecond companion status of 20,000 files / bare os.walk with stat: {whole:.2f} (at most 2.5)")
    peak = _peak_memory(status, tmp_path)
    print(f"peak memory: {peak / 1e6:.0f} MB (at most 200)")
    assert whole <= 2.5
    assert peak < 200e6


def _peak_memory(command: list[str], cwd: Path) -> int:
    if os.name == "nt":
        pytest.skip("the peak of a child is not told here")
    process = subprocess.Popen(command, cwd=cwd, stdout=subprocess.DEVNULL)
    _, _, usage = os.wait4(process.pid, 0)
    return usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024)
