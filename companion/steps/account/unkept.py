"""What of a folder no snapshot holds, by ids that are known already: no file is read for it.

The desk knows each file's blob id, and so does a snapshot. What the snapshot looked at holds is remembered; a new
snapshot changes that by what changed, and a look at a folder and a history that have not moved costs one look-up.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import msgspec

from companion.core.cache import Cache, Table
from companion.core.census import ids_of
from companion.core.entries import Entry, Kind
from companion.core.errors import Cancelled, CompanionError
from companion.core.facts import FACTS_FILE
from companion.core.folder import OURS
from companion.core.progress import Watch
from companion.steps.account.due import Standing, Unkept, due_of
from companion.steps.account.moved import Change, moved_by
from companion.steps.desk import Desk
from companion.steps.model import Status

if TYPE_CHECKING:
    from companion.history.model import Restored
    from companion.history.snapshot import Snapshot
    from companion.history.store.store import Store


_KEY = b"folder"
_RESTORED = "restored"


class _Found(msgspec.Struct, array_like=True):
    """What was found, and the digest of all it rests on."""

    mark: bytes
    unkept: Unkept | None


class _Held(msgspec.Struct, array_like=True):
    """What a snapshot's tree holds: the blob id of each path, as the file system writes it."""

    tree: str = ""
    blobs: dict[bytes, str] = {}


def standing_of(desk: Desk, status: Status, *, writable: bool) -> Standing:
    """Return the checklist with what is not kept and whether a snapshot is due; never due where none can be taken."""
    unkept = unkept_of(desk) if writable and desk.places.facts.is_file() else None
    due = due_of(unkept, datetime.now(UTC)) if unkept else None
    return Standing(title=status.title, version=status.version, steps=status.steps, unkept=unkept, due=due)


def note_restored(cache: Cache, restored: Restored) -> None:
    """Remember which snapshot the folder was brought back to: what that one holds is kept, though it is not the newest.

    Forgotten with the cache; the worst of that is a snapshot offered that adds nothing.
    """
    Table(cache, _RESTORED, 1, int).put([(_KEY, restored.number)])


def unkept_of(desk: Desk) -> Unkept | None:
    """Return what no snapshot holds; None where there is nothing to lose, or the history cannot tell."""
    names = _names(desk)
    if not names:
        return _first(desk)
    restored = Table(desk.cache, _RESTORED, 1, int).get(_KEY) or 0
    mark = _mark(desk, names, restored)
    table = Table(desk.cache, "unkept", 2, _Found)
    kept = table.get(_KEY)
    if kept and kept.mark == mark:
        return kept.unkept
    try:
        unkept = _compared(desk, restored)
    except Cancelled:
        raise
    except (CompanionError, OSError, ValueError):
        return None  # a damaged or half removed history is reported where it is looked at, not by every status
    table.put([(_KEY, _Found(mark, unkept))])
    return unkept


def _names(desk: Desk) -> bytes:
    """The history's list of snapshots as it lies there; it changes with every one that comes or goes."""
    if not desk.places.history.is_dir():
        return b""
    from companion.history.store.snapshot_list import names

    return names(desk.places.history)


def _mark(desk: Desk, names: bytes, restored: int) -> bytes:
    entries = desk.inventory.entries
    place = bisect_left(entries, FACTS_FILE, key=lambda entry: entry.path)
    facts = entries[place].sha256 if place < len(entries) and entries[place].path == FACTS_FILE else ""
    rests_on = (
        desk.marks.everything.encode(),
        facts.encode(),
        msgspec.json.encode(desk.facts.contents),
        b"%d" % restored,
    )
    return hashlib.sha256(b"\0".join((*rests_on, names))).digest()


def _first(desk: Desk) -> Unkept | None:
    lost = any(entry.kind.audible or entry.kind is Kind.PATCH for entry in desk.inventory.entries)
    return Unkept() if lost else None


def _compared(desk: Desk, restored: int) -> Unkept | None:
    from companion.contents.kinds import kinds_by
    from companion.history.store.store import Store

    now, unread = _now(desk.inventory.entries)
    with contextlib.closing(Store(desk.folder)) as store:
        listed = store.snapshots()
        if not listed:
            return _first(desk)
        newest = listed[0]
        if not newest.tree:
            return None
        bases = [_held_by(newest, b"newest", store, desk)]
        if older := next((one for one in listed[1:] if one.number == restored and one.tree), None):
            bases.append(_held_by(older, b"older", store, desk))
    moved = moved_by(_changes(now, unread, bases), kinds_by(desk.facts.contents))
    samples = sum(entry.kind.audible for entry in desk.inventory.entries)
    return Unkept(
        snapshot=newest.number,
        at=newest.at,
        samples=max(samples, samples - moved.samples.added + moved.samples.removed),
        moved=moved,
    )


def _now(entries: Sequence[Entry]) -> tuple[dict[str, str], set[str]]:
    """Return the content of each file by path, and the paths of those that cannot be read."""
    now: dict[str, str] = {}
    unread: set[str] = set()
    for entry in entries:
        path = entry.path
        if OURS in path and OURS in path.split("/"):
            continue
        if entry.blob:
            now[path] = entry.blob
        elif entry.link is not None:
            now[path] = ids_of(os.fsencode(entry.link)).blob.hex()
        else:
            unread.add(path)
    return now, unread


def _changes(now: Mapping[str, str], unread: set[str], bases: Sequence[Mapping[str, str]]) -> Iterator[Change]:
    """Yield the files that are in none of the snapshots as they are now, against the first of these."""
    newest, others = bases[0], bases[1:]
    for path, content in now.items():
        if newest.get(path) != content and not any(other.get(path) == content for other in others):
            yield path, newest.get(path), content
    for path, content in newest.items():
        if path not in now and path not in unread and all(path in other for other in others):
            yield path, content, None


def _held_by(shot: Snapshot, slot: bytes, store: Store, desk: Desk) -> dict[str, str]:
    """Return the blob ids of what a snapshot holds, by path; worked out from what is remembered of another."""
    table = Table(desk.cache, "held", 1, _Held)
    kept = table.get(slot) or _Held()
    if kept.tree != shot.tree:
        kept = _Held(shot.tree, _brought_to(kept, shot, store, desk.watch))
        table.put([(slot, kept)])
    return {os.fsdecode(path): blob for path, blob in kept.blobs.items()}


def _brought_to(kept: _Held, shot: Snapshot, store: Store, watch: Watch) -> dict[bytes, str]:
    from companion.history.store.packs import Damaged
    from companion.history.store.trees import differing

    try:
        changes = differing(store.packs, kept.tree, shot.tree, watch)
    except Damaged:
        if not kept.tree:
            raise
        return _brought_to(_Held(), shot, store, watch)  # that one has been forgotten
    after = {os.fsencode(path): blob for path, (_, blob) in changes.items()}
    return {path: blob for path, blob in {**kept.blobs, **after}.items() if blob is not None}
