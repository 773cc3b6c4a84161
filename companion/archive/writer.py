"""Writes the members of a zip archive one behind the other, and its directory at the end.

Python's zipfile is not used for this: it turns to Zip64 from 2 GiB on, not from 4 GiB where it is needed, and its
bytes are its own to change. What is written here is read back by it, and by strangers' tools, in the tests.
"""

import hashlib
import stat
from collections.abc import Iterable, Sequence
from typing import BinaryIO

from companion.archive.coders import Bytes
from companion.archive.layout import Header, central_header, end_records, local_header
from companion.core.files import BLOCK
from companion.core.progress import QUIET, Watch


class Writer:
    """Writes to ``stream``, which must be empty, seekable and readable.

    The SHA-256 of the archive is taken while writing, up to the first member whose header is filled in afterwards;
    what lies behind that is read once more at the end.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._at = 0
        self._directory: list[tuple[int, bytes]] = []
        self._digest = hashlib.sha256()
        self._hashed: int | None = None

    def member(self, header: Header, parts: Sequence[Bytes], *, executable: bool) -> None:
        """Write a member whose packed bytes are all here."""
        start = self._at
        self._put(local_header(header))
        for data in parts:
            self._put(data)
        self._list(header, start, executable)

    def streamed(self, header: Header, pieces: Iterable[tuple[Sequence[Bytes], int]], *, executable: bool) -> int:
        """Write a member piece by piece and return its packed size.

        header: CRC-32 and packed size are not known yet, and set last. pieces: (packed bytes in parts, CRC-32 of the
        content up to the end of this piece). What packed to more than its size must be withdrawn.
        """
        start = self._at
        if self._hashed is None:
            self._hashed = start
        self._put(local_header(header))
        crc = packed = 0
        for parts, crc in pieces:  # noqa: B007 - the last one's counts
            for data in parts:
                self._put(data)
                packed += len(data)
        header = header._replace(crc=crc, packed=packed)
        if packed <= header.size:  # else it is withdrawn, and what it packed to may not fit where its size does
            self._stream.seek(start)
            self._stream.write(local_header(header))
            self._stream.seek(self._at)
        self._list(header, start, executable)
        return packed

    def withdraw(self) -> None:
        """Take back the member streamed last; the next one is written in its place."""
        self._at, _ = self._directory.pop()
        self._stream.seek(self._at)
        self._stream.truncate()

    def finish(self, watch: Watch = QUIET) -> tuple[int, str]:
        """Write the directory and return (size, SHA-256) of the archive. Raises :class:`Cancelled` from ``watch``."""
        start = self._at
        for _, entry in self._directory:
            self._put(entry)
        self._put(end_records(len(self._directory), self._at - start, start))
        self._stream.flush()
        if self._hashed is not None:
            self._stream.seek(self._hashed)
            while block := self._stream.read(BLOCK):
                watch.check()
                self._digest.update(block)
        return self._at, self._digest.hexdigest()

    def _list(self, header: Header, start: int, executable: bool) -> None:
        mode = stat.S_IFREG | (0o755 if executable else 0o644)
        self._directory.append((start, central_header(header, offset=start, mode=mode)))

    def _put(self, data: Bytes) -> None:
        self._stream.write(data)
        self._at += len(data)
        if self._hashed is None:
            self._digest.update(data)
