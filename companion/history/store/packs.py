"""Read objects out of the history's packs, verified against their ids."""

from __future__ import annotations

import contextlib
import hashlib
import os
import struct
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, NamedTuple, TypeVar

from companion.core.errors import CompanionError
from companion.core.files import BLOCK
from companion.core.progress import QUIET, Watch
from companion.core.regular import handle_of, opened, read_whole
from companion.core.scratch import Scratch
from companion.history.store import deltas
from companion.history.store.doubts import Doubts
from companion.history.store.objects import NAMES, hasher, object_id
from companion.history.store.streams import Inflater, Inflation, inflated

Used = TypeVar("Used")

INDEX_MARK: Final = b"\xfftOc\0\0\0\2"
SMALL: Final = 8 << 20
"""Objects of up to this many bytes are handled in memory, larger ones stream: two threads hold 32 MB at most."""


class Damaged(CompanionError):
    """An object of the history cannot be read back; everything else can."""

    def __init__(self, oid: bytes, reason: str) -> None:
        super().__init__(
            f"A part of the history is damaged: {reason}",
            f"object {oid.hex()}",
            "take that file from a mirror or another snapshot",
        )
        self.reason = reason


class Place(NamedTuple):
    """Where an object lies: in which pack, from which byte to which."""

    pack: Pack
    start: int
    end: int


class Pack:
    """One pack and where each object lies in it. Read from several threads; closed when nobody needs it any more."""

    def __init__(self, path: Path) -> None:
        """Read the index beside ``path``. Raises OSError or ValueError where it cannot be used."""
        self.path = path
        self.handle = -1  # before anything is refused: closing looks at it
        self.lock = threading.Lock()
        if not path.is_file():
            raise ValueError("no file")
        ids, offsets = read_index(path.with_suffix(".idx"))
        starts = sorted(offsets)
        end = path.stat().st_size - 20
        if starts and not 12 <= starts[0] <= starts[-1] < end:
            raise ValueError("the pack index does not fit its pack")
        self.ends = dict(zip(starts, [*starts[1:], end], strict=False))
        self.places = {oid: Place(self, start, self.ends[start]) for oid, start in zip(ids, offsets, strict=True)}

    def __del__(self) -> None:
        self.close()

    def there(self) -> bool:
        """Whether the pack can be read: it is open, or still has its name."""
        return self.handle >= 0 or self.path.exists()

    def read(self, start: int, count: int) -> bytes:
        with self.lock:
            if self.handle < 0:
                self.handle = handle_of(self.path)
            if (at_once := getattr(os, "pread", None)) is None:  # Windows: two calls, which nothing may come between
                os.lseek(self.handle, start, os.SEEK_SET)
                return os.read(self.handle, count)
        return bytes(at_once(self.handle, count, start))

    def read_into(self, start: int, buffer: memoryview) -> int:
        """Fill ``buffer`` and return how many bytes there were: memory that is used again need not be cleared again."""
        if (at_once := getattr(os, "preadv", None)) is None:
            data = self.read(start, len(buffer))
            buffer[: len(data)] = data
            return len(data)
        self.read(start, 0)
        return int(at_once(self.handle, [buffer], start))

    def close(self) -> None:
        with self.lock:
            if self.handle >= 0:
                os.close(self.handle)
                self.handle = -1


def tail(path: Path, count: int) -> bytes:
    """Return the last bytes of a file. Raises OSError, also where there are not as many."""
    with opened(path) as stream:
        stream.seek(-count, os.SEEK_END)
        return stream.read()


def read_index(path: Path) -> tuple[list[bytes], list[int]]:
    """Return ids and offsets of a pack index, version 2. Raises ValueError or OSError where it cannot be read."""
    data = read_whole(path)
    if data[:8] != INDEX_MARK or len(data) < 8 + 1024 + 40:
        raise ValueError("not a pack index of version 2")
    if hashlib.sha1(memoryview(data)[:-20], usedforsecurity=False).digest() != data[-20:]:
        raise ValueError("the pack index is damaged")
    count = struct.unpack_from(">I", data, 8 + 1020)[0]
    at = 8 + 1024
    if len(data) < at + count * 28 + 40:
        raise ValueError("the pack index ends early")
    ids = [data[i : i + 20] for i in range(at, at + 20 * count, 20)]
    offsets = list(struct.unpack_from(f">{count}I", data, at + 24 * count))
    large = at + 28 * count
    for i, offset in enumerate(offsets):
        if offset & 0x80000000:
            offsets[i] = struct.unpack_from(">Q", data, large + 8 * (offset & 0x7FFFFFFF))[0]
    return ids, offsets


def entry_start(head: bytes) -> tuple[int, int, int]:
    """Return type, size and length of an entry's own header, of which at most 16 bytes are looked at."""
    kind, size, shift, at = (head[0] >> 4) & 7, head[0] & 15, 4, 1
    while head[at - 1] & 0x80 and at < min(len(head), 16):
        size |= (head[at] & 0x7F) << shift
        shift, at = shift + 7, at + 1
    return kind, size, at


class Packs:
    """The objects of one history. Safe to read from several threads. ``foreign`` reads what our writer never makes.

    A copy that does not read back is doubted: the object is then taken from another pack, and where there is none it
    counts as not in the history (``in``), so that the next snapshot of a file that still holds it keeps it anew.
    """

    def __init__(self, folder: Path, foreign: Callable[[bytes], bytes | None] = lambda _oid: None) -> None:
        self.folder = folder
        self._foreign = foreign
        self._scratch = Scratch(1 << 20)
        self._refreshing = threading.Lock()
        self._by_name: dict[str, Pack] = {}
        self.unreadable: list[str] = []
        """Names of indexes that cannot be used, in order."""
        self.places: dict[bytes, Place] = {}
        self.doubts = Doubts(folder)
        self._lost: frozenset[bytes] = frozenset()
        self.refresh()

    @property
    def packs(self) -> list[Pack]:
        """The packs there are, by name."""
        return [self._by_name[name] for name in sorted(self._by_name)]

    def refresh(self, anew: bool = False) -> bool:
        """Look for packs made or removed since; tell whether there were any. Packs that stay are not read again."""
        try:
            names = {
                name
                for name in os.listdir(self.folder)  # noqa: PTH208
                if name.endswith(".idx") and not name.startswith(("part-", "tmp_"))
            }
        except OSError:
            names = set()
        with self._refreshing:
            fresh = self.doubts.read()
            if names == {*self._by_name, *self.unreadable} and not anew and not fresh:
                return False
            found = {name: pack for name, pack in self._by_name.items() if name in names}
            self.unreadable = []
            for name in sorted(names - found.keys()):
                try:
                    found[name] = Pack((self.folder / name).with_suffix(".pack"))
                except (OSError, ValueError, struct.error):
                    self.unreadable.append(name)
            places: dict[bytes, Place] = {}
            for name in sorted(found):
                places.update(found[name].places)
            lost = {oid for _, oid in self.doubts.all if not self._elsewhere(found, places, oid)}
            # Readers in other threads see the old ones or the new ones, never half of them.
            self._by_name, self.places, self._lost = found, places, frozenset(lost)
        return True

    def misfits(self) -> list[Path]:
        """The packs that can be used, but whose index is not theirs by the sum that stands in both."""
        found = []
        for pack in self.packs:
            index = pack.path.with_suffix(".idx")
            with contextlib.suppress(OSError):
                if tail(index, 40)[:20] != tail(pack.path, 20):
                    found.append(pack.path)
        return found

    def forget_misfits(self, packs: list[Path]) -> None:
        """Have packs read anew whose index has been written again."""
        for path in packs:
            if pack := self._by_name.pop(path.with_suffix(".idx").name, None):
                pack.close()
        self.refresh(anew=True)

    def _elsewhere(self, packs: dict[str, Pack], places: dict[bytes, Place], oid: bytes) -> bool:
        """Have an object taken from a pack in which it is not doubted; tell whether there is any."""
        for name, pack in packs.items():
            if oid in pack.places and (name, oid) not in self.doubts.all:
                places[oid] = pack.places[oid]
                return True
        return False

    def doubt(self, oid: bytes) -> bool:
        """Note that an object did not read back from where it was found; tell whether there is another copy."""
        place = self.places.get(oid)
        if place and not place.pack.there():  # another process has rewritten that pack
            return self.refresh() and oid in self
        with self._refreshing:
            if (place := self.places.get(oid)) is None:
                return False
            self.doubts.add(place.pack.path.with_suffix(".idx").name, oid)
            if self._elsewhere(self._by_name, self.places, oid):
                return True
            self._lost |= {oid}
        return False

    def reads_back(self, oid: bytes, watch: Watch = QUIET) -> bool:
        """Tell whether an object can be read; what cannot is doubted."""
        try:
            self.whole(oid, lambda blocks: sum(map(len, blocks)), watch)
        except Damaged:
            return False
        return True

    def close(self) -> None:
        """Let go of the files."""
        for pack in self.packs:
            pack.close()

    def __contains__(self, oid: bytes) -> bool:
        return oid in self.places and oid not in self._lost

    def _place(self, oid: bytes) -> Place | None:
        """Where an object lies, looked up again when its pack is gone: another process may have rewritten it."""
        place = self.places.get(oid)
        if (place is None or not place.pack.there()) and self.refresh():
            place = self.places.get(oid)
        return place

    def position(self, blob: str) -> tuple[str, int]:
        """Where an object lies, for reading many in the order the disk has them."""
        place = self.places.get(bytes.fromhex(blob))
        return (place.pack.path.name, place.start) if place else ("", 0)

    def packed_size(self, oid: bytes) -> int:
        """Bytes the object takes on disk; 0 when it is in no pack."""
        place = self.places.get(oid)
        return place.end - place.start if place else 0

    def raw_pieces(self, place: Place) -> Iterator[bytes]:
        """Yield an entry piece by piece as it lies in the pack."""
        at = place.start
        while at < place.end:
            piece = place.pack.read(at, min(BLOCK, place.end - at))
            if not piece:
                raise CompanionError("A pack ends early", str(place.pack.path), "verify the history")
            at += len(piece)
            yield piece

    def header(self, oid: bytes) -> tuple[int, int, Place, int]:
        """Return type, size, place and the length of the entry's own header. Raises :class:`Damaged`."""
        place = self._place(oid)
        if place is None:
            raise Damaged(oid, "it is in none of the packs")
        try:
            head = place.pack.read(place.start, 16)
        except OSError as error:
            raise Damaged(oid, f"the pack cannot be read ({error.strerror})") from error
        if not head:
            raise Damaged(oid, "the pack ends before it")
        kind, size, at = entry_start(head)
        return kind, size, place, at

    def kind(self, oid: bytes) -> int:
        """Return the type number of an object. Raises :class:`Damaged`."""
        kind, _, place, _ = self.header(oid)
        return kind if kind in NAMES else self._from_difference(oid, place)[0]

    def is_plain(self, oid: bytes) -> bool:
        """Tell whether an object lies there whole, as our writer writes them, and not as a difference to another."""
        try:
            return self.header(oid)[0] in NAMES
        except Damaged:
            return False

    def size(self, oid: bytes) -> int:
        """Return an object's size in bytes."""
        kind, size, _, _ = self.header(oid)
        return size if kind in NAMES else len(self.read(oid))

    def read(self, oid: bytes) -> bytes:
        """Return an object's content, verified against its id. Raises :class:`Damaged`."""
        return self.whole(oid, b"".join)

    def whole(self, oid: bytes, use: Callable[[Iterator[bytes | bytearray]], Used], watch: Watch = QUIET) -> Used:
        """Return what ``use`` makes of an object's blocks, from whichever copy of it is whole.

        A copy that turns out damaged is doubted, and ``use`` begins anew with the next. Raises :class:`Damaged` when
        there is none, and :class:`Cancelled`.
        """
        while True:
            try:
                return use(self._checked(oid, watch))
            except Damaged:
                if not self.doubt(oid):
                    raise

    def _checked(self, oid: bytes, watch: Watch) -> Iterator[bytes | bytearray]:
        for block in self._blocks(oid):
            watch.check()
            yield block

    def _blocks(self, oid: bytes) -> Iterator[bytes | bytearray]:
        """Yield one copy's content in blocks; raise :class:`Damaged` after the last one at the latest."""
        if not self._place(oid):  # a loose object, where another tool was here
            data = self._foreign(oid)
            if data is None:
                raise Damaged(oid, "it is in none of the packs")
            yield data
            return
        kind, size, place, skip = self.header(oid)
        if kind not in NAMES:
            kind, data = self._from_difference(oid, place)
            if object_id(kind, data) != oid:
                raise Damaged(oid, "its content is not what it was")
            yield data
            return
        digest, total = hasher(kind, size), 0
        try:
            for block in self._inflated(place, skip, size):
                total += len(block)
                digest.update(block)
                yield block
        except (Inflation, OSError) as error:
            raise Damaged(oid, f"it cannot be unpacked ({error})") from error
        if total != size or digest.digest() != oid:
            raise Damaged(oid, "its content is not what it was")

    def _from_difference(self, oid: bytes, place: Place) -> tuple[int, bytes]:
        """Return type and content of what another tool packed as a difference to another object, or to several."""
        waiting: list[bytes] = []
        seen: set[Place] = set()
        try:
            while place not in seen:
                seen.add(place)
                head = place.pack.read(place.start, 64)
                kind, size, at = entry_start(head)
                if size > deltas.MOST:
                    raise ValueError("the difference is too large")
                base: Place | None = None
                if kind == deltas.OFFSET_DELTA:
                    back, at = deltas.distance(head, at)
                    start = place.start - back
                    base = Place(place.pack, start, place.pack.ends[start])
                elif kind == deltas.NAMED_DELTA:
                    base, at = self.places[head[at : at + 20]], at + 20
                elif kind not in NAMES:
                    raise ValueError("there is no such kind of entry")
                data = b"".join(self._inflated(place, at, size))
                if base is None:
                    for delta in reversed(waiting):
                        data = deltas.applied(data, delta)
                    return kind, data
                waiting.append(data)
                place = base
            raise ValueError("a difference to itself")
        except (ValueError, LookupError, Inflation, OSError) as error:
            raise Damaged(oid, f"it cannot be put together ({error})") from error

    def _inflated(self, place: Place, skip: int, size: int) -> Iterator[bytes | bytearray]:
        pack, at = place.pack, place.start + skip
        if size <= SMALL and place.end - at <= SMALL + (1 << 20):
            buffer = self._scratch.take(place.end - at)
            yield inflated(buffer[: pack.read_into(at, buffer)], size)
            return
        unpacker = Inflater()
        while at < place.end and not unpacker.ended:
            packed = pack.read(at, min(BLOCK // 2, place.end - at))
            if not packed:
                return
            at += len(packed)
            yield from unpacker.feed(packed)
