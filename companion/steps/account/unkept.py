"""What of a folder no snapshot holds, told from hashes that are known already: as good as no file is read for it.

The desk knows each file's SHA-256, a snapshot its blob ids. The two meet in a list that is kept of the snapshot looked
at: beside each blob id the SHA-256, once the file was seen to be still what the snapshot took. A new snapshot changes
that list by what changed, and a look at a folder and a history that have not moved costs one look-up. Only where the
cache is lost, cannot be written or is of another disk are files read that are as old and as long as what was kept:
they would be called changed otherwise, all of them.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar

import msgspec

from companion.core.cache import Cache
from companion.core.entries import Entry, Kind
from companion.core.errors import Cancelled, CompanionError
from companion.core.facts import FACTS_FILE
from companion.core.folder import OURS
from companion.core.progress import Watch
from companion.steps.account.due import Standing, Unkept, age_of, due_of
from companion.steps.account.moved import Change, moved_by
from companion.steps.desk import Desk
from companion.steps.model import Status

if TYPE_CHECKING:
    from companion.history.model import Restored
    from companion.history.shelf import Shelf
    from companion.history.snapshot import Snapshot

Told = TypeVar("Told")

_TABLE: Final = "unkept-1"
_GRAIN: Final = 60
"""Seconds by which the two clocks may differ: a snapshot tells whole seconds, a shared disk its own time."""

_FOUND, _RESTORED, _PLACED = b"found", b"restored", b"placed"


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


def note_restored(folder: Path, cache: Cache, restored: Restored) -> None:
    """Remember which snapshot the folder was brought back to, and the files that were written for it.

    What that one holds is kept, though it is not the newest. Forgotten with the cache; the worst of that is a snapshot
    offered that adds nothing.
    """
    from companion.history.shelf import Shelf
    from companion.history.trees import differing

    with contextlib.suppress(CompanionError, OSError, ValueError), contextlib.closing(Shelf(folder)) as shelf:
        before = restored.safety.tree if restored.safety else ""
        blobs = differing(shelf.packs, before, shelf.snapshot(restored.number).tree)
        placed = {}
        for path in restored.written:
            if blob := blobs.get(path, ("", ""))[1]:
                status = os.lstat(os.path.join(folder, path))  # noqa: PTH118 -- 20,000 Paths are slow
                placed[os.fsencode(path)] = (status.st_size, status.st_mtime_ns, status.st_ctime_ns, blob)
        cache.put(_TABLE, [(_RESTORED, b"%d" % restored.number), (_PLACED, msgspec.msgpack.encode(placed))])


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
        looks = _Looks(desk)
        bases = [_base(desk, shelf, looks, b"newest", newest)]
        if older := next((one for one in listed[1:] if b"%d" % one.number == restored and one.tree), None):
            bases.append(_base(desk, shelf, looks, b"older", older))
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
            now[path] = _link(entry.link)
        else:
            unread.add(path)
    return now, unread


def _link(target: str) -> str:
    from companion.history.objects import BLOB, object_id

    return object_id(BLOB, os.fsencode(target)).hex()


def _changes(now: Mapping[str, str], unread: set[str], bases: Sequence[Mapping[str, str]]) -> Iterator[Change]:
    """Yield the files that are in none of the snapshots as they are now, against the first of these."""
    newest, others = bases[0], bases[1:]
    for path, content in now.items():
        if newest.get(path) != content and not any(other.get(path) == content for other in others):
            yield path, newest.get(path), content
    for path, content in newest.items():
        if path not in now and path not in unread and all(path in other for other in others):
            yield path, content, None


def _base(desk: Desk, shelf: Shelf, looks: _Looks, slot: bytes, shot: Snapshot) -> dict[str, str]:
    """Return what a snapshot holds: by path the SHA-256 where it is known, else the blob id."""
    kept, held = _remembered(desk, slot)
    if fresh := kept.tree != shot.tree:
        held = _brought_to(held, kept.tree, shelf, shot, desk.watch)
    learnt = _learnt(desk, held, looks, shelf, shot)
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


def _learnt(
    desk: Desk, held: Mapping[str, tuple[str, str]], looks: _Looks, shelf: Shelf, shot: Snapshot
) -> dict[str, tuple[str, str]]:
    """Return the SHA-256 of files of which only the blob id is known, where they are still what the snapshot took."""
    found = {}
    for path in [path for path, (_, sha) in held.items() if not sha]:
        entry = desk.by_path.get(path)
        if (
            entry
            and entry.sha256
            and (looks.still(entry, held[path][0]) or _reads_the_same(desk, entry, held[path][0], shelf, shot))
        ):
            found[path] = (held[path][0], entry.sha256)
    return found


def _reads_the_same(desk: Desk, entry: Entry, blob: str, shelf: Shelf, shot: Snapshot) -> bool:
    """Read a file not written since the snapshot and as long as what that took, and tell whether it is that.

    The age only spares reading what is worked on; the content decides.
    """
    from companion.history.objects import BLOB, hasher
    from companion.history.packs import Damaged

    age = age_of(shot.at, datetime.fromtimestamp(entry.mtime_ns / 1e9, UTC))
    with contextlib.suppress(OSError, ValueError, Damaged):
        if (age or 0) > _GRAIN or shelf.packs.size(bytes.fromhex(blob)) != entry.size:
            return False  # written since, or longer or shorter
        digest = hasher(BLOB, entry.size)
        with (desk.folder / entry.path).open("rb") as file:
            before = os.fstat(file.fileno())
            while block := file.read(1 << 20):
                digest.update(block)
                desk.watch.check()
            after = os.fstat(file.fileno())
        looks = [(status.st_size, status.st_mtime_ns) for status in (before, after)]
        return digest.hexdigest() == blob and looks == [(entry.size, entry.mtime_ns)] * 2
    return False


class _Looks:
    """What files looked like when a snapshot read them, or a restore wrote them."""

    def __init__(self, desk: Desk) -> None:
        from companion.history.known import Known

        self._folder = desk.folder
        self._read = Known(desk.cache)
        self._placed = _decoded(desk.cache.get(_TABLE, _PLACED), dict[bytes, tuple[int, int, int, str]]) or {}

    def still(self, entry: Entry, blob: str) -> bool:
        """Tell whether a file looks as it did when it held this blob, and as it did when its SHA-256 was taken."""
        from companion.history.walk import seen_of

        try:
            status = os.lstat(os.path.join(self._folder, entry.path))  # noqa: PTH118 -- 20,000 Paths are slow
        except (OSError, ValueError):
            return False
        look = (status.st_size, status.st_mtime_ns, status.st_ctime_ns)
        if look[:2] != (entry.size, entry.mtime_ns):
            return False
        if self._placed.get(os.fsencode(entry.path)) == (*look, blob):
            return True
        return self._read.hint(seen_of(entry.path, status)) == bytes.fromhex(blob)


def _decoded(value: bytes | None, kind: type[Told]) -> Told | None:
    if value is not None:
        with contextlib.suppress(msgspec.MsgspecError, ValueError):
            return msgspec.msgpack.decode(value, type=kind)
    return None
