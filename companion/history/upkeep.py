"""Keep a history in order: read it back, weigh it, forget snapshots and win their space, keep packs few."""

from __future__ import annotations

import contextlib
import shutil
import threading
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final

from companion.core import crew
from companion.core.errors import Cancelled, CompanionError
from companion.core.files import sync_folder
from companion.core.progress import Watch
from companion.history import refs
from companion.history.commits import split_commit
from companion.history.model import FOLDER, Damage, Forgotten, Size, Verified
from companion.history.objects import joined, tree_entries
from companion.history.packing import HistoryDisk, PackWriter
from companion.history.packs import Damaged, Pack, Packs
from companion.history.shelf import Shelf, told
from companion.history.snapshot import Snapshot

MANY_PACKS: Final = 24
SMALL_PACK: Final = 4 << 20
_WORTH: Final = 0.02
"""A pack is rewritten when at least this part of it is not needed; below that, copying costs more than it wins."""


class Reached:
    """Every object the snapshots need: the snapshot that alone needs it, or 0 for several."""

    def __init__(self, packs: Packs, watch: Watch) -> None:
        self._packs, self._watch = packs, watch
        self.owner: dict[bytes, int] = {}
        self.path: dict[bytes, str] = {}
        self.damaged: dict[bytes, str] = {}

    def add(self, snapshot: Snapshot) -> None:
        """Walk one snapshot's trees. What another snapshot reached before is shared from now on."""
        commit, tree = bytes.fromhex(snapshot.id), snapshot.tree
        self._mark(commit, snapshot.number)
        try:
            tree = split_commit(self._packs.read(commit))[0]
        except (Damaged, ValueError) as error:  # what the list remembers of it is all there is
            self.damaged[commit] = getattr(error, "reason", str(error))
        if not tree:
            return
        waiting = [("", bytes.fromhex(tree))]
        while waiting:
            folder, oid = waiting.pop()
            if not self._mark(oid, snapshot.number):
                continue
            self._watch.check()
            self.path.setdefault(oid, folder + "/")
            try:
                entries = list(tree_entries(self._packs.read(oid)))
            except (Damaged, ValueError) as error:
                self.damaged[oid] = getattr(error, "reason", str(error))
                continue
            for entry in entries:
                path = joined(folder, entry.name)
                if entry.mode == FOLDER:
                    waiting.append((path, entry.id))
                elif self._mark(entry.id, snapshot.number):
                    self.path.setdefault(entry.id, path)

    def _mark(self, oid: bytes, number: int) -> bool:
        """Note who needs an object; tell whether what lies below it has to be looked at (again)."""
        before = self.owner.get(oid)
        if before == 0 or before == number:
            return False
        self.owner[oid] = number if before is None else 0
        return True


def reach(shelf: Shelf, snapshots: Iterable[Snapshot], watch: Watch) -> Reached:
    """Return everything that ``snapshots`` need."""
    shelf.packs.refresh()
    found = Reached(shelf.packs, watch)
    for snapshot in snapshots:
        found.add(snapshot)
    return found


def size(shelf: Shelf, watch: Watch) -> Size:
    """Return what the history weighs, and what each snapshot alone does."""
    total = sum(path.stat().st_size for path in shelf.path.rglob("*") if path.is_file()) if shelf.path.exists() else 0
    snapshots = shelf.snapshots()
    alone: dict[int, int] = {one.number: 0 for one in snapshots}
    for oid, number in reach(shelf, snapshots, watch).owner.items():
        if number:
            alone[number] += shelf.packs.packed_size(oid)
    return Size(total=total, alone=alone)


def verify(shelf: Shelf, watch: Watch) -> Verified:
    """Read every object of every snapshot back and hold it against its id; again when one was forgotten meanwhile."""
    while True:
        named = shelf.named()
        found = _verified(shelf, watch)
        if not found.damaged or shelf.named() == named:
            return found


def _verified(shelf: Shelf, watch: Watch) -> Verified:
    """Read everything back once, in threads.

    Nothing is changed; what does not read back is noted, so that the next snapshot keeps it anew where it still can.
    """
    snapshots = shelf.snapshots()
    watch.stage("Looking through the snapshots")
    found = reach(shelf, snapshots, watch)
    wanted = sorted(found.owner, key=lambda oid: shelf.packs.position(oid.hex()))
    watch.stage("Reading everything back", sum(shelf.packs.packed_size(oid) for oid in wanted), "bytes")
    damaged, total, lock = dict(found.damaged), [0], threading.Lock()

    def work(given: Iterator[bytes]) -> None:
        for oid in given:
            try:
                count = shelf.packs.whole(oid, lambda blocks: sum(map(len, blocks)))
                with lock:
                    total[0] += count
            except Damaged as error:
                damaged[oid] = error.reason
            watch.step(shelf.packs.packed_size(oid))

    crew.share(wanted, work, crew.processors(), "verify")
    if damaged:  # what lay below a damaged folder was not reached; it is not known to be needed, but it is doubted
        for oid in shelf.packs.places.keys() - found.owner.keys():
            shelf.packs.reads_back(oid, watch)
    shelf.packs.doubts.keep()
    return Verified(
        snapshots=len(snapshots), objects=len(wanted), bytes=total[0], damaged=_told(shelf, found, snapshots, damaged)
    )


def _told(shelf: Shelf, found: Reached, snapshots: Sequence[Snapshot], damaged: dict[bytes, str]) -> tuple[Damage, ...]:
    """Name the files and snapshots that damaged objects cost."""
    names: dict[bytes, str] = {oid: found.path.get(oid, "") for oid in damaged}
    costs: dict[bytes, list[int]] = defaultdict(list)
    if damaged:
        for snapshot in snapshots:
            ids = {bytes.fromhex(snapshot.id), bytes.fromhex(snapshot.tree)}
            if snapshot.tree:
                alone = Reached(shelf.packs, Watch())
                alone.add(snapshot)
                ids = set(alone.owner)
            for oid in damaged.keys() & ids:
                costs[oid].append(snapshot.number)
    return tuple(
        Damage(id=oid.hex(), reason=reason, path=names[oid], snapshots=tuple(sorted(costs[oid])))
        for oid, reason in sorted(damaged.items(), key=lambda item: (names[item[0]], item[0]))
    )


def forgettable(snapshots: Sequence[Snapshot], keep: int) -> tuple[int, ...]:
    """Return which snapshots may go unasked: taken without a label of the maker's, not released, not of the newest."""
    return tuple(one.number for one in snapshots[keep:] if one.kind in ("before-restore", "due") and not one.version)


def forget(shelf: Shelf, numbers: Iterable[int], released: bool, watch: Watch) -> Forgotten:
    """Forget snapshots and win back what only they held. Released ones only when ``released`` says so."""
    gone = set(numbers)
    with shelf.writing("forgetting snapshots"):
        for snapshot in map(shelf.snapshot_or_stub, sorted(gone)):
            if snapshot.version and not released:
                raise CompanionError(
                    f"Snapshot {snapshot.number} is what version {snapshot.version} was made of",
                    "",
                    "it is kept; say that released ones may go too if you mean it",
                )
        before = _weight(shelf.pack_folder)
        found = shelf.named()
        with told("forget snapshots", shelf.path):
            refs.keep_last_number(shelf.path, found.snapshots)
            left = [one for one in shelf.snapshots() if one.number not in gone]
            if not all(one.tree for one in left):
                raise CompanionError("A snapshot is damaged", str(shelf.path), "verify the history, then try again")
            # What is still needed is worked out first: damage found now must not cost anything more.
            needed = reach(shelf, left, watch)
            refs.write(shelf.path, found.without(gone))
            try:
                remark = _sweep(shelf, needed, watch)
            except Cancelled:
                remark = "stopped before all space was won back"
            finally:
                shelf.packs.refresh()
        return Forgotten(
            numbers=tuple(sorted(gone)), bytes_won=max(0, before - _weight(shelf.pack_folder)), remark=remark
        )


def _weight(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.iterdir())


def _sweep(shelf: Shelf, needed: Reached, watch: Watch) -> str:
    """Rewrite or drop packs that hold what nobody needs; return why some of it stayed, if so."""
    if needed.damaged:
        return "the history is damaged, so nothing was removed from disk; verify it"
    packs, remark = shelf.packs, ""
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
            _drop(pack.path)
        elif not all(packs.is_plain(oid) for oid in live):
            remark = "another tool packed this history, so not all space was won back"
        elif weight - kept > max(_WORTH * weight, 4096):
            if kept > shutil.disk_usage(shelf.pack_folder).free:
                return "the disk has no room to rewrite a pack in, so not all space was won back"
            rewrite(packs, live, watch)
            pack.close()
            _drop(pack.path)
    return remark


def rewrite(packs: Packs, objects: Sequence[bytes], watch: Watch, folder: Path | None = None) -> None:
    """Copy entries as they are into a new pack (in another ``folder``). The old packs are untouched."""
    writer = PackWriter(folder or packs.folder)
    try:
        for oid in sorted(objects, key=lambda one: packs.position(one.hex())):
            place = packs.places[oid]
            for piece in packs.raw_pieces(place):
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


def _drop(pack: Path) -> None:
    """Remove a pack: its index first, for a pack without one is cleared by the next writer anyway."""
    # Windows refuses while another process reads it; the next sweep tries again.
    with contextlib.suppress(OSError):
        pack.with_suffix(".idx").unlink(missing_ok=True)
        pack.unlink(missing_ok=True)
        sync_folder(pack.parent)


def merge_small(shelf: Shelf) -> None:
    """Put many small packs into one, so that looking an object up stays cheap after hundreds of snapshots."""
    packs = shelf.packs
    small = [pack for pack in packs.packs if pack.path.stat().st_size <= SMALL_PACK]
    if len(small) <= MANY_PACKS:
        return
    chosen = set(small)
    merged = [oid for oid, place in packs.places.items() if place.pack in chosen]
    if not all(packs.is_plain(oid) for oid in merged):
        return
    with contextlib.suppress(HistoryDisk):
        rewrite(packs, merged, Watch())
        for pack in small:
            pack.close()
            _drop(pack.path)
        packs.refresh()
