"""Worker processes: one bad file costs that file, a stop is quick, nothing is left running."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import psutil
import pytest

from companion.core import children
from companion.core.cache import Cache
from companion.core.errors import Cancelled
from companion.core.progress import QUIET, Watch
from companion.sound.measures import pool
from companion.sound.measures.batch import measure_files
from companion.sound.measures.pool import Reply, Request, run_requests


def running() -> int:
    return sum("companion.sound.measures.worker" in " ".join(one.cmdline()) for one in psutil.Process().children())


# A worker whose work is to end as a broken decoder would, stall, or ask for far too much.
_REHEARSING = """
import os, time
from companion.sound.measures import worker
def measure(how):
    if how == "stall":
        time.sleep(3600)
    elif how == "greedy":
        return bytes(4 * worker.MOST_MEMORY)[:1]
    elif how == "crash":
        os._exit(11)
    elif how == "wrong":
        raise ValueError("a fault\\udcff of ours")
    return how.encode()
worker.measure = measure
worker.main()
"""


def rehearsed(
    monkeypatch: pytest.MonkeyPatch, *how: str, watch: Watch = QUIET, workers: int | None = None
) -> list[Reply]:
    """The answers to requests of which each says how it goes, in their order."""
    monkeypatch.setattr(children, "command", lambda module: children.isolated(_REHEARSING))
    requests = [Request(key, (one,)) for key, one in enumerate(how)]
    answers = sorted(run_requests(requests, watch, workers))
    assert [answer.key for answer in answers] == list(range(len(how)))
    assert running() == 0
    return answers


def test_crash_costs_one_file(monkeypatch: pytest.MonkeyPatch) -> None:
    how = ["fine 0", "fine 1", "fine 2", "crash", "fine 4", "wrong", "fine 6", "fine 7"]
    answers = rehearsed(monkeypatch, *how, workers=2)
    assert answers[3].failure == "the decoder crashed on it"
    assert answers[5].failure == "ValueError: a fault? of ours"
    assert all(answers[key] == Reply(key, f"fine {key}".encode()) for key in (0, 1, 2, 4, 6, 7))


def test_stall_is_stopped_and_costs_one_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool, "GRACE_SECONDS", 1.5)
    answers = rehearsed(monkeypatch, "stall", "fine", "fine", "fine", workers=1)
    assert "longer than" in answers[0].failure
    assert [answers[key].value for key in (1, 2, 3)] == [b"fine"] * 3


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux holds a process to its data limit")
def test_greed_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    greedy, fine = rehearsed(monkeypatch, "greedy", "fine")
    assert "memory" in greedy.failure
    assert fine.value == b"fine"


def test_stop_takes_less_than_a_second_and_leaves_nothing_running(monkeypatch: pytest.MonkeyPatch) -> None:
    watch = Watch()
    timer = threading.Timer(0.5, watch.cancel)
    timer.start()
    with pytest.raises(Cancelled):
        rehearsed(monkeypatch, "stall", "stall", watch=watch, workers=2)
    assert watch.cancelled
    assert running() == 0


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
        second = measure_files([("renamed.wav", path, sha)], cache, QUIET)
    assert second["renamed.wav"].digest == first["a.wav"].digest
    assert second["renamed.wav"].path == "renamed.wav"


def test_progress_tells_the_rate(write: Any, sine: Any) -> None:
    notes: list[str] = []
    files = [(name, write(name, sine(440)), "") for name in ("a.wav", "b.wav")]
    with Cache(None) as cache:
        measure_files(files, cache, Watch(lambda progress: notes.append(progress.line), every=0.0))
    assert any("× real time" in note for note in notes)
    assert "2 of 2 files" in notes[-1]
