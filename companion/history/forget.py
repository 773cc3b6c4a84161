"""Forget snapshots and win back the space that only they took."""

import shutil
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from companion.core.errors import Cancelled, CompanionError
from companion.core.files import explained
from companion.core.progress import Watch
from companion.history.model import Forgotten
from companion.history.store.packs import Pack
from companion.history.store.reach import Reached, reach
from companion.history.store.repack import drop, rewrite
from companion.history.store.store import Store

_WORTH: Final = 0.02
"""A pack is rewritten when at least this part of it is not needed; below that, copying costs more than it wins."""


def forget(store: Store, numbers: Iterable[int], released: bool, watch: Watch) -> Forgotten:
    """Forget snapshots and win back what only they held. Released ones only when ``released`` says so."""
    gone = set(numbers)
    with store.writing("forgetting snapshots"):
        for snapshot in map(store.snapshot_or_stub, sorted(gone)):
            if snapshot.version and not released:
                raise CompanionError(
                    f"Snapshot {snapshot.number} is what version {snapshot.version} was made of",
                    "",
                    "it is kept; allow released ones to go if you mean it",
                )
        before = _weight(store.pack_folder)
        found = store.named()
        with explained("forget snapshots", store.path):
            left = [one for one in store.snapshots() if one.number not in gone]
            if not all(one.tree for one in left):
                raise CompanionError("A snapshot is damaged", str(store.path), "verify the history, then try again")
            # What is still needed is worked out first: damage found now must not cost anything more.
            needed = reach(store, left, watch)
            store.name(found.without(gone))
            try:
                remark = _sweep(store, needed, watch)
            except Cancelled:
                remark = "stopped before all space was won back"
            finally:
                store.packs.refresh()
        return Forgotten(
            numbers=tuple(sorted(gone)), bytes_won=max(0, before - _weight(store.pack_folder)), remark=remark
        )


def _weight(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.iterdir())


def _sweep(store: Store, needed: Reached, watch: Watch) -> str:
    """Rewrite or drop packs that hold what nobody needs; return why some of it stayed, if so."""
    if needed.damaged:
        return "the history is damaged, so nothing was removed from disk; verify it"
    packs, remark = store.packs, ""
    by_pack: dict[Pack, list[bytes]] = defaultdict(list)
    for oid, place in packs.places.items():
        if oid in needed.owner:
            by_pack[place.pack].append(oid)
    for pack in packs.packs:
        watch.check()
        live = by_pack.get(pack, [])
        weight = pack.path.stat().st_size
        kept = sum(packs.packed_size(oid) for oid in live)
        if not live:
            drop(pack.path)
        elif weight - kept > max(_WORTH * weight, 4096):
            if kept > shutil.disk_usage(store.pack_folder).free:
                return "the disk has no room to rewrite a pack in, so not all space was won back"
            rewrite(packs, live, watch)
            pack.close()
            drop(pack.path)
    return remark
