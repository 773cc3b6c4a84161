"""Write objects into one new pack: git's documented pack and index formats (version 2), without deltas.

Why a pack, and neither loose objects nor git itself. Measured on two cores with a 1 GB library of 24-bit WAVs: ``git
add`` deflates on one core at some 50 MB/s. Loose objects with isal are quick to make, but each has to be synced by
itself, 3 to 5 ms a file: six seconds for 1,246 files and a minute and a half for 20,000. A pack is synced once however
many files are in it, it cannot be seen before its index stands beside it, and restoring reads it front to back.
isal's level 1 deflates four times as fast as zlib's and releases the interpreter, so each of two threads fills a pack
of its own: nothing has to be passed between them, and a file of any size streams through.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import struct
from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import accumulate
from pathlib import Path
from typing import TYPE_CHECKING, Final

from companion.core.census import NotStill, blob_hasher
from companion.core.files import BLOCK
from companion.core.hold import Hold
from companion.core.progress import QUIET, Watch
from companion.core.scratch import pieces
from companion.history.store.durable import sync_data, sync_file
from companion.history.store.objects import BLOB
from companion.history.store.place import hold_packs
from companion.history.store.streams import LEVEL, deflated, stored

if TYPE_CHECKING:
    from concurrent.futures import Future, ThreadPoolExecutor

_HARDLY: Final = 0.94
_ALLOWED: Final = 0.012
"""Of all bytes taken in, the part that may be given away on disk for files stored though they would shrink a little."""

_NUDGE: Final = 64 << 20
_DIRECT: Final = 64 << 10


class HistoryDisk(OSError):
    """The disk that holds the history refused, not the file that is being read."""


@contextlib.contextmanager
def _on_history_disk() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise HistoryDisk(error.errno, error.strerror) from error


def write_all(handle: int, data: bytes | bytearray | memoryview) -> None:
    """Write every byte of ``data``."""
    view = memoryview(data)
    while len(view):
        view = view[os.write(handle, view) :]


def entry_header(kind: int, size: int) -> bytes:
    """Return the header of a pack entry: type and size, four bits and then seven at a time."""
    first, size = (kind << 4) | (size & 15), size >> 4
    out = bytearray()
    while size:
        out.append(first | 0x80)
        first, size = size & 0x7F, size >> 7
    out.append(first)
    return bytes(out)


class PackWriter:
    """One pack in the making, under a name git does not look at. Not for several threads at once."""

    def __init__(self, folder: Path) -> None:
        """``folder``: the ``objects/pack`` of the history."""
        self.folder = folder
        self.temporary = f"tmp_pack_{os.urandom(8).hex()}"
        self._place = hold_packs(folder)
        try:
            self.handle = self._place.new(self.temporary, 0o644, read=True)
        except BaseException:
            self._place.close()
            raise
        self.written: dict[bytes, tuple[int, int]] = {}
        self._buffer = bytearray(b"PACK" + struct.pack(">II", 2, 0))
        self.offset = len(self._buffer)
        self._nudged = self._taken = self._foregone = 0
        self._syncing: Future[None] | None = None
        self._piece: tuple[int, int] | None = None
        self._helper: ThreadPoolExecutor | None = None

    def add(self, kind: int, data: bytes | memoryview, oid: bytes) -> None:
        """Add an object held in memory."""
        self.add_piece(entry_header(kind, len(data)))
        for part in self._packed(data):
            self.add_piece(part)
        self.end_piece(oid)

    def _packed(self, data: bytes | memoryview) -> list[bytes]:
        """Deflate, but store what hardly shrinks, while that adds up to little: it reads back three times as fast."""
        parts = deflated(data)
        gain = len(data) - sum(map(len, parts))
        self._taken += len(data)
        if gain < (1 - _HARDLY) * len(data) and self._foregone + gain <= _ALLOWED * self._taken:
            self._foregone += max(0, gain)
            return [stored(data)]
        return parts

    def add_piece(self, piece: bytes) -> None:
        """Add a part of an entry, header included, that is deflated already; :meth:`end_piece` ends it."""
        from isal import isal_zlib

        if self._piece is None:
            self._piece = (self.offset, 0)
        self._piece = (self._piece[0], isal_zlib.crc32(piece, self._piece[1]))
        self._put(piece)

    def end_piece(self, oid: bytes) -> None:
        """End the entry of object ``oid``."""
        assert self._piece is not None
        self.written[oid], self._piece = self._piece, None

    def add_stream(self, blocks: Iterable[bytes | bytearray | memoryview], size: int, expected: bytes | None) -> bytes:
        """Add a blob of exactly ``size`` bytes block by block and return its id.

        Raises :class:`NotStill` when it ends early or is not what was ``expected``, and what ``blocks`` raises; the
        pack is then as it was.
        """
        from isal import isal_zlib

        start = self.offset
        digest, packer, left = blob_hasher(size), isal_zlib.compressobj(LEVEL), size
        self._flush()
        self.add_piece(entry_header(BLOB, size))
        try:
            for block in blocks:
                left -= len(block)
                digest.update(block)
                self.add_piece(packer.compress(block))
        except BaseException:
            self._roll_back(start)
            raise
        self.add_piece(packer.flush())
        oid = digest.digest()
        if left or (expected is not None and oid != expected) or oid in self.written:
            self._roll_back(start)
            if not left and expected in (None, oid):
                return oid
            raise NotStill
        self.end_piece(oid)
        return oid

    def _put(self, piece: bytes) -> None:
        self.offset += len(piece)
        if len(piece) >= _DIRECT:  # copying it costs more than a call
            self._flush()
            with _on_history_disk():
                write_all(self.handle, piece)
            return
        self._buffer += piece
        if len(self._buffer) >= BLOCK:
            self._flush()

    def _flush(self) -> None:
        with _on_history_disk():
            write_all(self.handle, self._buffer)
        self._buffer.clear()
        if self.offset - self._nudged >= _NUDGE:
            self._nudge()

    def _nudge(self) -> None:
        """Let the disk work while the processor does; what it reports is heard at the next nudge or at the end."""
        if self._syncing and not self._syncing.done():
            return
        self._heard()
        if self._helper is None:
            from concurrent.futures import ThreadPoolExecutor  # which a small pack does not need

            self._helper = ThreadPoolExecutor(1, "pack-sync")
        self._nudged = self.offset
        self._syncing = self._helper.submit(sync_data, self.handle)

    def _heard(self) -> None:
        if self._syncing:
            waiting, self._syncing = self._syncing, None
            with _on_history_disk():
                waiting.result()

    def _roll_back(self, offset: int) -> None:
        self._flush()
        with _on_history_disk():
            os.ftruncate(self.handle, offset)
            os.lseek(self.handle, offset, os.SEEK_SET)
        self.offset, self._piece = offset, None

    def finish(self, watch: Watch = QUIET) -> Path | None:
        """Complete the pack and its index, sync both, give them their names; return the pack, None for an empty one.

        Raises :class:`Cancelled` from ``watch``, with nothing of it left.
        """
        if not self.written:
            self.abandon()
            return None
        try:
            return self._finish(watch)
        except BaseException:
            self.abandon()
            raise

    def _finish(self, watch: Watch) -> Path:
        self._flush()
        os.lseek(self.handle, 8, os.SEEK_SET)
        write_all(self.handle, struct.pack(">I", len(self.written)))
        if self.offset > _NUDGE // 8:
            self._heard()
            self._nudge()
        # The count in front is known only now, so the sum over the whole is made by reading it again.
        os.lseek(self.handle, 0, os.SEEK_SET)
        digest = hashlib.sha1(usedforsecurity=False)
        for piece in pieces(self.handle):
            watch.check()
            digest.update(piece)
        self._heard()
        write_all(self.handle, digest.digest())
        sync_file(self.handle)
        self._close()
        target = _new_name()
        index = self.temporary.replace("tmp_pack", "tmp_idx")
        try:
            write_synced(self._place, index, index_data(self.written, digest.digest()))
            self._place.move(self.temporary, f"{target}.pack")
            self._place.move(index, f"{target}.idx")
        finally:
            with contextlib.suppress(OSError):
                self._place.remove(index)
        self._place.sync()
        self._place.close()
        return self.folder / f"{target}.pack"

    def _close(self) -> None:
        if self._helper:
            self._helper.shutdown(wait=True)
            self._helper = None
        if self.handle >= 0:
            handle, self.handle = self.handle, -1
            os.close(handle)

    def abandon(self) -> None:
        """Throw away what was written."""
        with contextlib.suppress(OSError):
            self._close()
        with contextlib.suppress(OSError):
            self._place.remove(self.temporary)
        self._place.close()


def _new_name() -> str:
    """Return the name, without its ending, of a pack: one that no pack ever had.

    The same objects have the same sum, also when they are written anew because the first pack has gone bad. Whoever has
    that one open, doubts it or is about to drop it must not take the new one for it, though the first be gone by then.
    """
    return f"pack-{os.urandom(20).hex()}"


def write_synced(folder: Hold, name: str, data: bytes) -> None:
    """Write a new file and sync it; what an earlier attempt left in its place goes."""
    folder.remove(name)
    handle = folder.new(name, 0o644)
    try:
        write_all(handle, data)
        sync_file(handle)
    finally:
        os.close(handle)


def index_data(written: dict[bytes, tuple[int, int]], pack_sum: bytes) -> bytes:
    """Return a pack index, version 2, from (offset, CRC-32 of the entry) by object id."""
    ordered = sorted(written.items())
    counts = Counter(oid[0] for oid in written)
    fanout = accumulate(counts[first] for first in range(256))
    small: list[int] = []
    large: list[int] = []
    for _, (offset, _) in ordered:
        if offset < 0x80000000:
            small.append(offset)
        else:
            small.append(0x80000000 | len(large))
            large.append(offset)
    count = len(ordered)
    body = b"".join(
        (
            b"\xfftOc",
            struct.pack(">I", 2),
            struct.pack(">256I", *fanout),
            b"".join(oid for oid, _ in ordered),
            struct.pack(f">{count}I", *(crc for _, (_, crc) in ordered)),
            struct.pack(f">{count}I", *small),
            struct.pack(f">{len(large)}Q", *large),
            pack_sum,
        )
    )
    return body + hashlib.sha1(body, usedforsecurity=False).digest()
