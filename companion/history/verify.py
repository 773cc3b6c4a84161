"""Read a history back and weigh it."""

from collections import defaultdict
from collections.abc import Iterator, Sequence

from companion.core import crew
from companion.core.progress import QUIET, Watch
from companion.history.model import Damage, Size, Verified
from companion.history.snapshot import Snapshot
from companion.history.store import hermetic
from companion.history.store.mend import doubt_packs
from companion.history.store.packs import Damaged
from companion.history.store.reach import Reached, reach
from companion.history.store.store import Store


def size(store: Store, watch: Watch) -> Size:
    """Return what the history weighs, and what each snapshot alone does."""
    total = sum(path.stat().st_size for path in store.path.rglob("*") if path.is_file()) if store.path.exists() else 0
    snapshots = store.snapshots()
    alone: dict[int, int] = {one.number: 0 for one in snapshots}
    for oid, number in reach(store, snapshots, watch).owner.items():
        if number:
            alone[number] += store.packs.packed_size(oid)
    return Size(total=total, alone=alone)


def verify(store: Store, watch: Watch) -> Verified:
    """Read every object of every snapshot back and hold it against its id; again when one was forgotten meanwhile."""
    while True:
        named = store.named()
        found = _verified(store, watch)
        if found.whole or store.named() == named:
            return found


def _verified(store: Store, watch: Watch) -> Verified:
    """Read everything back once, in threads.

    Nothing is changed; what does not read back is noted, so that the next snapshot keeps it anew where it still can.
    """
    snapshots = store.snapshots()
    watch.stage("Looking through the snapshots")
    found = reach(store, snapshots, watch)
    wanted = sorted(found.owner, key=lambda oid: store.packs.position(oid.hex()))
    watch.stage("Reading everything back", sum(store.packs.packed_size(oid) for oid in wanted), "bytes")
    damaged, sizes = dict(found.damaged), list[int]()

    def work(given: Iterator[bytes]) -> None:
        for oid in given:
            try:
                sizes.append(store.packs.whole(oid, lambda blocks: sum(map(len, blocks))))
            except Damaged as error:
                damaged[oid] = error.reason
            watch.step(store.packs.packed_size(oid))

    crew.share(wanted, work, crew.processors(), "verify")
    if damaged:  # what lay below a damaged folder was not reached; it is not known to be needed, but it is doubted
        for oid in store.packs.places.keys() - found.owner.keys():
            store.packs.reads_back(oid, watch)
    faults = [fault for fault in (store.named_with_problem()[1], *hermetic.faults(store.path)) if fault]
    faults += doubt_packs(store.packs, watch)
    store.packs.doubts.keep()
    costs = _named(store, found, snapshots, damaged)
    return Verified(
        snapshots=len(snapshots),
        objects=len(wanted),
        bytes=sum(sizes),
        damaged=costs,
        faults=tuple(faults),
        mirror=store.is_mirror,
    )


def _named(
    store: Store, found: Reached, snapshots: Sequence[Snapshot], damaged: dict[bytes, str]
) -> tuple[Damage, ...]:
    """Name the files and snapshots that damaged objects cost."""
    names: dict[bytes, str] = {oid: found.path.get(oid, "") for oid in damaged}
    costs: dict[bytes, list[int]] = defaultdict(list)
    if damaged:
        for snapshot in snapshots:
            ids = {bytes.fromhex(snapshot.id), bytes.fromhex(snapshot.tree)}
            if snapshot.tree:
                alone = Reached(store.packs, QUIET)
                alone.add(snapshot)
                ids = set(alone.owner)
            for oid in damaged.keys() & ids:
                costs[oid].append(snapshot.number)
    return tuple(
        Damage(id=oid.hex(), reason=reason, path=names[oid], snapshots=tuple(sorted(costs[oid])))
        for oid, reason in sorted(damaged.items(), key=lambda item: (names[item[0]], item[0]))
    )
