"""The part of a workshop that keeps snapshots: takes, lists, compares and brings them back."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from companion.core.cache import Table
from companion.core.errors import Cancelled, CompanionError
from companion.core.progress import QUIET, Watch
from companion.steps.deeds.folder import OpenFolder

if TYPE_CHECKING:
    from companion.history.model import Adopted, Forgotten, Mirrored, Restored, Size, Verified
    from companion.history.snapshot import Snapshot
    from companion.steps.account.changes import Changes, Preview
    from companion.steps.account.moved import Moved


class Snapshots(OpenFolder):
    """Snapshots of one folder. A workshop is one of these; every method may raise :class:`CompanionError`."""

    def snapshot(self, label: str, watch: Watch = QUIET, kind: str = "asked") -> Snapshot:
        """Keep the folder as it is now."""
        with self.history as history:
            return history.take(label, kind=kind, watch=watch)

    def snapshots(self) -> list[Snapshot]:
        """Return the snapshots, newest first."""
        from companion.history.listing import snapshots

        return [] if self.history_problem(looking=True) else snapshots(self.places.folder)

    def compare(self, a: int, b: int | None = None, watch: Watch = QUIET) -> Changes:
        """Return what changed from snapshot ``a`` to ``b``, or to the folder as it is, in the maker's terms."""
        from companion.steps.account.changes import changes_of

        with self.history as history:
            return changes_of(history.compare(a, b, watch=watch), history, self.facts, self.cache, watch)

    def preview(self, number: int, watch: Watch = QUIET) -> Preview:
        """Return what bringing back a snapshot would do; nothing is touched."""
        from companion.history.restore import unread
        from companion.steps.account.changes import changes_of, preview_of

        with self.history as history:
            found = history.compare(number, None, watch=watch)
            changes = changes_of(found, history, self.facts, self.cache, watch)
            return preview_of(found, changes, unread(history.snapshot(number)))

    def restore(
        self, number: int, only: Sequence[str] = (), into: Path | None = None, watch: Watch = QUIET
    ) -> Restored:
        """Bring back a snapshot: all of it, some paths, or into another folder. What is there is kept first."""
        from companion.steps.account.unkept import note_restored

        with self.history as history:
            restored = history.restore(number, only=only, into=into, watch=watch)
        if into is None:
            note_restored(self.cache, restored)
            self.reload()
        return restored

    def moves(self, pairs: Sequence[tuple[str, str]], watch: Watch = QUIET) -> dict[tuple[str, str], Moved | None]:
        """Return how far each tree moved from another, by (before, after); None where a history is damaged there.

        What was worked out once is remembered; a folder of the two that did not change is never opened.
        """
        from companion.contents.kinds import kinds_by
        from companion.history.store.store import Store
        from companion.history.store.trees import differing
        from companion.steps.account.moved import Moved, moved_by

        table = Table(self.cache, "tree-pairs", 1, Moved)
        stated = hashlib.sha256(msgspec.json.encode(self.facts.contents)).digest()
        kind_of = kinds_by(self.facts.contents)
        found: dict[tuple[str, str], Moved | None] = {}
        with contextlib.closing(Store(self.places.folder)) as store:
            for before, after in pairs:
                watch.check()
                key = bytes.fromhex(before + after) + stated
                moved = table.get(key)
                if moved is None:
                    try:
                        differ = differing(store.packs, before, after, watch)
                    except Cancelled:
                        raise
                    except (CompanionError, ValueError):
                        pass  # damaged there: not known
                    else:
                        moved = moved_by(((path, *pair) for path, pair in differ.items()), kind_of)
                        table.put([(key, moved)])
                found[before, after] = moved
        return found

    def history_size(self, watch: Watch = QUIET) -> Size:
        """Return the bytes of the history and those each snapshot alone holds; remembered until one comes or goes."""
        from companion.history.model import Size
        from companion.history.store.snapshot_list import names
        from companion.history.store.store import Store

        if not (named := names(Store(self.places.folder).path)):
            return Size(total=0, alone={})
        key = hashlib.sha256(named).digest()
        table = Table(self.cache, "snapshot-sizes", 1, Size)
        size = table.get(key)
        if size is None:
            with self.history as history:
                size = history.size(watch)
            table.put([(key, size)])
        return size

    def verify_history(self, watch: Watch = QUIET) -> Verified:
        """Read everything in the history back and hold it against its checksums."""
        with self.history as history:
            return history.verify(watch)

    def forget(
        self, numbers: Sequence[int], *, labelled: bool = False, released: bool = False, watch: Watch = QUIET
    ) -> Forgotten:
        """Forget snapshots and win back what only they hold; a labelled or a released one only when that is said."""
        asked = [shot for shot in self.snapshots() if shot.number in numbers and shot.kind == "asked" and shot.label]
        if asked and not labelled:
            raise CompanionError(
                f"Snapshot {asked[0].number} has a label: {asked[0].label}", "", "add --labelled to forget it"
            )
        with self.history as history:
            return history.forget(numbers, released=released, watch=watch)

    def mirror(self, target: str, watch: Watch = QUIET) -> Mirrored:
        """Bring a second copy of the history up to date: a folder, or the address of any git repository."""
        with self.history as history:
            return history.mirror(target, watch)

    def adopt(self, mirror: Path, watch: Watch = QUIET) -> Adopted:
        """Bring the snapshots of a mirror on disk into a folder that has none yet; return what came back."""
        with self.history as history:
            return history.adopt(mirror, watch)
