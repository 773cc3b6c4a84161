"""What was hashed before and looks untouched since: blob ids by path, so that a second look costs only what changed."""

from __future__ import annotations

import os
import struct
import time
from collections.abc import Iterable
from typing import Final

from companion.core.cache import Cache
from companion.history.names import to_git
from companion.history.walk import Seen

_TABLE: Final = "git-blobs-1"
_ROW: Final = struct.Struct("<qqqQ20sq")
_GRAIN_NS: Final = 2_000_000_000
"""File systems write times as coarsely as 2 s (FAT); a file touched that shortly before is hashed again next time."""


class Known:
    """Blob ids by path and stat.

    Size and modification time alone miss an edit that puts the old time back; the change time, which no program can
    set, does not. Windows has no change time to ask for, so there a thorough look hashes everything again.
    """

    def __init__(self, cache: Cache) -> None:
        self._cache = cache
        self._rows: dict[bytes, bytes] | None = None

    def _all(self) -> dict[bytes, bytes]:
        if self._rows is None:
            self._rows = self._cache.everything(_TABLE)
        return self._rows

    def blob(self, seen: Seen) -> bytes | None:
        """Return the blob id this file had when it last looked exactly like this, or None."""
        blob, when = self._looked(seen)
        return blob if max(seen.mtime_ns, _change(seen)) < when - _GRAIN_NS else None

    def hint(self, seen: Seen) -> bytes | None:
        """Return what :meth:`blob` does, also of a file that was written within two seconds of being read.

        Times that are the same to the nanosecond are good enough for a line on a screen, not for a snapshot.
        """
        return self._looked(seen)[0]

    def _looked(self, seen: Seen) -> tuple[bytes | None, int]:
        """Return the blob id read from a file of this path, size, times and inode, and when; nothing where none was."""
        row = self._all().get(to_git(seen.path), b"")
        if len(row) != _ROW.size:
            return None, 0
        *look, blob, when = _ROW.unpack(row)
        return (blob, when) if look == [seen.size, seen.mtime_ns, _change(seen), _inode(seen)] else (None, 0)

    def remember(self, found: Iterable[tuple[Seen, bytes, int]]) -> None:
        """Keep blob ids with the time (ns) their reading began."""
        rows = {
            to_git(seen.path): _ROW.pack(seen.size, seen.mtime_ns, _change(seen), _inode(seen), blob, when)
            for seen, blob, when in found
        }
        if rows:
            self._all().update(rows)
            self._cache.put(_TABLE, rows.items())

    def forget_absent(self, present: Iterable[str]) -> None:
        """Drop the rows of files that are gone, once they are many."""
        rows = self._all()
        keep = {to_git(path) for path in present}
        gone = [key for key in rows if key not in keep]
        if len(gone) > 1000 and len(gone) > len(keep):
            for key in gone:
                del rows[key]
            self._cache.drop(_TABLE, gone)


def _inode(seen: Seen) -> int:
    return seen.inode & 0xFFFFFFFFFFFFFFFF


def _change(seen: Seen) -> int:
    return 0 if os.name == "nt" else seen.ctime_ns


def now_ns() -> int:
    """The clock that file times are held against."""
    return time.time_ns()
