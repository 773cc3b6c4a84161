"""Find the objects in a pack that has no index, or no longer one that can be read, and write it a new one."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO, Final, NamedTuple

from companion.core.files import BLOCK
from companion.core.regular import buffered
from companion.history.store import deltas
from companion.history.store.objects import NAMES, hasher, object_id
from companion.history.store.pack_writer import index_data, write_synced
from companion.history.store.packs import entry_start
from companion.history.store.place import hold_packs

_HEAD: Final = 64
_OF_OURS: Final = re.compile(r"tmp_(?:pack|idx)_[0-9a-f]{16}|tmp_pack-[0-9a-f]{40}\.idx")


class _Entry(NamedTuple):
    kind: int
    size: int
    stream: int
    end: int
    oid: bytes
    base: int | bytes


def index_again(pack: Path, index: Path) -> bool:
    """Write ``index`` for ``pack``; tell whether there was anything to write.

    Everything up to the first place that does not unpack is found, so that damage costs what lies behind it and no
    more. Raises OSError.
    """
    with buffered(pack) as stream:
        size = os.fstat(stream.fileno()).st_size
        head = stream.read(12)
        if head[:8] != b"PACK\0\0\0\2" or len(head) < 12:
            return False
        entries: dict[int, _Entry] = {}
        at = 12
        for _ in range(struct.unpack(">I", head[8:])[0]):
            try:
                entries[at] = found = _entry(stream, at, size - 20)
            except (ValueError, IndexError, zlib.error):
                break
            at = found.end
        ids = _ids(stream, entries)
        written = {oid: (start, _crc(stream, start, entries[start].end)) for start, oid in ids.items()}
        stream.seek(-20, os.SEEK_END)
        total = stream.read(20)
    if not written:
        return False
    fresh = f"tmp_{index.name}"
    with hold_packs(index.parent) as folder:
        write_synced(folder, fresh, index_data(written, total))
        folder.move(fresh, index.name)
        folder.sync()
    return True


def _entry(stream: BinaryIO, start: int, most: int) -> _Entry:
    """Read the entry at ``start`` to its end. Raises ValueError, IndexError or zlib.error where there is none."""
    stream.seek(start)
    head = stream.read(_HEAD)
    kind, size, at = entry_start(head)
    base: int | bytes = 0
    if kind == deltas.OFFSET_DELTA:
        back, at = deltas.distance(head, at)
        base = start - back
    elif kind == deltas.NAMED_DELTA:
        base, at = head[at : at + 20], at + 20
    elif kind not in NAMES:
        raise ValueError("no entry of a pack")
    digest, total = hasher(kind, size) if kind in NAMES else hashlib.sha1(usedforsecurity=False), 0

    def count(block: bytes) -> None:
        nonlocal total
        total += len(block)
        digest.update(block)
        if total > size:
            raise ValueError("the entry is longer than it says")

    end = _inflated(stream, start + at, count)
    if total != size or end > most:
        raise ValueError("the entry does not add up")
    return _Entry(kind, size, start + at, end, digest.digest(), base)


def _inflated(stream: BinaryIO, at: int, use: Callable[[bytes], None]) -> int:
    """Unpack the stream that begins at ``at`` and return where it ends."""
    stream.seek(at)
    unpacker = zlib.decompressobj()
    while not unpacker.eof:
        packed = stream.read(BLOCK)
        if not packed:
            raise ValueError("the pack ends early")
        at += len(packed)
        while packed and not unpacker.eof:
            use(unpacker.decompress(packed, BLOCK))
            packed = unpacker.unconsumed_tail
    return at - len(unpacker.unused_data)


def _ids(stream: BinaryIO, entries: dict[int, _Entry]) -> dict[int, bytes]:
    """Return the object ids by where they begin; differences to what is not in this pack are passed over."""
    ids = {start: one.oid for start, one in entries.items() if one.kind in NAMES}
    waiting = [start for start in entries if start not in ids]
    while waiting:
        starts = {oid: start for start, oid in ids.items()}
        left = []
        for start in waiting:
            base = entries[start].base
            under = base if isinstance(base, int) else starts.get(base, -1)
            if under not in ids:
                left.append(start)
                continue
            try:
                ids[start] = object_id(*_content(stream, entries, starts, start))
            except (ValueError, zlib.error):
                continue
        if len(left) == len(waiting):
            break
        waiting = left
    return ids


def _content(stream: BinaryIO, entries: dict[int, _Entry], starts: dict[bytes, int], start: int) -> tuple[int, bytes]:
    steps = []
    one = entries[start]
    while one.kind not in NAMES:
        if one.size > deltas.MOST:
            raise ValueError("the difference is too large")
        steps.append(_data(stream, one))
        one = entries[one.base if isinstance(one.base, int) else starts[one.base]]
    if one.size > deltas.MOST:
        raise ValueError("its base is too large")
    data = _data(stream, one)
    for step in reversed(steps):
        data = deltas.applied(data, step)
    return one.kind, data


def _data(stream: BinaryIO, one: _Entry) -> bytes:
    parts: list[bytes] = []
    _inflated(stream, one.stream, parts.append)
    return b"".join(parts)


def _crc(stream: BinaryIO, start: int, end: int) -> int:
    stream.seek(start)
    found = 0
    while start < end and (block := stream.read(min(BLOCK, end - start))):
        found = zlib.crc32(block, found)
        start += len(block)
    return found


def clear_leftovers(folder: Path, *, shared: bool = False) -> list[Path]:
    """Remove the unfinished packs a dead writer left; return the finished ones that have no index (yet).

    shared: git may be at work there too, so that only what has a name as we give them is removed.
    """
    orphans = []
    with hold_packs(folder) as place:
        for path in map(folder.joinpath, place.names()):
            ours = path.name.startswith("tmp_") and (not shared or _OF_OURS.fullmatch(path.name))
            if ours or (path.name.startswith("part-") and path.suffix == ".idx"):
                with contextlib.suppress(OSError):
                    place.remove(path.name)
            elif path.suffix == ".pack" and not path.name.startswith("part-") and not path.with_suffix(".idx").exists():
                orphans.append(path)
    return orphans
