"""One writer at a time; what a dead writer left stands in nobody's way, and a living one is always named."""

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

from companion.core.errors import Busy, CompanionError
from companion.core.files import process_alive
from companion.core.hold import Hold
from companion.core.lock import held


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / ".companion" / "lock"


@pytest.fixture
def gone() -> int:
    """The number of a process that has ended."""
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


def note(path: Path) -> Path:
    return path.with_name("lock.holder")


def busy(path: Path) -> str:
    with pytest.raises(Busy) as caught, held(path, "editing the facts"):
        pass  # pragma: no cover
    assert path.exists(), "whoever holds it still does"
    return caught.value.line


def alone(path: Path) -> bool:
    return not list(path.parent.iterdir())


def test_it_is_held_while_the_block_runs_and_leaves_nothing(path: Path) -> None:
    with held(path, "editing the facts"):
        owner = json.loads(note(path).read_text())
        assert owner == {"pid": os.getpid(), "host": socket.gethostname(), "doing": "editing the facts"}
    assert alone(path)
    with held(path, "editing once more"):
        pass
    assert alone(path)


def test_it_is_given_back_when_the_block_fails(path: Path) -> None:
    with pytest.raises(ValueError, match="mine"), held(path, "failing"):
        raise ValueError("mine")
    assert alone(path)


def test_a_second_one_is_refused_and_told_who_holds_it(path: Path) -> None:
    with held(path, "building the archive"):
        line = busy(path)
    assert line == (
        f"This folder is busy: process {os.getpid()} on {socket.gethostname()} is building the archive ({path}). "
        "Wait until it is done, or close it."
    )


HOLDER = """
import sys
from pathlib import Path
from companion.core.files import process_alive
from companion.core.lock import held
with held(Path(sys.argv[1]), "taking a snapshot"):
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


def test_another_process_is_named_while_it_lives_and_stands_in_nobodys_way_once_it_was_killed(
    path: Path, holder: subprocess.Popen[str]
) -> None:
    assert f"process {holder.pid} on" in busy(path)
    holder.kill()
    holder.wait()
    assert note(path).exists(), "a killed process clears nothing"
    with held(path, "editing the facts"):
        assert json.loads(note(path).read_text())["pid"] == os.getpid()
    assert alone(path)


FIRST_BUILDING = (
    {"pid": 4242, "host": "old-laptop", "started": "12", "doing": "take a snapshot"},
    {"pid": os.getpid(), "host": socket.gethostname(), "started": "a time long ago", "doing": "edit the facts"},
    {"pid": -1, "host": socket.gethostname()},
    None,
)


@pytest.mark.parametrize("owner", FIRST_BUILDING)
@pytest.mark.parametrize("when", [1, 4_000_000_000, None])
def test_a_lock_file_left_by_an_older_companion_is_cleared_whatever_its_host_and_date(
    path: Path, owner: object, when: int | None
) -> None:
    """That one told a dead owner's lock by its process, and so never one that came from another computer."""
    path.parent.mkdir()
    path.write_text(json.dumps(owner) if owner else "", encoding="utf-8")
    if when is not None:
        os.utime(path, (when, when))
    with held(path, "editing the facts"):
        assert f"process {os.getpid()} on" in busy(path)
    assert alone(path)


@pytest.mark.parametrize("content", [b"", b'{"pid": 12', b"\xff\xfe", b"[]", b"null", b"[" * 4096, None])
def test_a_holder_whose_note_says_nothing_is_respected_all_the_same(
    path: Path, holder: subprocess.Popen[str], content: bytes | None
) -> None:
    if content is None:
        note(path).unlink()
    else:
        note(path).write_bytes(content)
    assert holder.poll() is None
    assert "This folder is busy: another process is working in it" in busy(path)


def test_hostile_text_in_a_note_is_shown_inert(path: Path, holder: subprocess.Popen[str]) -> None:
    note(path).write_text(json.dumps({"pid": "1\x1b[2J", "host": "another\x1b[2J", "doing": "x\u202e\nnow"}))
    assert holder.poll() is None
    line = busy(path)
    assert "1\\x1b[2J on another\\x1b[2J" in line
    assert "x\\u202e\\x0anow" in line


@pytest.mark.skipif(os.name == "nt", reason="links need a privilege on Windows")
def test_nothing_is_locked_or_written_through_a_strangers_link(path: Path, tmp_path: Path) -> None:
    outside = tmp_path / "letter.txt"
    outside.write_bytes(b"a letter")
    path.parent.mkdir()
    path.symlink_to(outside)
    note(path).symlink_to(outside)
    with held(path, "editing the facts"):
        assert not path.is_symlink()
        assert not note(path).is_symlink()
    assert outside.read_bytes() == b"a letter"
    assert alone(path)


def test_one_who_is_patient_gets_it_when_the_other_is_done(path: Path) -> None:
    inside, leave = threading.Event(), threading.Event()

    def other() -> None:
        with held(path, "working"):
            inside.set()
            leave.wait(10)

    thread = threading.Thread(target=other)
    thread.start()
    assert inside.wait(10)
    threading.Timer(0.2, leave.set).start()
    with held(path, "editing the facts", patience=10):
        assert leave.is_set()
    thread.join()
    assert alone(path)


def test_of_many_at_once_no_two_hold_it(path: Path) -> None:
    inside = overlaps = done = 0
    guard = threading.Lock()

    def work() -> None:
        nonlocal inside, overlaps, done
        for _ in range(40):
            try:
                with held(path, "working"):
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


COUNTER = """
import sys, time
from pathlib import Path
from companion.core.files import process_alive
from companion.core.lock import held
for _ in range(60):
    with held(Path(sys.argv[1]), "counting", patience=60):
        place = Path(sys.argv[2])
        number = int(place.read_text())
        time.sleep(0.0005)
        place.write_text(str(number + 1))
"""


def test_of_many_processes_no_two_hold_it(path: Path, tmp_path: Path) -> None:
    """Each that leaves removes the file the others wait for: none may take the old one for the lock."""
    (tmp_path / "count").write_text("0")
    running = [subprocess.Popen([sys.executable, "-c", COUNTER, str(path), str(tmp_path / "count")]) for _ in range(4)]
    assert [one.wait(100) for one in running] == [0] * 4
    assert (tmp_path / "count").read_text() == "240"
    assert alone(path)


def test_a_place_that_cannot_be_written_is_explained(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path.parent.write_bytes(b"a file where the folder should be")
    with pytest.raises(CompanionError, match="Could not lock the folder"), held(path, "editing"):
        pass  # pragma: no cover
    path.parent.unlink()
    path.parent.mkdir()

    def refuse(*_: object, **__: object) -> int:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(CompanionError, match="read-only: choose another"), held(path, "editing"):
        pass  # pragma: no cover


def test_a_disk_too_full_for_the_note_costs_the_note_and_no_more(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(Hold, "new", refuse)
        with held(path, "making room"):
            assert "another process is working in it" in busy(path)
    assert alone(path)


def test_which_processes_live(gone: int) -> None:
    assert process_alive(os.getpid())
    assert not process_alive(gone)
    assert not process_alive(2**80)


def test_no_lock_begins_the_folder_anew_that_has_gone_with_its_disk(tmp_path: Path) -> None:
    with pytest.raises(CompanionError, match="lock the folder"), held(tmp_path / "gone/.companion/lock", "writing"):
        pass
    assert not (tmp_path / "gone").exists()


def test_a_lock_file_that_was_removed_while_it_was_being_locked_is_not_the_lock(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever held it removes it on leaving: one who had it open then holds a file of no name, and begins anew."""
    if sys.platform == "win32":
        pytest.skip("an open file has its name there")
    import fcntl

    path.parent.mkdir(exist_ok=True)
    real, seen = fcntl.flock, list[int]()

    def flock(handle: int, how: int) -> None:
        real(handle, how)
        seen.append(os.fstat(handle).st_ino)
        if len(seen) == 1:
            path.unlink()

    monkeypatch.setattr(fcntl, "flock", flock)
    with held(path, "editing"):
        assert len(seen) == 2
        assert path.stat().st_ino == seen[1]
        assert "is editing" in busy(path)
    assert alone(path)


def test_a_disk_without_locks_is_told_and_nothing_stays_open(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if sys.platform == "win32":
        pytest.skip("the library for that system sees to it")
    import fcntl

    def none(handle: int, how: int) -> None:
        handles.append(handle)
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    handles: list[int] = []
    monkeypatch.setattr(fcntl, "flock", none)
    with pytest.raises(CompanionError, match="Could not lock the folder"), held(path, "editing"):
        pass  # pragma: no cover
    with pytest.raises(OSError, match=os.strerror(errno.EBADF)):
        os.fstat(handles[0])
