"""One writer at a time; a dead writer's lock is cleared, a living one's never."""

from __future__ import annotations

import errno
import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from companion.core import lock
from companion.core.errors import Busy, CompanionError
from companion.core.lock import held, process_alive


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / ".companion" / "lock"


@pytest.fixture
def gone() -> int:
    """The number of a process that has ended."""
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


def written(path: Path, **owner: object) -> None:
    path.parent.mkdir(exist_ok=True)
    path.write_text(json.dumps({"host": socket.gethostname(), "doing": "take a snapshot", **owner}))


def busy(path: Path) -> str:
    with pytest.raises(Busy) as caught, held(path, "edit the facts"):
        pass  # pragma: no cover
    assert path.exists(), "whoever holds it still does"
    return caught.value.line


def alone(path: Path) -> bool:
    return not list(path.parent.iterdir())


def test_it_is_held_while_the_block_runs_and_leaves_nothing(path: Path) -> None:
    with held(path, "edit the facts"):
        owner = json.loads(path.read_text())
        assert (owner["pid"], owner["doing"]) == (os.getpid(), "edit the facts")
    assert alone(path)
    with held(path, "once more"):
        pass
    assert alone(path)


def test_it_is_given_back_when_the_block_fails(path: Path) -> None:
    with pytest.raises(ValueError, match="mine"), held(path, "fail"):
        raise ValueError("mine")
    assert alone(path)


def test_a_second_one_is_refused_and_told_who_is_at_it(path: Path) -> None:
    with held(path, "build the archive"):
        line = busy(path)
    assert f"process {os.getpid()} on {socket.gethostname()} is at it: build the archive" in line
    assert "Wait until it is done" in line


HOLDER = """
import sys
from pathlib import Path
from companion.core.lock import held
with held(Path(sys.argv[1]), "take a snapshot"):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def holder(path: Path) -> Iterator[subprocess.Popen[str]]:
    """Another process that holds the lock until its input ends."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
        process.kill()


def test_another_process_is_named_while_it_lives_and_cleared_once_it_was_killed(
    path: Path, holder: subprocess.Popen[str]
) -> None:
    assert f"process {holder.pid} on" in busy(path)
    holder.kill()
    holder.wait()
    assert path.exists(), "a killed process clears nothing"
    with held(path, "edit the facts"):
        assert json.loads(path.read_text())["pid"] == os.getpid()
    assert alone(path)


def test_a_number_that_another_process_has_by_now_is_not_taken_for_the_old_owner(path: Path) -> None:
    written(path, pid=os.getpid(), started="a time long ago")
    with held(path, "edit the facts"):
        pass
    assert alone(path)


@pytest.mark.parametrize("pid", [0, -1, -(2**40), 2**80, None, "12", 1.5])
def test_a_lock_with_no_process_in_it_is_cleared(path: Path, pid: object) -> None:
    written(path, pid=pid, started="")
    with held(path, "edit the facts"):
        pass
    assert alone(path)


def test_the_lock_of_another_computer_is_never_cleared(path: Path, gone: int) -> None:
    written(path, pid=gone, host="another-computer", started="")
    os.utime(path, (1, 1))
    assert f"process {gone} on another-computer is at it: take a snapshot" in busy(path)


def test_hostile_text_in_a_lock_is_shown_inert(path: Path) -> None:
    written(path, pid=1, host="another\x1b[2J", doing="x\u202e\nnow")
    line = busy(path)
    assert "another\\x1b[2J" in line
    assert "x\\u202e\\x0anow" in line


@pytest.mark.parametrize("content", [b"", b'{"pid": 12', b"\xff\xfe", b"[]", b"null"])
def test_a_half_written_lock_stands_for_ten_seconds_and_no_longer(path: Path, content: bytes) -> None:
    path.parent.mkdir()
    path.write_bytes(content)
    assert "another process is at it" in busy(path)
    os.utime(path, (time.time() - 11,) * 2)
    with held(path, "edit the facts"):
        pass
    assert alone(path)


def test_of_two_that_saw_it_dead_the_second_leaves_the_first_ones_new_lock(path: Path, gone: int) -> None:
    """The second judged the dead lock, then slept while the first cleared it and took its own."""
    written(path, pid=gone, started="")
    judged = path.stat()
    with held(path, "the first"):
        lock._clear(path, judged)
        assert json.loads(path.read_text())["doing"] == "the first"
        assert "the first" in busy(path)
    assert alone(path)


def test_the_new_lock_is_left_also_where_a_disk_knows_no_hard_links(
    path: Path, gone: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", refuse)
    written(path, pid=gone, started="")
    judged = path.stat()
    with held(path, "the first"):
        lock._clear(path, judged)
        assert json.loads(path.read_text())["doing"] == "the first"
    assert alone(path)


def test_of_many_at_once_no_two_hold_it(path: Path, gone: int) -> None:
    written(path, pid=gone, started="")
    inside = overlaps = done = 0
    guard = threading.Lock()

    def work() -> None:
        nonlocal inside, overlaps, done
        for _ in range(20):
            try:
                with held(path, "work"):
                    with guard:
                        inside += 1
                        overlaps += inside > 1
                    time.sleep(0.0005)
                    with guard:
                        inside -= 1
                        done += 1
            except Busy:
                time.sleep(0.0005)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert overlaps == 0
    assert done > 0
    assert alone(path)


def test_a_place_that_cannot_be_written_is_explained(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path.parent.write_bytes(b"a file where the folder should be")
    with pytest.raises(CompanionError, match="Could not lock the folder"), held(path, "edit"):
        pass  # pragma: no cover
    path.parent.unlink()

    def refuse(*_: object, **__: object) -> int:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(CompanionError, match="read-only: choose another"), held(path, "edit"):
        pass  # pragma: no cover


def test_a_full_disk_is_explained_and_no_lock_is_left(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(json, "dump", refuse)
    with pytest.raises(CompanionError, match="Free some space"), held(path, "edit"):
        pass  # pragma: no cover
    assert alone(path)


def test_which_processes_live(gone: int) -> None:
    assert process_alive(os.getpid())
    assert not process_alive(gone)
    assert not process_alive(2**80)


def test_no_lock_begins_the_folder_anew_that_has_gone_with_its_disk(tmp_path: Path) -> None:
    with pytest.raises(CompanionError, match="lock the folder"), held(tmp_path / "gone/.companion/lock", "writing"):
        pass
    assert not (tmp_path / "gone").exists()
