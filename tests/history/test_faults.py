"""Fail the Nth write, sync and rename for N = 1, 2, 3 … until a run is not hit: the old history or the new one."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.core import files
from companion.core.errors import CompanionError
from companion.history.history import History

Act = Callable[[History], tuple[tuple[str, str], ...]]
CALLS = ("write", "fsync", "replace", "open", "mkdir", "unlink")
ERRORS = (errno.ENOSPC, errno.EIO)


class Layer:
    """Stands between the code and the system and makes the Nth call of one kind fail, and all later ones if ``on``."""

    def __init__(self, patch: pytest.MonkeyPatch, call: str, root: Path) -> None:
        self.count = self.at = 0
        self.code, self.on, self.hit = errno.EIO, False, False
        self.root = str(root)
        self.real = getattr(os, call)
        patch.setattr(os, call, self)

    def arm(self, at: int, code: int, on: bool) -> None:
        self.count, self.at, self.code, self.on, self.hit = 0, at, code, on, False

    def __call__(self, *arguments: Any, **named: Any) -> Any:
        if self.at and self._ours(arguments, named):
            self.count += 1
            if self.count == self.at or (self.on and self.count > self.at):
                self.hit = True
                raise OSError(self.code, os.strerror(self.code), *arguments[:1])
        return self.real(*arguments, **named)

    def _ours(self, arguments: tuple[Any, ...], named: dict[str, Any]) -> bool:
        """Only what concerns the folder under test; reading a maker's file is another matter (it costs that file)."""
        first = arguments[0] if arguments else ""
        if isinstance(first, int):
            return True
        flags = arguments[1] if len(arguments) > 1 and isinstance(arguments[1], int) else os.O_WRONLY
        inside = self.root in os.fspath(first) or any(named.get(one) is not None for one in ("dir_fd", "src_dir_fd"))
        return inside and "history.lock" not in os.fspath(first) and bool(flags & (os.O_WRONLY | os.O_RDWR))


def _change(folder: Path, number: int) -> None:
    (folder / "n.txt").write_text(str(number), "utf-8")
    (folder / f"only{number}").write_bytes(os.urandom(3000))
    (folder / f"only{number - 1}").unlink(missing_ok=True)


def _take(history: History) -> tuple[tuple[str, str], ...]:
    history.take("new")
    return ()


def _restore(history: History) -> tuple[tuple[str, str], ...]:
    return history.restore(1).failed


def _forget(history: History) -> tuple[tuple[str, str], ...]:
    history.forget([2])
    return ()


@pytest.mark.parametrize("act", [_take, _restore, _forget])
@pytest.mark.parametrize("call", CALLS)
def test_the_nth_failure_leaves_the_old_state_or_the_new_one(
    folder: Path, state: Any, fsck: Callable[[Path], None], tmp_path: Path, call: str, act: Act
) -> None:
    hits, number = 0, 0
    with History(folder) as history, pytest.MonkeyPatch.context() as patch:
        for number in (1, 2, 3):
            _change(folder, number)
            history.take(f"n{number}")
        _change(folder, 4)
        if act is _forget:
            history.forget([2])
            _bring_back_two(folder, history)
        expected = _contents(history)
        layer = Layer(patch, call, folder)
        at = 0
        while at < 200:
            at += 1
            before, code, on = state(folder), ERRORS[at % 2], at % 3 == 0
            numbers = {one.number for one in history.snapshots()}
            layer.arm(at, code, on)
            failed, error = _attempt(act, history)
            hit, layer.at = layer.hit, 0
            if not hit:
                break
            assert error is None or error.do, "an error says what to do"
            hits += 1
            _check(history, expected, numbers, act)
            if act is _restore:
                history.recover()
                _check_folder(state(folder), before, _as_snapshot(history, 1, state, tmp_path), failed)
                assert not (folder / ".companion/restore.json").exists()
            _again(folder, history, act, before, state)
            expected = _contents(history)
        print(f"{call}, {act.__name__}: {hits} failures")
        assert hits or call in ("mkdir", "unlink"), "a layer that never fails anything proves nothing"
        assert at < 200
        fsck(folder)
        assert history.verify().damaged == ()


def _attempt(act: Act, history: History) -> tuple[tuple[tuple[str, str], ...], CompanionError | None]:
    try:
        return act(history), None
    except CompanionError as error:
        return (), error


def _check_folder(now: Any, before: Any, target: Any, failed: tuple[tuple[str, str], ...]) -> None:
    """All old or all new; a file the restore said it could not do is old."""
    told = {path for path, _ in failed}
    if not told:
        assert now in (before, target)
    for path in told:
        assert now.get(path) == before.get(path), path
    for path in target.keys() - told:
        assert not told or now[path] == target[path], path


def _contents(history: History) -> dict[int, dict[str, Any]]:
    return {one.number: dict(history.files(one.number)) for one in history.snapshots()}


def _check(history: History, expected: dict[int, dict[str, Any]], numbers: set[int], act: Act) -> None:
    """Every earlier snapshot is there, whole and readable; only ``forget`` may have taken its own away."""
    now = _contents(history)
    assert numbers - now.keys() <= ({2} if act is _forget else set())
    for number, contents in now.items():
        if number in expected:
            assert contents == expected[number]
    assert history.verify().damaged == ()


def _as_snapshot(history: History, number: int, state: Any, tmp_path: Path) -> Any:
    place = tmp_path / "as"
    shutil.rmtree(place, ignore_errors=True)
    history.restore(number, into=place)
    return state(place)


def _again(folder: Path, history: History, act: Act, before: Any, state: Any) -> None:
    """Set the stage for the next failure: something to take, to restore, to forget."""
    if act is _take:
        history.take("after a failure")
        _change(folder, 4 + len(history.snapshots()))
    elif act is _restore:
        (folder / "n.txt").write_text("4", "utf-8")
        (folder / "only4").write_bytes(b"4")
        (folder / "only1").unlink(missing_ok=True)
        (folder / "Samples/struck/slate_1.wav").write_bytes(os.urandom(10))
    elif 2 not in {one.number for one in history.snapshots()}:
        _bring_back_two(folder, history)


def _bring_back_two(folder: Path, history: History) -> None:
    """Put a snapshot numbered 2 back into the list, with content that only it holds."""
    from companion.history.store import refs

    (folder / "only2").write_bytes(os.urandom(9000))
    (folder / "shared").write_bytes(os.urandom(9000))
    taken = history.take("two again")
    (folder / "only2").unlink()
    history.take("keeps what is shared")  # so that the pack of the forgotten one has to be rewritten
    place = folder / ".companion/history.git"
    found = refs.read(place)
    refs.write(place, refs.Refs({**{n: c for n, c in found.snapshots.items() if n != taken.number}, 2: taken.id}))


def test_a_safe_write_leaves_the_old_content(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "names"
    files.write_safely(target, b"old")
    for call in ("fsync", "replace", "open"):
        with pytest.MonkeyPatch.context() as patch:
            layer = Layer(patch, call, tmp_path)
            layer.arm(1, errno.ENOSPC, False)
            with pytest.raises(CompanionError, match="No space"):
                files.write_safely(target, b"new")
        assert target.read_bytes() == b"old"
        assert [path.name for path in tmp_path.iterdir()] == ["names"]


@pytest.mark.campaign
@pytest.mark.skipif(sys.platform != "linux", reason="strace is Linux's own")
@pytest.mark.parametrize("call", ["write", "fsync", "rename", "unlink"])
def test_the_system_itself_fails(
    folder: Path,
    tmp_path: Path,
    call: str,
    fsck: Callable[[Path], None],
    installed: Callable[[str, str], str],
) -> None:
    """The same from outside: strace makes the Nth system call of any thread fail with ENOSPC."""
    strace = installed("strace", "strace")
    with History(folder) as history:
        history.take("first")
    script = (
        "import sys; from pathlib import Path; from companion.history.history import History\n"
        "h = History(Path(sys.argv[1]))\n"
        "from companion.core.errors import CompanionError\n"
        "import isal.isal_zlib, deflate, companion.history.take\n"
        "import os; os.kill(os.getpid(), 0)\n"
        "try:\n    h.take('next')\n"
        "except CompanionError as error:\n    sys.exit(2)\n"
    )
    ended, taken = {0: 0, 2: 0}, 1
    for at in range(1, 25):
        (folder / "n.txt").write_text(str(at), "utf-8")
        # Only calls that touch the history: a failing import says nothing about it.
        calls = {"rename": "rename,renameat,renameat2", "unlink": "unlink,unlinkat"}.get(call, call)
        inject = ["-e", f"trace={calls}", "-e", f"inject={calls}:error=ENOSPC:when={at}"]
        done = subprocess.run(
            [strace, "-f", "-qq", "-o", os.devnull, *inject, sys.executable, "-c", script, str(folder)],
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert done.returncode in (0, 2), done.stderr
        ended[done.returncode] += 1
        with History(folder) as history:
            assert history.verify().damaged == ()
            snapshots = history.snapshots()
            assert snapshots[-1].label == "first"
            # What failed at the very last may be there; what is said to be taken is, and holds what there was.
            assert len(snapshots) - taken == 1 if done.returncode == 0 else len(snapshots) - taken in (0, 1)
            taken = len(snapshots)
            if done.returncode == 0:
                history.restore(snapshots[0].number, into=tmp_path / str(at))
                assert (tmp_path / str(at) / "n.txt").read_text("utf-8") == str(at)
    fsck(folder)
    assert ended[2] or call == "unlink", "what cannot be removed is removed by the next run, and harms nothing"
    print(f"\n{call}: {ended[2]} of {sum(ended.values())} runs were stopped by the failure")
