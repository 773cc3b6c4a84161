"""What the files of a folder hold, by SHA-256 and by git's blob id, both from one read and remembered.

Ids are remembered under path, size, times and inode, so that the second look at an unchanged folder reads nothing, and
what either the inventory or a snapshot has read the other need not read again.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final, NamedTuple

import msgspec

from companion.core import crew
from companion.core.cache import Cache, Table
from companion.core.patience import why
from companion.core.progress import Watch
from companion.core.scratch import pieces
from companion.core.walk import Found

ATTEMPTS: Final = 3
GRAIN_NS: Final = 2_000_000_000
"""File systems write times as coarsely as 2 s (FAT; git's documentation, "racy-git", tells the same of its index): a
file touched that shortly before it was read may have changed again without its times telling."""
FRESH_NS: Final = 250_000_000
PAUSE_NS: Final = 30_000_000
"""A system notes the time of a write when it begins. Of a file written so shortly before it was opened, one long write
may go on unseen, so that it is read once more, the pause after that time at the earliest."""
_THREADS: Final = 2
_KEEP_EVERY: Final = 20.0
_FLAGS: Final = (
    os.O_RDONLY
    | getattr(os, "O_BINARY", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_NONBLOCK", 0)
    | getattr(os, "O_NOCTTY", 0)
)


class NotStill(Exception):
    """The file changed, or ended early, while it was being read."""


class Ids(NamedTuple):
    """What a content is called: SHA-256 (32 bytes; FIPS 180-4), git's blob id (20 bytes), size in bytes."""

    sha256: bytes
    blob: bytes
    size: int


class Reading(NamedTuple):
    """A file as it was read.

    ids: what it held; None when it could not be read, for the reason in ``problem``. when: nanoseconds, before the
    first byte. still: it did not change meanwhile.
    """

    status: os.stat_result | None
    ids: Ids | None
    when: int = 0
    still: bool = False
    problem: str = ""

    @property
    def certain(self) -> bool:
        """Whether a file that looks the same later holds the same; not so of one written just before it was read."""
        return self.status is not None and self.still and _touched(self.status) < self.when - GRAIN_NS


class _Row(msgspec.Struct, array_like=True):
    size: int
    mtime_ns: int
    ctime_ns: int
    inode: int
    sha256: bytes
    blob: bytes
    when: int

    def is_of(self, status: os.stat_result) -> bool:
        # On Windows a folder's listing tells no inode; there the others have to do.
        times = self.size, self.mtime_ns, self.ctime_ns
        return times == _stat_fields(status)[:3] and status.st_ino in (0, self.inode)


class Census:
    """The ids of a folder's files as they were last read; ``cache`` serves one folder.

    Size and modification time alone miss an edit that puts the old time back; the change time, which no program can
    set, does not. Windows has no change time to ask for, so there a thorough look reads everything again.
    """

    def __init__(self, cache: Cache) -> None:
        self._table = Table(cache, "census", 1, _Row)

    def known(self, files: Sequence[Found]) -> dict[str, Ids]:
        """Return the ids of those files that look as they did when they were read, two seconds unwritten, by path."""
        keys = [os.fsencode(path) for path, _ in files]
        rows = self._table.get_many(keys)
        found = {}
        for key, (path, status) in zip(keys, files, strict=True):
            row = rows.get(key)
            if row and row.is_of(status) and _touched(status) < row.when - GRAIN_NS:
                found[path] = Ids(row.sha256, row.blob, row.size)
        return found

    def remember(self, read: Iterable[tuple[str, Reading]]) -> None:
        """Keep the ids of files that held still."""
        rows = [
            (os.fsencode(path), _Row(*_stat_fields(one.status), one.ids.sha256, one.ids.blob, one.when))
            for path, one in read
            if one.still and one.status and one.ids
        ]
        if rows:
            self._table.put(rows)

    def vouch(self, folder: Path, ids: Mapping[str, Ids]) -> None:
        """Take it as read what files of ``folder`` hold: they were just written there, read back, and nobody else's."""
        rows = []
        for path, one in ids.items():
            with contextlib.suppress(OSError):
                status = os.lstat(os.path.join(folder, path))  # noqa: PTH118 -- many, and the names are ours
                when = _touched(status) + GRAIN_NS + 1
                rows.append((os.fsencode(path), _Row(*_stat_fields(status), one.sha256, one.blob, when)))
        self._table.put(rows)

    def forget_absent(self, present: Sequence[Found]) -> None:
        """Drop the rows of files that are gone, once they are many."""
        keys, many = self._table.keys(), max(1000, len(present))
        if len(keys) > many and len(gone := keys - {os.fsencode(path) for path, _ in present}) > many:
            self._table.drop(gone)

    def read(self, folder: Path, files: Sequence[Found], watch: Watch) -> dict[str, Reading]:
        """Read files, a few at a time, and return what they hold by path; what was read until a stop is remembered."""
        watch.stage("Reading files", sum(status.st_size for _, status in files), "bytes")
        done: dict[str, Reading] = {}
        fresh: list[tuple[str, Reading]] = []
        keeping, due = threading.Lock(), time.monotonic() + _KEEP_EVERY

        def keep() -> None:
            nonlocal due
            with keeping:  # one writer at a time: what another thread reads meanwhile waits for the next
                count = len(fresh)
                self.remember(fresh[:count])
                del fresh[:count]
                due = time.monotonic() + _KEEP_EVERY

        def work(given: Iterator[Found]) -> None:
            for path, _ in given:
                watch.check()
                done[path] = one = read_file(folder, path, watch.step)
                fresh.append((path, one))
                if time.monotonic() > due:
                    keep()

        try:
            crew.share(sorted(files, key=lambda found: found[0]), work, _THREADS, "census")
        finally:
            keep()
        return done


def _touched(status: os.stat_result) -> int:
    return max(status.st_mtime_ns, _changed(status))


def _changed(status: os.stat_result) -> int:
    return 0 if os.name == "nt" else status.st_ctime_ns


def _stat_fields(status: os.stat_result) -> tuple[int, int, int, int]:
    return status.st_size, status.st_mtime_ns, _changed(status), status.st_ino


def blob_hasher(size: int) -> hashlib._Hash:
    """Return a running SHA-1 that has read the header git puts before a blob of ``size`` bytes."""
    return hashlib.sha1(b"blob %d\0" % size, usedforsecurity=False)


def ids_of(data: bytes | memoryview) -> Ids:
    """Return the ids of a content held in memory."""
    digest = blob_hasher(len(data))
    digest.update(data)
    return Ids(hashlib.sha256(data).digest(), digest.digest(), len(data))


def read_ids(handle: int, size: int, count: Callable[[int], None]) -> Ids:
    """Return the ids of the next ``size`` bytes of an open file; ``count`` is told of each block's bytes.

    Raises :class:`NotStill` where it ends before that, and OSError.
    """
    sha256, blob, left = hashlib.sha256(), blob_hasher(size), size
    for piece in pieces(handle, size):
        left -= len(piece)
        sha256.update(piece)
        blob.update(piece)
        count(len(piece))
    if left:
        raise NotStill
    return Ids(sha256.digest(), blob.digest(), size)


def read_file(folder: Path, path: str, count: Callable[[int], None]) -> Reading:
    """Return what one file holds. One that changes while it is read is read again, then has its ``problem`` told."""
    try:
        read = steadily(folder / path, lambda handle, before, _last: (read_ids(handle, before.st_size, count), True))
    except OSError as error:
        return Reading(None, None, problem=why(error).lower())
    except NotStill:
        return Reading(None, None, problem="it changes while it is being read")
    return read if read.still else read._replace(ids=None, problem="it changes while it is being read")


def steadily(
    path: Path,
    read: Callable[[int, os.stat_result, bool], tuple[Ids, bool]],
    *,
    settle: Callable[[int], None] | None = None,
) -> Reading:
    """Return what ``read`` (handle, status when opened, whether this is the last try) makes of a file.

    It gives the ids and whether the file held still as far as it can tell. A file that changes meanwhile is tried
    again, and what the last try read is returned. settle: where it is given, one written just before it was
    opened is read once more, and it is told of each block's bytes. No link is followed, and nothing waited for. Raises
    OSError, and :class:`NotStill` of the last try.
    """
    for attempt in range(ATTEMPTS):
        last, when = attempt == ATTEMPTS - 1, time.time_ns()
        handle, before = _opened(path)
        try:
            ids, still = read(handle, before, last)
            still = still and looks_the_same(before, os.fstat(handle))
            still = still and (not settle or _settled(handle, before, when, ids, settle))
        except NotStill:
            if last:
                raise
            still = False
        finally:
            os.close(handle)
        if still or last:
            return Reading(before, ids, when, still)
        time.sleep(0.02 * (attempt + 1))
    raise NotStill


def _opened(path: Path) -> tuple[int, os.stat_result]:
    handle = os.open(path, _FLAGS)
    status = os.fstat(handle)
    if not stat.S_ISREG(status.st_mode):
        os.close(handle)
        raise OSError(0, "it is no longer a file")
    return handle, status


def looks_the_same(one: os.stat_result, two: os.stat_result) -> bool:
    """Tell whether a file is by size and times what it was."""
    return (one.st_size, one.st_mtime_ns, _changed(one)) == (two.st_size, two.st_mtime_ns, _changed(two))


def _settled(handle: int, before: os.stat_result, when: int, ids: Ids, count: Callable[[int], None]) -> bool:
    """Tell whether a file that had just been written when it was opened reads the same again; true for any other."""
    age = when - (before.st_mtime_ns if os.name == "nt" else before.st_ctime_ns)
    if not ids.size or abs(age) >= FRESH_NS:
        return True
    time.sleep(max(0, PAUSE_NS - abs(age)) / 1e9)
    os.lseek(handle, 0, os.SEEK_SET)
    return read_ids(handle, ids.size, count) == ids and looks_the_same(before, os.fstat(handle))
