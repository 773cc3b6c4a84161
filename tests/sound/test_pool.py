"""Worker processes: one bad file costs that file, a stop is quick, nothing is left running."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import psutil
import pytest

from companion.core.cache import Cache
from companion.core.errors import Cancelled
from companion.core.progress import QUIET, Watch
from companion.sound.measures import pool
from companion.sound.measures.batch import measure_files
from companion.sound.measures.pool import Job, run_jobs


def children() -> int:
    return sum("companion.sound.measures.worker" in " ".join(one.cmdline()) for one in psutil.Process().children())


def test_crash_costs_one_job() -> None:
    jobs = [Job(key, "rehearse", ("crash" if key == 3 else f"fine {key}",)) for key in range(8)]
    outcomes = {one.key: one for one in run_jobs(jobs, QUIET, 2)}
    assert sorted(outcomes) == list(range(8))
    assert outcomes[3].failure == "the decoder crashed on it"
    assert all(outcomes[key].value == f"fine {key}".encode() for key in range(8) if key != 3)
    assert children() == 0


def test_stall_is_stopped_and_costs_one_job(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool, "GRACE_SECONDS", 1.5)
    jobs = [Job(key, "rehearse", ("stall" if key == 0 else "fine",)) for key in range(4)]
    outcomes = {one.key: one for one in run_jobs(jobs, QUIET, 1)}
    assert "longer than" in outcomes[0].failure
    assert [outcomes[key].value for key in (1, 2, 3)] == [b"fine"] * 3


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux holds a process to its data limit")
def test_greed_is_refused() -> None:
    outcomes = {
        one.key: one for one in run_jobs([Job(0, "rehearse", ("greedy",)), Job(1, "rehearse", ("fine",))], QUIET)
    }
    assert "memory" in outcomes[0].failure
    assert outcomes[1].value == b"fine"


def test_stop_takes_less_than_a_second_and_leaves_nothing_running() -> None:
    watch = Watch()
    timer = threading.Timer(0.5, watch.cancel)
    timer.start()
    with pytest.raises(Cancelled):
        list(run_jobs([Job(0, "rehearse", ("stall",)), Job(1, "rehearse", ("stall",))], watch, 2))
    assert watch.cancelled
    assert children() == 0


def test_runs_from_a_thread_whose_streams_are_not_files(write: Any, sine: Any, tmp_path: Path) -> None:
    """As inside a terminal app, which puts objects without a file number in place of the standard streams."""
    path = write("a.wav", sine(440))
    code = (
        "import sys, threading, pathlib\n"
        "from companion.core.cache import Cache\n"
        "from companion.core.progress import QUIET\n"
        "from companion.sound.measures.batch import measure_files\n"
        "class Fake:\n"
        "    def write(self, text): return len(text)\n"
        "    def flush(self): pass\n"
        "    def fileno(self): return -1\n"
        "out = sys.stdout\n"
        "sys.stdout = sys.stderr = Fake()\n"
        "def work():\n"
        f"    found = measure_files([('a.wav', pathlib.Path({str(path)!r}), '')], Cache(None), QUIET)\n"
        "    out.write(str(found['a.wav'].frames))\n"
        "thread = threading.Thread(target=work); thread.start(); thread.join()\n"
    )
    # A module of the working folder must not be picked up by a worker.
    (tmp_path / "numpy.py").write_text("raise SystemExit('picked up')")
    (tmp_path / "soundfile.py").write_text("raise SystemExit('picked up')")
    environment = {**os.environ, "PYTHONPATH": str(Path(pool.__file__).parents[3])}
    done = subprocess.run(
        [sys.executable, "-P", "-c", code], cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=60
    )
    assert done.stdout == "24000", done.stderr


def test_second_look_reads_no_file(write: Any, sine: Any) -> None:
    path = write("a.wav", sine(440))
    sha = "ab" * 32
    with Cache(None) as cache:
        first = measure_files([("a.wav", path, sha)], cache, QUIET)
        path.unlink()
        began = time.monotonic()
        second = measure_files([("renamed.wav", path, sha)], cache, QUIET)
    assert time.monotonic() - began < 0.2
    assert second["renamed.wav"].digest == first["a.wav"].digest
    assert second["renamed.wav"].path == "renamed.wav"


def test_progress_tells_the_rate(write: Any, sine: Any) -> None:
    notes: list[str] = []
    files = [(name, write(name, sine(440)), "") for name in ("a.wav", "b.wav")]
    with Cache(None) as cache:
        measure_files(files, cache, Watch(lambda progress: notes.append(progress.line), every=0.0))
    assert any("× real time" in note for note in notes)
    assert "2 of 2 files" in notes[-1]
