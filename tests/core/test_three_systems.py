"""What only some systems can do has its twin: each call is tried as it is here, and as it is where the call is missing.

That none is forgotten, the types tell: the test command checks the package for Windows and macOS as well.
"""

from __future__ import annotations

import ctypes
import errno
import importlib.util
import mmap
import os
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from companion.contents.reading.inflate import let_go
from companion.core import below, children, files, scratch
from companion.history.store import durable
from companion.history.store.objects import BLOB, object_id
from companion.history.store.pack_writer import PackWriter
from companion.history.store.packs import Packs
from companion.sound.measures import pool

HERE = "as it is here"
POSIX = pytest.mark.skipif(os.name == "nt", reason="plays another system on this one")


def without(patch: pytest.MonkeyPatch, missing: str, where: Any = os) -> None:
    for name in missing.split() if missing != HERE else ():
        patch.delattr(where, name, raising=False)


@pytest.mark.parametrize("missing", [HERE, "preadv", "pread preadv", "fdatasync", "fdatasync pread preadv"])
def test_a_pack_is_written_and_read_with_the_calls_there_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missing: str
) -> None:
    without(monkeypatch, missing)
    monkeypatch.setattr("companion.history.store.pack_writer._NUDGE", 1000)  # so that it syncs as it goes
    contents = [bytes([number]) * 40_000 + os.urandom(5000) for number in range(8)]
    writer = PackWriter(tmp_path)
    for data in contents:
        writer.add(BLOB, data, object_id(BLOB, data))
    assert writer.finish() is not None
    packs = Packs(tmp_path)
    assert [packs.read(object_id(BLOB, data)) for data in contents] == contents
    packs.close()


@pytest.mark.parametrize("missing", [HERE, "fdatasync"])
def test_bytes_are_made_durable_by_the_narrowest_call_there_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missing: str
) -> None:
    asked: list[str] = []
    for name in ("fdatasync", "fsync"):
        if hasattr(os, name):
            monkeypatch.setattr(os, name, lambda handle, name=name: asked.append(name))
    without(monkeypatch, missing)
    with (tmp_path / "a").open("wb") as stream:
        durable.sync_data(stream.fileno())
    assert asked == (["fdatasync"] if hasattr(os, "fdatasync") else ["fsync"])


@pytest.mark.parametrize("missing", [HERE, "MADV_DONTNEED"])
def test_what_is_mapped_reads_the_same_once_let_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missing: str
) -> None:
    without(monkeypatch, missing, mmap)
    path = tmp_path / "patch"
    path.write_bytes(os.urandom(3 * mmap.PAGESIZE))
    with path.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as data:
        before = data[:]
        let_go(data, 0, 2 * mmap.PAGESIZE)
        let_go(data, 1, mmap.PAGESIZE)  # not at a page: left alone
        assert data[:] == before
    let_go(b"bytes are not mapped", 0, 5)


@POSIX
@pytest.mark.parametrize("full", [True, False])
def test_macos_syncs_to_the_disk_itself_where_it_can(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, full: bool
) -> None:
    import fcntl

    asked: list[object] = []

    def control(handle: int, command: int) -> int:
        asked.append(command)
        if not full:
            raise OSError(errno.ENOTSUP, "not here")
        return 0

    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(fcntl, "F_FULLFSYNC", 51, raising=False)
    monkeypatch.setattr(fcntl, "fcntl", control)
    monkeypatch.setattr(os, "fsync", lambda handle: asked.append("fsync"))
    with (tmp_path / "a").open("wb") as stream:
        durable.sync_file(stream.fileno())
    assert asked == ([51] if full else [51, "fsync"])
    asked.clear()
    monkeypatch.setattr(sys, "platform", "linux")
    with (tmp_path / "a").open("wb") as stream:
        durable.sync_file(stream.fileno())
    assert asked == ["fsync"]


@POSIX
@pytest.mark.parametrize("known", [True, False])
def test_a_disk_is_synced_by_itself_or_with_all_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, known: bool
) -> None:
    asked: list[str] = []

    def syncfs(handle: int) -> int:
        asked.append("syncfs")
        return 0

    library = SimpleNamespace(**({"syncfs": syncfs} if known else {}))
    monkeypatch.setattr(ctypes, "CDLL", lambda *given, **more: library)
    monkeypatch.setattr(os, "sync", lambda: asked.append("sync"))
    durable.sync_disk(tmp_path)
    assert asked == (["syncfs"] if known else ["sync"])


@pytest.mark.parametrize(
    ("system", "files_", "whole"),
    [("linux", 201, True), ("linux", 200, False), ("darwin", 9999, False), ("win32", 9999, False)],
)
def test_only_linux_syncs_a_disk_as_a_whole(
    monkeypatch: pytest.MonkeyPatch, system: str, files_: int, whole: bool
) -> None:
    monkeypatch.setattr(sys, "platform", system)
    assert durable.at_once(files_) is whole


def test_windows_needs_no_sync_of_a_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []
    monkeypatch.setattr(os, "fsync", asked.append)
    with monkeypatch.context() as patch:
        patch.setattr(os, "name", "nt")
        files.sync_folder(tmp_path)
    assert asked == []
    if os.name != "nt":
        files.sync_folder(tmp_path)
        assert len(asked) == 1


class Kernel:
    """Windows' kernel32 as far as it is asked here. opened: what OpenProcess gives; error: what went wrong then."""

    def __init__(self, opened: int, error: int, code: int) -> None:
        self.opened, self.error, self.code = opened, error, code
        self.closed = 0

    def OpenProcess(self, rights: int, inherit: bool, pid: int) -> int:
        return self.opened

    def GetLastError(self) -> int:
        return self.error

    def GetExitCodeProcess(self, handle: int, code: Any) -> int:
        code._obj.value = self.code
        return 1

    def CloseHandle(self, handle: int) -> int:
        self.closed += 1
        return 1


@POSIX
@pytest.mark.parametrize(
    ("kernel", "alive"),
    [
        (Kernel(opened=7, error=0, code=259), True),  # STILL_ACTIVE
        (Kernel(opened=7, error=0, code=0), False),  # it has ended, and somebody still holds its handle
        (Kernel(opened=0, error=5, code=0), True),  # ERROR_ACCESS_DENIED: somebody else's
        (Kernel(opened=0, error=87, code=0), False),  # ERROR_INVALID_PARAMETER: no such number
    ],
)
def test_a_process_is_known_on_windows(monkeypatch: pytest.MonkeyPatch, kernel: Kernel, alive: bool) -> None:
    monkeypatch.setattr(ctypes, "windll", SimpleNamespace(kernel32=kernel), raising=False)
    with monkeypatch.context() as patch:
        patch.setattr(os, "name", "nt")
        assert files.process_alive(4711) is alive
    assert kernel.closed == (kernel.opened != 0)
    assert files.process_alive(os.getpid())


@POSIX
def test_memory_is_bounded_by_a_job_on_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[tuple[int, int, int]] = []

    class Bounding:
        def __getattr__(self, name: str) -> Any:
            def call(*given: Any) -> int:
                if name == "SetInformationJobObject":
                    information = given[2]._obj
                    flags = ctypes.c_uint32.from_buffer(information, 16).value
                    at = {8: 112, 4: 96}[ctypes.sizeof(ctypes.c_void_p)]
                    told.append((given[1], flags, ctypes.c_size_t.from_buffer(information, at).value))
                return 1

            setattr(self, name, call)
            return call

    monkeypatch.setattr(ctypes, "WinDLL", lambda *given, **more: Bounding(), raising=False)
    with monkeypatch.context() as patch:
        patch.setattr(os, "name", "nt")
        children.bound_memory(123 << 20)
    assert told == [(9, 0x100, 123 << 20)], "the extended limits, the process's memory"


@pytest.mark.parametrize("missing", [HERE, "sched_getaffinity"])
def test_there_is_always_a_worker(monkeypatch: pytest.MonkeyPatch, missing: str) -> None:
    without(monkeypatch, missing)
    assert 1 <= pool.default_workers() <= 8
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert pool.default_workers() >= 1


def test_no_flag_of_one_system_is_needed_to_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Flags are taken up when a module is imported: without them it reads the same."""
    path = tmp_path / "a.wav"
    path.write_bytes(b"slate" * 100)
    with monkeypatch.context() as patch:
        for name in ("O_NONBLOCK", "O_NOCTTY", "O_NOFOLLOW", "O_CLOEXEC"):
            patch.delattr(os, name, raising=False)
        spec = importlib.util.find_spec("companion.core.census")
        assert spec
        assert spec.loader
        fresh = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(fresh)
        read = fresh.read_file(tmp_path, "a.wav", lambda size: None)
        assert read.ids.sha256.hex() == files.sha256_of(path)
        assert files.read_capped(path, 1000) == b"slate" * 100


@pytest.mark.parametrize("missing", [HERE, "fchmod"])
def test_permissions_are_set_with_the_call_there_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missing: str
) -> None:
    without(monkeypatch, missing)
    path = tmp_path / "a"
    path.write_bytes(b"")
    below.set_permissions(below.Located(-1, str(path)), 0o444)
    assert path.stat().st_mode & 0o777 == 0o444
    if below.BY_HANDLE:
        handle = os.open(tmp_path, os.O_RDONLY)
        below.set_permissions(below.Located(handle, str(path)), 0o644)
        os.close(handle)
        assert path.stat().st_mode & 0o777 == 0o644
    path.chmod(0o644)


@pytest.mark.parametrize("missing", [HERE, "readv"])
def test_memory_is_filled_with_the_call_there_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, missing: str) -> None:
    without(monkeypatch, missing)
    data = os.urandom(3 * scratch.PIECE + 7)
    (tmp_path / "a").write_bytes(data)
    with (tmp_path / "a").open("rb", buffering=0) as stream:
        assert b"".join(map(bytes, scratch.pieces(stream.fileno()))) == data
        stream.seek(5)
        assert scratch.read_full(stream.fileno(), memoryview(bytearray(9))) == data[5:14]
        assert scratch.read_some(stream.fileno(), memoryview(bytearray())) == 0
