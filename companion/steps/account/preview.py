"""What a restore would do, told before anything is touched. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import msgspec

from companion.core.folder import OURS
from companion.history.names import is_within
from companion.steps.account.changes import Changes, facts_lines

if TYPE_CHECKING:
    from companion.history.model import Comparison


class Writes(msgspec.Struct, frozen=True, kw_only=True):
    """How many files a restore writes and takes away, and the bytes it writes."""

    written: int
    bytes: int
    removed: int


class Preview(msgspec.Struct, frozen=True, kw_only=True):
    """A restore, looked at beforehand.

    changes: what changed from the snapshot to the folder, in the maker's terms. write: paths with their bytes, and
    remove: paths, both as :meth:`~companion.history.history.History.restore` would take them. facts: sentences on what
    the facts would say then instead of now.
    """

    changes: Changes
    write: tuple[tuple[str, int], ...] = ()
    remove: tuple[str, ...] = ()
    facts: tuple[str, ...] = ()

    def of(self, only: Sequence[str] = ()) -> Writes:
        """Return the counts for the chosen paths; none chosen: all."""
        written = [size for path, size in self.write if within(path, only)]
        removed = sum(within(path, only) for path in self.remove)
        return Writes(written=len(written), bytes=sum(written), removed=removed)


def within(path: str, chosen: Sequence[str]) -> bool:
    """Tell whether a path is one of the chosen ones or lies in one of them; none chosen: all are."""
    return is_within(path, tuple(one.strip("/") for one in chosen))


def preview_of(found: Comparison, changes: Changes, unread: Sequence[str] = ()) -> Preview:
    """Return what bringing back the snapshot ``found.a`` does to the folder as it is.

    Evidence and reports come back where they are missing; they are never replaced and never taken away. ``unread``:
    what the snapshot could not read when it was taken, which a restore leaves alone.
    """
    stays = tuple(unread)
    back = [*found.removed, *(path for path in found.changed if not _ours(path)), *(old for old, _ in found.renamed)]
    away = [*found.added, *(new for _, new in found.renamed)]
    return Preview(
        changes=changes,
        facts=facts_lines(found.facts_after, found.facts_before) if changes.facts else (),
        write=tuple((path, found.sizes.get(path, (None, None))[0] or 0) for path in sorted(back)),
        remove=tuple(path for path in sorted(away) if not _ours(path) and not (stays and within(path, stays))),
    )


def _ours(path: str) -> bool:
    return path.partition("/")[0] == OURS
