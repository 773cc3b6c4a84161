"""Which objects the snapshots need, and which of them cannot be read."""

from collections.abc import Iterable

from companion.core.progress import Watch
from companion.history.snapshot import Snapshot
from companion.history.store.commits import split_commit
from companion.history.store.objects import FOLDER, joined, tree_entries
from companion.history.store.packs import Damaged, Packs
from companion.history.store.store import Store


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


def broken(packs: Packs, snapshots: Iterable[Snapshot], watch: Watch) -> dict[int, set[bytes]]:
    """Return the snapshots of which something is missing or known to be damaged: the objects, by number.

    What a pack that matches its sum holds is taken for whole and not read; folders and snapshots are read.
    """
    found = {}
    for snapshot in snapshots:
        watch.check()
        alone = Reached(packs, watch)
        alone.add(snapshot)
        if lost := {oid for oid in alone.owner if oid not in packs} | alone.damaged.keys():
            found[snapshot.number] = lost
    return found


def reach(store: Store, snapshots: Iterable[Snapshot], watch: Watch) -> Reached:
    """Return everything that ``snapshots`` need."""
    store.packs.refresh()
    found = Reached(store.packs, watch)
    for snapshot in snapshots:
        found.add(snapshot)
    return found
