"""Copy what one history has to another: whole packs where all of one is missing there, else object by object."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
from pathlib import Path
from typing import Final

from companion.core.hold import Hold
from companion.core.progress import Watch
from companion.core.regular import opened, read_whole
from companion.core.scratch import pieces
from companion.history.store.durable import sync_file
from companion.history.store.pack_scan import index_again
from companion.history.store.pack_writer import write_all, write_synced
from companion.history.store.packs import Pack, Packs, tail
from companion.history.store.place import hold_packs
from companion.history.store.repack import rewrite

_PART: Final = re.compile(r"part-.*\.pack", re.DOTALL)


def copy_packs(ours: Packs, theirs: Packs, watch: Watch) -> int:
    """Copy to ``theirs`` what it lacks, or has damaged; what is damaged in both is left. Return how many bytes."""
    by_pack: dict[Pack, list[bytes]] = {pack: [] for pack in ours.packs}
    for oid, place in ours.places.items():
        if oid not in theirs:
            by_pack[place.pack].append(oid)
    total = sum(ours.packed_size(oid) for missing in by_pack.values() for oid in missing)
    watch.stage("Copying the history", total, "bytes")
    for pack, missing in by_pack.items():
        if not missing or (len(missing) == len(pack.places) and _copy_pack(pack.path, theirs.folder, watch)):
            continue
        whole = [oid for oid in missing if ours.reads_back(oid, watch)]
        if whole:
            rewrite(ours, whole, watch, theirs.folder)
        watch.step(sum(ours.packed_size(oid) for oid in missing))
    with hold_packs(theirs.folder) as folder:
        for name in folder.names():  # of a pack that is no more: all there is has been copied by now
            if _PART.fullmatch(name) and folder.look(f"{name.removesuffix('.pack')}.idx") is None:
                folder.remove(name)
    theirs.refresh(anew=True)
    return total


def copy_unindexed(folder: Path, theirs: Packs, watch: Watch) -> None:
    """Copy packs that no index can be read of, and index the copies: where they lie nothing may be written."""
    for pack in sorted(folder.glob("*.pack")):
        target = theirs.folder / pack.name
        if pack.name.startswith("part-") or pack.is_symlink() or not pack.is_file() or target.exists():
            continue
        index = pack.with_suffix(".idx")
        with contextlib.suppress(OSError, ValueError):
            Pack(pack)
            continue
        part = f"part-{pack.name}"
        with hold_packs(theirs.folder) as place:
            with contextlib.suppress(OSError):
                _copy_on(pack, place, part, watch)
                if index_again(theirs.folder / part, theirs.folder / index.name):
                    place.move(part, pack.name)
                place.sync()
            place.remove(part)
    theirs.refresh(anew=True)


def _copy_pack(pack: Path, folder: Path, watch: Watch) -> bool:
    """Copy one pack and its index; what an earlier attempt copied is used, and the whole is held against its sum.

    Tell whether it was; the pack itself may not match its sum, and one of that name may lie there already, damaged.
    """
    part, index = f"part-{pack.name}", pack.with_suffix(".idx")
    with hold_packs(folder) as place:
        if place.look(pack.name) is not None:
            return False
        for attempt in range(2):
            if _copy_on(pack, place, part, watch) == tail(pack, 20):
                break
            place.remove(part)
            if attempt:
                return False
        write_synced(place, f"part-{index.name}", read_whole(index))
        place.move(part, pack.name)
        place.move(f"part-{index.name}", index.name)
        place.sync()
    return True


def _copy_on(pack: Path, folder: Hold, part: str, watch: Watch) -> bytes:
    """Complete ``part`` and return the SHA-1 over all of the copy but its last 20 bytes, as the copy reads."""
    if not folder.is_file(part):
        folder.remove(part)
    handle = folder.open(part, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        done = os.lseek(handle, 0, os.SEEK_END)
        with opened(pack) as stream:
            stream.seek(done)
            watch.step(done)
            for piece in pieces(stream.fileno()):
                write_all(handle, piece)
                watch.step(len(piece))
        sync_file(handle)
        digest, left = hashlib.sha1(usedforsecurity=False), os.fstat(handle).st_size - 20
        os.lseek(handle, 0, os.SEEK_SET)
        for piece in pieces(handle, max(0, left)):
            digest.update(piece)
        return digest.digest() if os.read(handle, 21) == digest.digest() else b""
    finally:
        os.close(handle)
