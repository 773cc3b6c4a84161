"""What of a folder no snapshot holds, by hashes that are known already: no file is read for it.

The desk knows each file's SHA-256, a snapshot its blob ids; the census has read both at once. They meet in a list that
is kept of the snapshot looked at: beside each blob id the SHA-256. A new snapshot changes that list by what changed,
and a look at a folder and a history that have not moved costs one look-up.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final, TypeVar

import msgspec

from companion.core.cache import Cache
from companion.core.census import Census, ids_of
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
    from companion.history.shelf import Shelf
    from companion.history.snapshot import Snapshot

Told = TypeVar("Told")

_TABLE: Final = "unkept-1"
_FOUND, _RESTORED = b"found", b"restored"


class _Found(msgspec.Struct, array_like=True):
    """What was found, and the digest of all it rests on."""

    mark: bytes
    unkept: Unkept | None


class _Base(msgspec.Struct, array_like=True):
    """What a snapshot holds: paths, a NUL between them; of each its blob id, and its SHA-256 or nothing."""

    tree: str = ""
    paths: bytes = b""
    blobs: list[str] = []
    shas: list[str] = []

    @classmethod
    def of(cls, tree: str, held: Mapping[str, tuple[str, str]]) -> _Base:
        blobs, shas = zip(*held.values(), strict=True) if held else ((), ())
        return cls(tree, os.fsencode("\0".join(held)), list(blobs), list(shas))

    def held(self) -> dict[str, tuple[str, str]]:
        names = os.fsdecode(self.paths).split("\0") if self.paths else []
        return dict(zip(names, zip(self.blobs, self.shas, strict=True), strict=True))


def standing_of(desk: Desk, status: Status, *, writable: bool) -> Standing:
    """Return the checklist with what is not kept and whether a snapshot is due; never due where none can be taken."""
    unkept = unkept_of(desk) if writable and desk.places.facts.is_file() else None
    due = due_of(unkept, datetime.now(UTC)) if unkept else None
    if due and not _git_there():
        unkept = due = None
    return Standing(title=status.title, version=status.version, steps=status.steps, unkept=unkept, due=due)


def _git_there() -> bool:
    from companion.history import hermetic

    return bool(hermetic.git_program())


def note_restored(cache: Cache, restored: Restored) -> None:
    """Remember which snapshot the folder was brought back to: what that one holds is kept, though it is not the newest.

    Forgotten with the cache; the worst of that is a snapshot offered that adds nothing.
    """
    cache.put(_TABLE, [(_RESTORED, b"%d" % restored.number)])


def unkept_of(desk: Desk) -> Unkept | None:
    """Return what no snapshot holds; None where there is nothing to lose, or the history cannot tell."""
    names = _names(desk)
    if not names:
        return _first(desk)
    restored = desk.cache.get(_TABLE, _RESTORED) or b""
    mark = _mark(desk, names, restored)
    kept = _decoded(desk.cache.get(_TABLE, _FOUND), _Found)
    if kept and kept.mark == mark:
        return kept.unkept
    try:
        unkept = _compared(desk, restored)
    except Cancelled:
        raise
    except (CompanionError, OSError, ValueError):
        return None  # a damaged or half removed history is told where it is looked at, not by every status
    desk.cache.put(_TABLE, [(_FOUND, msgspec.msgpack.encode(_Found(mark, unkept)))])
    return unkept


def _names(desk: Desk) -> bytes:
    """The history's list of snapshots as it lies there; it changes with every one that comes or goes."""
    if not desk.places.history.is_dir():
        return b""
    from companion.history import refs

    with contextlib.suppress(OSError):
        return (desk.places.history / refs.FILE).read_bytes()
    return b""


def _mark(desk: Desk, names: bytes, restored: bytes) -> bytes:
    entries = desk.inventory.entries
    place = bisect_left(entries, FACTS_FILE, key=lambda entry: entry.path)
    facts = entries[place].sha256 if place < len(entries) and entries[place].path == FACTS_FILE else ""
    rests_on = (desk.marks.everything.encode(), facts.encode(), msgspec.json.encode(desk.facts.contents), restored)
    return hashlib.sha256(b"\0".join((*rests_on, names))).digest()


def _first(desk: Desk) -> Unkept | None:
    lost = any(entry.kind.audible or entry.kind is Kind.PATCH for entry in desk.inventory.entries)
    return Unkept() if lost else None


def _compared(desk: Desk, restored: bytes) -> Unkept | None:
    from companion.contents.kinds import kinds_by
    from companion.history.shelf import Shelf

    now, unread = _now(desk.inventory.entries)
    with contextlib.closing(Shelf(desk.folder)) as shelf:
        listed = shelf.snapshots()
        if not listed:
            return _first(desk)
        newest = listed[0]
        if not newest.tree:
            return None
        bases = [_base(desk, shelf, b"newest", newest)]
        if older := next((one for one in listed[1:] if b"%d" % one.number == restored and one.tree), None):
            bases.append(_base(desk, shelf, b"older", older))
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
        if entry.sha256:
            now[path] = entry.sha256
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


def _base(desk: Desk, shelf: Shelf, slot: bytes, shot: Snapshot) -> dict[str, str]:
    """Return what a snapshot holds: by path the SHA-256 where it is known, else the blob id."""
    kept, held = _remembered(desk, slot)
    if fresh := kept.tree != shot.tree:
        held = _brought_to(held, kept.tree, shelf, shot, desk.watch)
    learnt = _learnt(desk, held)
    if fresh or learnt:
        held.update(learnt)
        desk.cache.put(_TABLE, [(slot, msgspec.msgpack.encode(_Base.of(shot.tree, held)))])
    return {path: sha or blob for path, (blob, sha) in held.items()}


def _remembered(desk: Desk, slot: bytes) -> tuple[_Base, dict[str, tuple[str, str]]]:
    kept = _decoded(desk.cache.get(_TABLE, slot), _Base) or _Base()
    with contextlib.suppress(ValueError):  # lists of unequal length: a damaged cache is worked out anew
        return kept, kept.held()
    return _Base(), {}


def _brought_to(
    held: dict[str, tuple[str, str]], tree: str, shelf: Shelf, shot: Snapshot, watch: Watch
) -> dict[str, tuple[str, str]]:
    """Return what ``shot`` holds, from what another tree does; from nothing where that one has been forgotten."""
    from companion.history.packs import Damaged
    from companion.history.trees import differing

    try:
        changes = differing(shelf.packs, tree, shot.tree, watch)
    except Damaged:
        if not tree:
            raise
        return _brought_to({}, "", shelf, shot, watch)
    for path, (_, blob) in changes.items():
        if blob is None:
            held.pop(path, None)
        else:
            held[path] = (blob, "")
    return held


def _learnt(desk: Desk, held: Mapping[str, tuple[str, str]]) -> dict[str, tuple[str, str]]:
    """Return the SHA-256 of contents of which only the blob id is known, where both were read at that path."""
    unknown = [path for path, (_, sha) in held.items() if not sha]
    read = Census(desk.cache).last_read(unknown)
    return {path: (held[path][0], ids.sha256.hex()) for path, ids in read.items() if ids.blob.hex() == held[path][0]}


def _decoded(value: bytes | None, kind: type[Told]) -> Told | None:
    if value is not None:
        with contextlib.suppress(msgspec.MsgspecError, ValueError):
            return msgspec.msgpack.decode(value, type=kind)
    return None
