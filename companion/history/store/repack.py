"""Copy objects from pack to pack as they lie there: to leave some out, or to have few packs."""

import contextlib
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from companion.core.progress import QUIET, Watch
from companion.history.store.pack_writer import HistoryDisk, PackWriter
from companion.history.store.packs import Packs
from companion.history.store.place import hold_packs

MANY_PACKS: Final = 24
SMALL_PACK: Final = 4 << 20


def rewrite(packs: Packs, objects: Sequence[bytes], watch: Watch, folder: Path | None = None) -> None:
    """Copy entries as they are into a new pack (in another ``folder``). The old packs are untouched."""
    writer = PackWriter(folder or packs.folder)
    try:
        for oid in sorted(objects, key=lambda one: packs.position(one.hex())):
            if not packs.is_plain(oid):  # a difference to another object, which may not come along
                writer.add(packs.kind(oid), packs.read(oid), oid)
                continue
            for piece in packs.raw_pieces(packs.places[oid]):
                watch.check()
                writer.add_piece(piece)
            writer.end_piece(oid)
        written = writer.finish()
    except BaseException:
        writer.abandon()
        raise
    if written and folder is None:  # what was doubted there is no better here
        for oid in objects:
            if oid not in packs:
                packs.doubts.add(written.with_suffix(".idx").name, oid)


def drop(pack: Path) -> None:
    """Remove a pack: its index first, for a pack without one is cleared by the next writer anyway."""
    # Windows refuses while another process reads it; the next sweep tries again.
    with contextlib.suppress(OSError), hold_packs(pack.parent) as folder:
        folder.remove(pack.with_suffix(".idx").name)
        folder.remove(pack.name)
        folder.sync()


def merge_small(packs: Packs) -> None:
    """Put many small packs into one, so that looking an object up stays cheap after hundreds of snapshots."""
    small = [pack for pack in packs.packs if pack.path.stat().st_size <= SMALL_PACK]
    if len(small) <= MANY_PACKS:
        return
    chosen = set(small)
    merged = [oid for oid, place in packs.places.items() if place.pack in chosen]
    if not all(packs.is_plain(oid) for oid in merged):
        return
    with contextlib.suppress(HistoryDisk):
        rewrite(packs, merged, QUIET)
        for pack in small:
            pack.close()
            drop(pack.path)
        packs.refresh()
