"""Safe files: whatever fails and whenever, the old content or the new one is there, and nothing is left lying about."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.core import files
from companion.core.entries import Entry, Kind
from companion.core.errors import Cancelled, CompanionError
from companion.core.files import is_inside, read_capped, sha256_of, unchanged, write_safely

OLD, NEW = b"old\n" * 100, b"new\n" * 50_000


@pytest.fixture
def target(tmp_path: Path) -> Path:
    path = tmp_path / "release.toml"
    path.write_bytes(OLD)
    return path


def only(target: Path) -> bool:
    """Whether ``target`` lies alone in its folder: no temporary file was left."""
    return [path.name for path in target.parent.iterdir()] == [target.name]


def test_a_write_takes_the_place_of_what_was_there(target: Path) -> None:
    write_safely(target, NEW)
    assert target.read_bytes() == NEW
    assert only(target)


def test_a_write_makes_the_folders_it_needs(tmp_path: Path) -> None:
    write_safely(tmp_path / "a" / "b" / "c", b"")
    assert (tmp_path / "a" / "b" / "c").read_bytes() == b""


def failing(monkeypatch: pytest.MonkeyPatch, place: Any, name: str, number: int, nth: int = 1) -> list[int]:
    """Let the ``nth`` call of ``place.name`` fail with the system's error ``number``; the list counts the calls."""
    real: Callable[..., Any] = getattr(place, name)
    calls: list[int] = []

    def call(*args: Any, **more: Any) -> Any:
        calls.append(len(calls) + 1)
        if len(calls) == nth:
            raise OSError(number, os.strerror(number))
        return real(*args, **more)

    monkeypatch.setattr(place, name, call)
    return calls


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EDQUOT])
@pytest.mark.parametrize(
    ("place", "name"), [(os, "open"), (os, "fsync"), (os, "replace"), (os, "fdopen")], ids=lambda v: str(v)[:20]
)
def test_when_a_call_fails_the_old_content_stands_and_nothing_is_left(
    target: Path, monkeypatch: pytest.MonkeyPatch, place: Any, name: str, number: int
) -> None:
    with monkeypatch.context() as patch:
        calls = failing(patch, place, name, number)
        with pytest.raises(CompanionError) as caught:
            write_safely(target, NEW)
        assert calls
    assert target.read_bytes() == OLD
    assert only(target)
    assert caught.value.what.startswith("Could not write: ")
    assert target.name in caught.value.where


def test_when_the_disk_fills_up_in_the_middle_the_line_says_what_to_do(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.fdopen

    def small(handle: int, mode: str) -> Any:
        stream = real(handle, mode)
        write = stream.write

        class Small:
            def __enter__(self) -> Any:
                return self

            def __exit__(self, *_: object) -> None:
                stream.close()

            def write(self, data: bytes) -> int:
                write(data[: len(data) // 2])
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        return Small()

    monkeypatch.setattr(os, "fdopen", small)
    with pytest.raises(CompanionError) as caught:
        write_safely(target, NEW)
    assert caught.value.line == (
        f"Could not write: {os.strerror(errno.ENOSPC)} ({target}). Free some space on that disk and try again."
    )
    assert target.read_bytes() == OLD
    assert only(target)


def test_what_killed_writers_left_is_cleared(tmp_path: Path) -> None:
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    for name in ("names", "other"):
        (tmp_path / files.part_name(name, dead.pid, "00c0ffee")).write_bytes(b"half")
    looks_so = f".names.{dead.pid}-00c0ffee.part", f".names.{dead.pid}-00c0ffee00c0ffee.part"
    stays = {files.part_name("names", os.getpid(), "00c0ffee"), *looks_so, ".names.part", "names"}
    folder = files.part_name("folder", dead.pid, "00c0ffee")
    (tmp_path / folder).mkdir()
    for name in stays:
        (tmp_path / name).write_bytes(b"")
    write_safely(tmp_path / "names", b"new")
    assert {path.name for path in tmp_path.iterdir()} == {*stays, folder}


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full is Linux's own")
def test_a_disk_that_is_really_full_is_told_alike(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.open
    monkeypatch.setattr(
        os,
        "open",
        lambda path, flags, mode=0o777, *, dir_fd=None: (
            real("/dev/full", os.O_WRONLY) if flags & os.O_CREAT else real(path, flags, mode, dir_fd=dir_fd)
        ),
    )
    with pytest.raises(CompanionError, match="Free some space"):
        write_safely(target, NEW)
    monkeypatch.undo()
    assert target.read_bytes() == OLD
    assert only(target)


def test_every_call_may_fail_until_a_run_is_not_hit(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fail the Nth call to the system for N = 1, 2, 3 …: after each, the content is the old or the new one, whole."""
    outcomes = []
    for nth in range(1, 20):
        target.write_bytes(OLD)
        hit = False
        count = 0

        def counted(real: Callable[..., Any], stop: int) -> Callable[..., Any]:
            def call(*args: Any, **more: Any) -> Any:
                nonlocal count, hit
                count += 1
                if count == stop:
                    hit = True
                    raise OSError(errno.EIO, os.strerror(errno.EIO))
                return real(*args, **more)

            return call

        with monkeypatch.context() as patch:
            for place, name in ((os, "open"), (os, "fdopen"), (os, "fsync"), (os, "replace")):
                patch.setattr(place, name, counted(getattr(place, name), nth))
            try:
                write_safely(target, NEW)
                told = False
            except CompanionError:
                told = True
        assert told == hit, "a failure is never passed over"
        assert only(target)
        outcomes.append(target.read_bytes() == NEW)
        assert outcomes[-1] or target.read_bytes() == OLD
        if not hit:
            break
    assert not hit, "the last run is the one that was not hit"
    assert outcomes[0] is False
    assert outcomes[-1] is True
    assert len(outcomes) >= 6


@pytest.mark.parametrize("error", [Cancelled(), KeyboardInterrupt(), ValueError("x")])
def test_when_the_writer_is_stopped_its_own_error_comes_through(
    target: Path, error: BaseException, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(_handle: int) -> None:
        raise error

    monkeypatch.setattr(os, "fsync", stopped)
    with pytest.raises(type(error)):
        write_safely(target, NEW)
    assert target.read_bytes() == OLD
    assert only(target)


def test_a_reader_sees_the_old_content_until_the_end(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen, sync = [], os.fsync

    def looking(handle: int) -> None:
        seen.append(target.read_bytes())
        sync(handle)

    monkeypatch.setattr(os, "fsync", looking)
    write_safely(target, NEW)
    assert seen == [OLD, NEW], "the new file is whole on disk before its name, and the name is made durable"


@pytest.mark.parametrize("name", ["a" * 251 + ".zip", "石" * 83 + ".zip", "🎹" * 62 + ".zip"])
def test_the_longest_names_a_disk_takes_can_be_written(tmp_path: Path, name: str) -> None:
    write_safely(tmp_path / name, b"x")
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_a_folder_that_cannot_be_synced_is_no_failure_where_the_system_knows_no_such_thing(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls = failing(monkeypatch, os, "fsync", errno.EINVAL, nth=2)  # the first is the file's own
    write_safely(target, NEW)
    assert len(calls) == 2
    assert target.read_bytes() == NEW


def test_where_there_is_no_folder_to_write_into_the_line_says_so(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"a file")
    with pytest.raises(CompanionError, match="Could not write"):
        write_safely(tmp_path / "a" / "b", b"x")


def test_reading_stops_at_the_limit(tmp_path: Path) -> None:
    path = tmp_path / "report"
    path.write_bytes(b"x" * 100)
    assert read_capped(path, 100) == b"x" * 100
    with pytest.raises(CompanionError, match=r"The report is over 99 bytes"):
        read_capped(path, 99, "report")
    with pytest.raises(CompanionError, match="Could not read the report"):
        read_capped(tmp_path / "none", 9, "report")
    with pytest.raises(CompanionError, match="Could not read the report"):
        read_capped(tmp_path, 9, "report")


def test_a_report_of_500_mb_is_refused_without_being_read(tmp_path: Path) -> None:
    path = tmp_path / "huge"
    with path.open("wb") as stream:
        stream.truncate(500 << 20)
    began = time.thread_time()
    with pytest.raises(CompanionError, match="over 268,435,456 bytes"):
        read_capped(path, 256 << 20)
    assert time.thread_time() - began < 0.05


def test_hash_and_place(tmp_path: Path) -> None:
    path = tmp_path / "in" / "a"
    write_safely(path, b"abc")
    # FIPS 180-4's own example for SHA-256
    assert sha256_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    write_safely(path, NEW)
    assert sha256_of(path) == hashlib.sha256(NEW).hexdigest()
    assert is_inside(tmp_path / "in", path)
    assert not is_inside(tmp_path / "in", tmp_path / "in" / ".." / "b")
    assert not is_inside(tmp_path / "in", tmp_path / "inner")
    (tmp_path / "in" / "link").symlink_to(tmp_path)
    assert not is_inside(tmp_path / "in", tmp_path / "in" / "link" / "b")


def test_a_folder_is_synced_itself_and_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[tuple[int, int]] = []

    def syncing(handle: int) -> None:
        synced.append((handle, os.fstat(handle).st_ino))

    monkeypatch.setattr(os, "fsync", syncing)
    files.sync_folder(tmp_path)
    assert [inode for _, inode in synced] == [tmp_path.stat().st_ino]
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(synced[0][0])


@pytest.mark.parametrize(("code", "told"), [(errno.EINVAL, False), (errno.ENOTSUP, False), (errno.EIO, True)])
def test_a_disk_that_cannot_sync_a_folder_is_no_failure_and_one_that_fails_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, told: bool
) -> None:
    def refusing(_handle: int) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", refusing)
    with pytest.raises(OSError, match=os.strerror(code)) if told else contextlib.nullcontext():
        files.sync_folder(tmp_path)


def test_a_file_is_unchanged_only_by_size_time_and_place(target: Path) -> None:
    """Each of the three alone gives a change away; the same bytes put there by a rename are another file."""
    stat = target.stat()
    entry = Entry(path=target.name, size=stat.st_size, mtime_ns=stat.st_mtime_ns, inode=stat.st_ino, kind=Kind.DOCUMENT)
    assert unchanged(target.parent, entry)
    os.utime(target, ns=(stat.st_atime_ns, stat.st_mtime_ns + 1_000_000))
    assert not unchanged(target.parent, entry)
    os.utime(target, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert unchanged(target.parent, entry)
    target.write_bytes(OLD + b"x")
    os.utime(target, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert not unchanged(target.parent, entry)
    other = target.with_name("other")
    other.write_bytes(OLD)
    os.utime(other, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    other.replace(target)
    assert not unchanged(target.parent, entry)
    target.unlink()
    assert not unchanged(target.parent, entry)


def test_a_file_of_ours_is_written_through_no_link_and_begins_no_folder(tmp_path: Path) -> None:
    outside, place = tmp_path / "outside.txt", tmp_path / "ours.txt"
    outside.write_bytes(b"a letter")
    outside.chmod(0o600)
    place.symlink_to(outside)
    write_safely(place, b"ours", ours=True)
    assert (place.is_symlink(), place.read_bytes(), outside.read_bytes()) == (False, b"ours", b"a letter")
    place.unlink()
    place.symlink_to(outside)
    with pytest.raises(CompanionError, match="link"):
        write_safely(place, b"the maker's")
    assert (place.is_symlink(), outside.read_bytes()) == (True, b"a letter")
    with pytest.raises(CompanionError):
        write_safely(tmp_path / "gone" / "ours.txt", b"ours", ours=True)
    assert not (tmp_path / "gone").exists()
    write_safely(tmp_path / "new" / "one.txt", b"x")
    assert (tmp_path / "new" / "one.txt").read_bytes() == b"x"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no such pipes there")
@pytest.mark.timeout(20)
def test_a_pipe_is_neither_waited_for_nor_written_over(tmp_path: Path) -> None:
    pipe = tmp_path / "README.md"
    os.mkfifo(pipe)
    with pytest.raises(CompanionError, match="The text is no file"):
        read_capped(pipe, 100, "text")
    with pytest.raises(CompanionError, match="What lies there is no file"):
        write_safely(pipe, b"new")
    assert pipe.is_fifo()
    write_safely(pipe, b"new", ours=True)
    assert pipe.read_bytes() == b"new"


def test_a_folder_is_told_as_what_it_is(tmp_path: Path) -> None:
    (tmp_path / "README.md").mkdir()
    with pytest.raises(CompanionError):
        read_capped(tmp_path / "README.md", 100, "text")
    with pytest.raises(CompanionError, match="What lies there is no file"):
        write_safely(tmp_path / "README.md", b"new")


@pytest.mark.skipif(os.name == "nt", reason="links need rights there that a test does not have")
def test_what_is_ours_is_not_written_below_a_linked_folder(tmp_path: Path) -> None:
    (tmp_path / "outside").mkdir()
    (tmp_path / "evidence").symlink_to(tmp_path / "outside", target_is_directory=True)
    for ours in (True, False):
        with pytest.raises(CompanionError, match="this folder is a link"):
            write_safely(tmp_path / "evidence/one.json", b"{}", root=tmp_path, ours=ours)
    write_safely(tmp_path / "evidence/one.md", b"a maker's own way to their folder", ours=False)
    assert [path.name for path in (tmp_path / "outside").iterdir()] == ["one.md"]


@pytest.mark.skipif(os.name == "nt", reason="links need rights there that a test does not have")
def test_a_link_that_leads_to_itself_lies_where_it_lies(tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to("loop")
    assert is_inside(tmp_path, tmp_path / "loop")
    assert not is_inside(tmp_path / "a", tmp_path / "loop")
    assert files.real(tmp_path / "loop" / "x") == tmp_path / "loop" / "x"
