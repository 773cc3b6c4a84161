"""Read the maker's files as they are now into blobs, in threads, and tell of every file that did not hold still."""

from __future__ import annotations

import os
import stat
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Final, NamedTuple

from companion.core.files import BLOCK
from companion.core.progress import Watch
from companion.history.known import now_ns
from companion.history.objects import BLOB, hasher, object_id
from companion.history.packing import HistoryDisk, NotStill, PackWriter
from companion.history.packs import SMALL
from companion.history.walk import Seen, seen_of

ATTEMPTS: Final = 3
_FEW: Final = 4 << 20
_FRESH_NS: Final = 250_000_000
_PAUSE_NS: Final = 30_000_000
"""A system notes the time of a write when it begins. Of a file written so shortly before it was opened, one long write
may go on unseen, so that it is read once more, the pause after that time at the earliest."""


class Read(NamedTuple):
    """A file as it was read. when: nanoseconds, before the first byte. still: it did not change meanwhile."""

    seen: Seen
    blob: bytes
    when: int
    still: bool


class Sink:
    """Where blobs go. Without writers they are hashed only (a look, not a snapshot)."""

    def __init__(self, has: Callable[[bytes], bool], folder: Path | None) -> None:
        self._has, self._folder = has, folder
        self._claimed: set[bytes] = set()
        self._lock = threading.Lock()
        self.writers: list[PackWriter] = []

    def open(self) -> PackWriter | None:
        """Return a writer for one thread, or None when nothing is written."""
        if self._folder is None:
            return None
        writer = PackWriter(self._folder)
        with self._lock:
            self.writers.append(writer)
        return writer

    def claim(self, blob: bytes) -> bool:
        """Tell whether the caller has to write this blob: the history lacks it, and no other thread is at it."""
        if self._has(blob):
            return False
        with self._lock:
            if blob in self._claimed:
                return False
            self._claimed.add(blob)
        return True

    def holds(self, blob: bytes) -> bool:
        """Tell whether the blob is in the history or has really been written."""
        return self._has(blob) or any(blob in writer.written for writer in self.writers)

    def claim_anew(self) -> None:
        """Let go of claims that came to nothing because the file changed under its reader."""
        self._claimed = {blob for writer in self.writers for blob in writer.written}

    def abandon(self) -> None:
        """Throw away everything written."""
        for writer in self.writers:
            writer.abandon()


def _open(path: Path) -> tuple[int, os.stat_result]:
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    handle = os.open(path, flags | getattr(os, "O_NOCTTY", 0))
    status = os.fstat(handle)
    if not stat.S_ISREG(status.st_mode):
        os.close(handle)
        raise OSError(0, "it is no longer a file")
    return handle, status


def _same(one: os.stat_result, two: os.stat_result) -> bool:
    return (one.st_size, one.st_mtime_ns, one.st_ctime_ns) == (two.st_size, two.st_mtime_ns, two.st_ctime_ns)


def _exactly(handle: int, count: int) -> bytes:
    parts = []
    while count and (part := os.read(handle, count)):
        parts.append(part)
        count -= len(part)
    return parts[0] if len(parts) == 1 else b"".join(parts)


def _hash(handle: int, size: int, watch: Watch) -> bytes:
    digest, left = hasher(BLOB, size), size
    while left:
        block = os.read(handle, min(left, BLOCK))
        if not block:
            raise NotStill
        left -= len(block)
        digest.update(block)
        watch.check()
    return digest.digest()


def _settled(handle: int, before: os.stat_result, when: int, size: int, blob: bytes, watch: Watch) -> bool:
    """Tell whether a file that had just been written when it was opened reads the same again; true for any other."""
    age = when - (before.st_mtime_ns if os.name == "nt" else before.st_ctime_ns)
    if not size or abs(age) >= _FRESH_NS:
        return True
    time.sleep(max(0, _PAUSE_NS - abs(age)) / 1e9)
    os.lseek(handle, 0, os.SEEK_SET)
    return _hash(handle, size, watch) == blob and _same(before, os.fstat(handle))


def _read_link(path: Path, seen: Seen, sink: Sink, writer: PackWriter | None) -> Read:
    when = now_ns()
    target = os.fsencode(os.readlink(path))  # noqa: PTH115 -- as written, not as a path
    blob = object_id(BLOB, target)
    if writer and sink.claim(blob):
        writer.add(BLOB, target, blob)
    return Read(seen, blob, when, True)


def _read_small(handle: int, size: int, sink: Sink, writer: PackWriter | None) -> tuple[bytes, int]:
    data = _exactly(handle, size)
    blob = object_id(BLOB, data)
    if writer and sink.claim(blob):
        writer.add(BLOB, data, blob)
    return blob, len(data)


def _read_large(
    handle: int, size: int, sink: Sink, writer: PackWriter | None, last: bool, watch: Watch
) -> tuple[bytes, bool]:
    def read(count: int) -> bytes:
        watch.check()
        return os.read(handle, count)

    blob = _hash(handle, size, watch)
    if writer is None or not sink.claim(blob):
        return blob, True
    os.lseek(handle, 0, os.SEEK_SET)
    try:
        return writer.add_stream(read, size, blob), True
    except NotStill:
        if not last:
            raise
    os.lseek(handle, 0, os.SEEK_SET)
    return writer.add_stream(read, size, None), False


def read_file(folder: Path, seen: Seen, sink: Sink, writer: PackWriter | None, watch: Watch) -> Read:
    """Read one file or link; try again while it changes, and keep what the last attempt read.

    Raises OSError where it cannot be read, :class:`NotStill` for a large file that kept getting shorter.
    """
    path = folder / seen.path
    if seen.link:
        return _read_link(path, seen, sink, writer)
    for attempt in range(ATTEMPTS):
        last = attempt == ATTEMPTS - 1
        when = now_ns()
        handle, before = _open(path)
        try:
            if before.st_size <= SMALL:
                blob, size = _read_small(handle, before.st_size, sink, writer)
                whole = size == before.st_size
            else:
                size = before.st_size
                blob, whole = _read_large(handle, size, sink, writer, last, watch)
            still = whole and _same(before, os.fstat(handle)) and _settled(handle, before, when, size, blob, watch)
        except NotStill:
            if last:
                raise
            still = False
        finally:
            os.close(handle)
        if still or last:
            return Read(seen_of(seen.path, before)._replace(size=size), blob, when, still)
        time.sleep(0.02 * (attempt + 1))
    raise NotStill


class Outcome(NamedTuple):
    """What a pass over many files found."""

    read: list[Read]
    left_out: list[tuple[str, str]]


def _reason(error: OSError | NotStill) -> str:
    if isinstance(error, NotStill):
        return "it kept getting shorter while it was read"
    if isinstance(error, FileNotFoundError):
        return "it was removed while the snapshot was taken"
    return f"it could not be read: {error.strerror or error.__class__.__name__}"


def read_files(folder: Path, files: list[Seen], sink: Sink, watch: Watch) -> Outcome:
    """Read many files in threads, each into a pack of its own. An error of the history's disk ends it all (OSError)."""
    outcome = Outcome([], [])
    # The largest first: two threads then end at about the same time.
    queue = deque(sorted(files, key=lambda seen: seen.size, reverse=True))
    total = sum(seen.size for seen in files)
    failures: list[BaseException] = []

    def work() -> None:
        writer = sink.open()
        while not failures:
            try:
                seen = queue.popleft()
            except IndexError:
                return
            outcome.read.append(_guarded(folder, seen, sink, writer, watch, outcome.left_out))
            watch.step(seen.size)

    def guarded_work() -> None:
        try:
            work()
        except BaseException as error:
            failures.append(error)

    crew = min(os.cpu_count() or 1, 4) if total > _FEW or len(files) > 256 else 1
    threads = [threading.Thread(target=guarded_work, name=f"history-{i}") for i in range(crew - 1)]
    for thread in threads:
        thread.start()
    guarded_work()
    for thread in threads:
        thread.join()
    if failures:
        raise failures[0]
    found = [read for read in outcome.read if read.blob]
    return Outcome(found, outcome.left_out)


def _guarded(
    folder: Path, seen: Seen, sink: Sink, writer: PackWriter | None, watch: Watch, left_out: list[tuple[str, str]]
) -> Read:
    """Read one file; what is wrong with that file is noted, what is wrong with the history's own disk is raised."""
    try:
        return read_file(folder, seen, sink, writer, watch)
    except HistoryDisk:
        raise
    except (OSError, NotStill) as error:
        left_out.append((seen.path, _reason(error)))
        return Read(seen, b"", 0, False)
