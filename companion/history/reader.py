"""Read the maker's files as they are now into blobs, in threads, and note every file that did not hold still."""

import os
import stat
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Final

from companion.core import crew
from companion.core.census import Ids, NotStill, Reading, ids_of, read_ids, steadily
from companion.core.patience import is_too_long, why
from companion.core.progress import Watch
from companion.core.scratch import Scratch, pieces, read_full
from companion.core.walk import Found
from companion.history.store.objects import BLOB
from companion.history.store.pack_writer import HistoryDisk, PackWriter
from companion.history.store.packs import SMALL

_FEW: Final = 4 << 20
_mine = Scratch()


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


class _FileReader:
    """Reads files into one thread's writer (None: they are hashed only)."""

    def __init__(self, folder: Path, sink: Sink, watch: Watch) -> None:
        self._folder, self._sink, self._watch = folder, sink, watch
        self._writer = sink.open()

    def read(self, path: str, status: os.stat_result, expected: Ids | None) -> Reading:
        """Read one file or link; try again while it changes, and keep what the last try read.

        expected: what it held when it was last read; it is then read once, and held against that while it is written.
        Raises OSError where it cannot be read, :class:`NotStill` for a large file that kept getting shorter.
        """
        if stat.S_ISLNK(status.st_mode):
            return self._read_link(path, status)

        def read(handle: int, before: os.stat_result, last: bool) -> tuple[Ids, bool]:
            if before.st_size <= SMALL:
                return self._read_small(handle, before.st_size)
            return self._read_large(handle, before.st_size, expected, last)

        return steadily(self._folder / path, read, settle=self._asked)

    def _read_link(self, path: str, status: os.stat_result) -> Reading:
        target = os.fsencode(os.readlink(self._folder / path))  # noqa: PTH115 -- as written, not as a path
        ids = ids_of(target)
        self._keep(target, ids)
        return Reading(status, ids, time.time_ns(), still=True)

    def _keep(self, data: bytes | memoryview, ids: Ids) -> None:
        if self._writer and self._sink.claim(ids.blob):
            self._writer.add(BLOB, data, ids.blob)

    def _read_small(self, handle: int, size: int) -> tuple[Ids, bool]:
        data = _exactly(handle, size)
        ids = ids_of(data)
        self._keep(data, ids)
        return ids, len(data) == size

    def _read_large(self, handle: int, size: int, expected: Ids | None, last: bool) -> tuple[Ids, bool]:
        if self._writer and expected and expected.size == size and self._sink.claim(expected.blob):
            try:
                self._write(handle, size, expected.blob)
            except NotStill:  # it is not what it was, though it looks so
                os.lseek(handle, 0, os.SEEK_SET)
            else:
                return expected, True
        ids = read_ids(handle, size, self._asked)
        if self._writer is None or not self._sink.claim(ids.blob):
            return ids, True
        try:
            self._write(handle, size, ids.blob)
        except NotStill:
            if not last:
                raise
            return Ids(b"", self._write(handle, size, None), size), False
        return ids, True

    def _asked(self, _count: int) -> None:
        self._watch.check()

    def _write(self, handle: int, size: int, expected: bytes | None) -> bytes:
        def read() -> Iterator[memoryview]:
            for piece in pieces(handle, size):
                self._watch.check()
                yield piece

        assert self._writer is not None
        os.lseek(handle, 0, os.SEEK_SET)
        return self._writer.add_stream(read(), size, expected)


def _exactly(handle: int, count: int) -> memoryview:
    """Return the next ``count`` bytes of a file, or fewer at its end; good until this thread's next."""
    return read_full(handle, _mine.take(count))


def _reason(error: OSError | NotStill) -> str:
    if isinstance(error, NotStill):
        return "it kept getting shorter while it was read"
    if isinstance(error, FileNotFoundError) and not is_too_long(error):
        return "it was removed while the snapshot was taken"
    return f"it could not be read: {why(error)}"


def read_files(
    folder: Path, files: list[Found], expected: Mapping[str, Ids], sink: Sink, watch: Watch
) -> tuple[dict[str, Reading], list[tuple[str, str]]]:
    """Read many files in threads, each into a pack of its own; return what was read, and why the rest was left out.

    An error of the history's disk ends it all (OSError).
    """
    read: dict[str, Reading] = {}
    left_out: list[tuple[str, str]] = []

    def work(given: Iterator[Found]) -> None:
        reader = _FileReader(folder, sink, watch)
        for path, status in given:
            try:
                read[path] = reader.read(path, status, expected.get(path))
            except HistoryDisk:
                raise
            except (OSError, NotStill) as error:
                left_out.append((path, _reason(error)))
            watch.step(status.st_size)

    # The largest first: two threads then end at about the same time.
    queue = sorted(files, key=lambda found: (-found[1].st_size, found[0]))
    many = sum(status.st_size for _, status in files) > _FEW or len(files) > 256
    crew.share(queue, work, crew.processors() if many else 1, "history")
    return read, left_out
