"""What is still done once somebody has stopped long work: counted in bytes read and written, with no clock."""

from __future__ import annotations

import sys
import threading
import wave
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Final

import pytest

from companion.archive import external
from companion.core.errors import Cancelled
from companion.core.progress import QUIET, Watch
from companion.workshop import Workshop, prove

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="counted by /proc/self/io")
FACTS: Final = """\
[instrument]
title = "Slate Choir"
version = "1.0"
[contents]
patches = ["Slate.eeng"]
samples = ["Samples/*.wav"]
"""
MOST_AFTER: Final = 20 << 20
"""Bytes: what two threads have in hand, each a member of an archive of up to 8 MB, read and written, is less."""


def handled() -> int:
    """Return the bytes this process has read and written so far, whether the disk had to turn for it or not."""
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return sum(int(line.split()[1]) for line in lines[:2])


class Gauge:
    """The most that is handled between two questions, whichever watch is asked: there is one for threads beside."""

    def __init__(self) -> None:
        self.longest, self.before = 0, handled()
        self._one_by_one = threading.Lock()  # a count stored late would make the next stretch look longer than it was

    def note(self) -> None:
        with self._one_by_one:
            now = handled()
            self.longest, self.before = max(self.longest, now - self.before), now


class Stopping(Watch):
    """Is stopped when it is asked for the ``at``-th time. at_stop: the bytes that were handled by then."""

    def __init__(self, at: int) -> None:
        super().__init__()
        self._left, self.at_stop = at, 0

    def check(self) -> None:
        self._left -= 1
        if not self._left:
            self.at_stop = handled()
            self.cancel()
        super().check()


@pytest.fixture
def shop(tmp_path: Path) -> Workshop:
    chance = Random(14)
    (tmp_path / "Samples").mkdir()
    (tmp_path / "release.toml").write_text(FACTS, encoding="utf-8")
    (tmp_path / "Slate.eeng").write_bytes(b"\0" * 500)
    for name, size in {**{f"take{n}.wav": 1 << 20 for n in range(6)}, "long.wav": 42 << 20}.items():
        with wave.open(str(tmp_path / "Samples" / name), "wb") as sound:
            sound.setparams((2, 2, 44_100, 0, "NONE", ""))
            sound.writeframes(chance.randbytes(size))
    return Workshop.open(tmp_path)


def state(shop: Workshop) -> tuple[object, ...]:
    """What stands: snapshots, archives, evidence of the archive, the maker's files; not what nothing points at."""
    files = (path for name in ("Samples", "releases") for path in shop.folder.glob(f"{name}/*"))
    return (
        [(one.number, one.label, one.tree) for one in shop.snapshots()],
        {path: (path.stat().st_size, path.stat().st_mtime_ns) for path in files},
        [path.name for path in shop.folder.glob(".companion/evidence/archive/*")],
    )


def snapshot(shop: Workshop) -> Callable[[Watch], object]:
    return lambda watch: shop.snapshot("after", watch)


def compare(shop: Workshop) -> Callable[[Watch], object]:
    shop.snapshot("before")
    for path in shop.folder.glob("Samples/*.wav"):
        path.write_bytes(path.read_bytes()[:-1] + b"x")
    return lambda watch: shop.compare(1, watch=watch)


def pack(shop: Workshop) -> Callable[[Watch], object]:
    shop.check(("contents", "paths"))
    return shop.pack


def proof(shop: Workshop) -> Callable[[Watch], object]:
    archive = shop.pack().path
    return lambda watch: prove(archive, watch=watch)


@pytest.mark.parametrize("deed", [snapshot, compare, pack, proof])
def test_little_is_done_once_it_is_stopped_and_the_old_state_is_left(
    shop: Workshop, deed: Callable[[Workshop], Callable[[Watch], object]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped where it asks for the first, third, ninth ... time whether to go on; then it goes through whole.

    Programs beside us that read an archive as well are killed, and what they had read by then is no matter.
    """
    monkeypatch.setattr(external, "ask", lambda *_: [])
    work, check = deed(shop), Watch.check
    gauge = Gauge()

    def noted(watch: Watch) -> None:
        if watch is not QUIET:  # which nobody stops
            gauge.note()
        check(watch)

    monkeypatch.setattr(Watch, "check", noted)
    before, at = state(shop), 1
    while True:
        watch, began = Stopping(at), handled()
        gauge.before = began
        try:
            work(watch)
        except Cancelled:
            assert handled() - watch.at_stop < MOST_AFTER, at
            assert state(shop) == before, at
            at *= 3
        else:
            gauge.note()
            break
    assert handled() - began > 2 * MOST_AFTER, "all that was spared"
    assert gauge.longest < MOST_AFTER, "wherever it is stopped"
    assert at > 27, "it asks often"
    shop.close()
