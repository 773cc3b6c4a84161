"""Packs that no longer match their sums: found, and put together anew from what in them is whole."""

from __future__ import annotations

import contextlib
import hashlib
import struct
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Final

from companion.core import crew
from companion.core.errors import CompanionError
from companion.core.files import BLOCK
from companion.core.progress import QUIET, Watch
from companion.core.regular import read_whole
from companion.history.snapshot import Snapshot
from companion.history.store.pack_writer import PackWriter
from companion.history.store.packs import SMALL, Pack, Packs, read_index
from companion.history.store.reach import Reached
from companion.history.store.repack import drop
from companion.history.store.store import Store

EMPTY_PACK: Final = 32
"""Bytes of a pack that holds nothing: what stands in front, and its sum."""
FRAME: Final = bytes(20)
"""Doubted in place of an object: the pack as a whole, of which its own sum is not the sum."""


def pack_fault(pack: Pack, watch: Watch = QUIET) -> str:
    """Return what is wrong with a pack as a file, read from end to end; nothing for one that is as it was written."""
    try:
        end = pack.path.stat().st_size - 20
        head, at, digest = pack.read(0, 12), 0, hashlib.sha1(usedforsecurity=False)
        while at < end:
            block = pack.read(at, min(BLOCK, end - at))
            if not block:
                return "it ends early"
            digest.update(block)
            at += len(block)
            watch.step(len(block))
        total = pack.read(end, 20)
        index = read_whole(pack.path.with_suffix(".idx"))
    except OSError as error:
        return f"it cannot be read ({error.strerror})"
    if head != b"PACK" + struct.pack(">II", 2, len(pack.places)) or digest.digest() != total:
        return "it does not match its sum"
    return "" if index[-40:-20] == total else "its index is another pack's"


def size_of(path: Path) -> int:
    """Return the size of a file; 0 where there is none by now."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


def doubt_packs(packs: Packs, watch: Watch) -> tuple[str, ...]:
    """Read every pack from end to end; doubt those that do not match their sums, and return what is wrong with them."""
    found: list[str] = []
    watch.stage("Reading the packs", sum(size_of(pack.path) for pack in packs.packs), "bytes")

    def work(given: Iterator[Pack]) -> None:
        for pack in given:
            if fault := pack_fault(pack, watch):
                if not pack.there() or not pack.path.exists():
                    continue  # another process has rewritten it
                packs.doubts.add(pack.path.with_suffix(".idx").name, FRAME)
                found.append(f"{pack.path.name}: {fault}")

    crew.share(packs.packs, work, crew.processors(), "verify-packs")
    found += [f"{name}: it cannot be used" for name in packs.unreadable]
    return tuple(sorted(found))


def remake(packs: Packs, snapshots: Sequence[Snapshot], watch: Watch = QUIET) -> None:
    """Write anew what is whole of doubted packs, and drop those of which nothing is lost by that.

    A pack that holds the only copy of something that is needed and cannot be read stays where it is. Raises OSError and
    :class:`CompanionError`; nothing is dropped then that is not elsewhere.
    """
    bad = [pack for pack in packs.packs if (pack.path.with_suffix(".idx").name, FRAME) in packs.doubts.all]
    if not bad and not packs.unreadable:
        return
    needed = Reached(packs, watch)
    for snapshot in snapshots:
        needed.add(snapshot)
    for pack in bad:
        readable = {oid for oid in pack.places if packs.reads_back(oid, watch)}
        lost = pack.places.keys() - readable
        if needed.damaged or lost & needed.owner.keys():
            continue
        kept = [oid for oid in readable if packs.places[oid].pack is pack]
        if kept:
            write_anew(packs, kept, watch)
        pack.close()
        drop(pack.path)
        packs.refresh()
    for name in packs.unreadable:
        if not needed.damaged and not _may_hold(packs, packs.folder / name, needed):
            drop((packs.folder / name).with_suffix(".pack"))
    packs.refresh()


def _may_hold(packs: Packs, index: Path, needed: Reached) -> bool:
    """Tell whether a pack that cannot be used may yet hold something needed that is nowhere else."""
    pack = index.with_suffix(".pack")
    if not pack.exists() or pack.stat().st_size <= EMPTY_PACK:
        return False
    try:
        return any(oid in needed.owner and oid not in packs for oid in read_index(index)[0])
    except (OSError, ValueError, struct.error):
        return True


def write_anew(packs: Packs, objects: Sequence[bytes], watch: Watch) -> None:
    """Write objects into a new pack from their contents: not as they lie there, where only the content may be whole."""
    writer = PackWriter(packs.folder)
    try:
        for oid in sorted(objects, key=lambda one: packs.position(one.hex())):
            watch.check()
            size, kind = packs.size(oid), packs.kind(oid)
            if size <= SMALL:
                writer.add(kind, packs.read(oid), oid)
            else:
                packs.whole(oid, partial(_add, writer, size, oid))
        writer.finish()
    except BaseException:
        writer.abandon()
        raise


def _add(writer: PackWriter, size: int, oid: bytes, blocks: Iterator[bytes | bytearray]) -> bytes:
    return writer.add_stream(blocks, size, oid)


def tidy(store: Store) -> None:
    """Remake doubted packs as far as the disk lets; what is not done now is tried again with the next snapshot."""
    if store.packs.doubts.all or store.packs.unreadable:
        with contextlib.suppress(CompanionError, OSError):
            remake(store.packs, store.snapshots())
