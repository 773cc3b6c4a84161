"""Killed at the Nth call to the system, for N = 1, 2, 3 … until a run is not hit: the old state or the new one."""

from __future__ import annotations

import os
import shutil
import signal
import sys
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from companion.core import below
from companion.core.progress import QUIET
from companion.history.history import History
from tests.history.test_names import SAMPLE, held, three

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="what is killed at a call is a fork, safe on Linux alone"
)

CALLS = ("write", "fsync", "replace", "open", "mkdir", "unlink", "rename", "link", "symlink", "rmdir", "ftruncate")

Act = Callable[[Path], Any]


def killed_at(act: Callable[[], Any], at: int) -> bool:
    """Run ``act`` in a process of its own that is killed at its call number ``at``; tell whether it came to that."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if child == 0:
        try:
            _count_down(at)
            act()
            os._exit(0)
        except BaseException:
            traceback.print_exc()
            sys.stderr.flush()
            os._exit(3)
    _, ended = os.waitpid(child, 0)
    if os.WIFSIGNALED(ended):
        assert os.WTERMSIG(ended) == signal.SIGKILL
        return True
    assert os.WEXITSTATUS(ended) == 0
    return False


def _count_down(at: int) -> None:
    left = [at]

    def counting(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **named: Any) -> Any:
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return real(*arguments, **named)

        return call

    for name in CALLS:
        setattr(os, name, counting(getattr(os, name)))
    below._renamed = counting(below._renamed)


def _take(folder: Path) -> None:
    with History(folder) as history:
        history.take("killed")


def _restore(folder: Path) -> None:
    with History(folder) as history:
        history.restore(1)


def _forget(folder: Path) -> None:
    with History(folder) as history:
        history.forget([1])


def _mirror(folder: Path) -> None:
    with History(folder) as history:
        history.mirror(folder.parent / "copy.git")


def _adopt(folder: Path) -> None:
    with History(folder.parent / "fresh") as history:
        history.adopt(folder.parent / "kept.git")


def _tag(folder: Path) -> None:
    with History(folder) as history:
        history.tag_release(3, "2.0")


def _recover(folder: Path) -> None:
    with History(folder) as history:
        history.recover()


class Place:
    """A folder with three snapshots, a mirror of it, and a restore that was begun; set up anew for each kill."""

    def __init__(self, folder: Path, tmp_path: Path, state: Any) -> None:
        self.folder, self.root, self.state = folder, tmp_path, state
        with History(folder) as history:
            self.contents = three(folder, history)
            history.mirror(tmp_path / "kept.git")
            history.restore(1, into=tmp_path / "as one")
        self.one = state(tmp_path / "as one")
        (folder / SAMPLE).write_bytes(b"the fourth")
        (folder / "more.txt").write_text("more", "utf-8")
        self.now = state(folder)
        for name in ("kept", "work"):
            (tmp_path / name).mkdir()
        folder.rename(tmp_path / "kept" / folder.name)
        self.kept = tmp_path / "kept" / folder.name

    def anew(self) -> Path:
        shutil.rmtree(self.root / "work")
        shutil.copytree(self.kept, self.root / "work" / self.folder.name, symlinks=True)
        shutil.copytree(self.root / "kept.git", self.root / "work/kept.git")
        (self.root / "work/fresh").mkdir()
        return self.root / "work" / self.folder.name

    def check(self, act: Act, folder: Path, fsck: Callable[[Path], None]) -> None:
        """Old or new, whole, and nothing stands in the way of doing it again."""
        with History(folder) as history:
            history.recover()
            assert history.verify().damaged == ()
            shots = {one.number: one for one in history.snapshots()}
            gone = {1} if act is _forget else set()
            assert {1, 2, 3} - gone <= shots.keys() | gone
            for number in shots.keys() & {1, 2, 3}:
                assert history.read(number, SAMPLE) == self.contents[number - 1]
            assert shots[2].version == "1.0"
        now = self.state(folder)
        assert now == self.now or (act is _restore and now == self.one)
        (act if act is not _forget or 1 in shots else _take)(folder)
        with History(folder) as history:
            assert history.verify().whole
            numbers = [one.number for one in history.snapshots()]
            assert len(numbers) == len(set(numbers))
        fsck(folder)
        left = [path.name for path in (folder / ".companion").rglob("*") if path.suffix in (".part", ".lock")]
        assert not [name for name in left if name != "history.lock"]
        if act is _mirror:
            with History(self.root / "work/copy.git") as mirror:
                assert mirror.verify().whole
            shutil.rmtree(folder)
            folder.mkdir()
            with History(folder) as history:
                assert history.adopt(self.root / "work/copy.git").broken == ()
            held(folder, self.contents)
        if act is _adopt:
            held(self.root / "work/fresh", self.contents)
            with History(self.root / "work/fresh") as history:
                assert history.verify().whole


def _campaign(
    place: Place, act: Act, fsck: Callable[[Path], None], *, first: int = 1, step: int = 1, most: int = 400
) -> int:
    kills = 0
    for at in range(first, most, step):
        folder = place.anew()
        if not killed_at(partial(act, folder), at):
            return kills
        kills += 1
        if act is _adopt:
            with History(folder.parent / "fresh") as history:
                assert {one.number for one in history.snapshots()} in (set(), {1, 2, 3})
                assert history.verify(QUIET).damaged == ()
                if history.snapshots():
                    continue
        place.check(act, folder, fsck)
    raise AssertionError("more calls than were thought possible")


ACTS = (_take, _restore, _forget, _mirror, _adopt, _tag)


@pytest.mark.parametrize("act", ACTS)
def test_killed_at_some_calls(
    folder: Path, tmp_path: Path, state: Any, fsck: Callable[[Path], None], quick: None, act: Act
) -> None:
    assert _campaign(Place(folder, tmp_path, state), act, fsck, first=2, step=11) >= 1


@pytest.mark.campaign
@pytest.mark.parametrize("act", ACTS)
def test_killed_at_every_call(
    folder: Path, tmp_path: Path, state: Any, fsck: Callable[[Path], None], quick: None, act: Act
) -> None:
    counts = Counter({act.__name__: _campaign(Place(folder, tmp_path, state), act, fsck)})
    print(f"\nkilled at every call: {dict(counts)}")
