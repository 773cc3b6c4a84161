"""Take a snapshot: data first, then trees, then the commit, then the one name that makes it count."""

from __future__ import annotations

import contextlib
import os
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from typing import Final, NamedTuple

from companion.core.cache import Cache
from companion.core.errors import CompanionError
from companion.core.progress import Watch
from companion.history import commits, refs
from companion.history.known import Known
from companion.history.model import FILE, PROGRAM, Kept
from companion.history.objects import COMMIT, TREE, build_trees, commit_data, object_id
from companion.history.packing import PackWriter
from companion.history.reading import Read, Sink, read_files
from companion.history.shelf import Shelf, mode_of, told
from companion.history.snapshot import Snapshot
from companion.history.upkeep import merge_small
from companion.history.walk import Seen, Walked, walk

_OWN_PACK: Final = 4 << 20


class Look(NamedTuple):
    """The folder as it is: blob, size and mode by path, and what is to be told about it."""

    files: dict[str, Kept]
    seen: dict[str, Seen]
    changing: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    empty: tuple[str, ...]


def look(shelf: Shelf, cache: Cache, sink: Sink, watch: Watch, *, thorough: bool, writes: bool) -> Look:
    """Read what changed since the last look and return the whole folder. Blobs go into ``sink``.

    thorough: hash every byte again, whatever the file system says. writes: blobs known by id but not in the history
    are read again, to be written.
    """
    walked = walk(shelf.folder, watch)
    known = Known(cache)
    found: dict[str, tuple[Seen, bytes]] = {}
    to_read = []
    for seen in walked.files:
        blob = None if thorough or seen.link else known.blob(seen)
        if blob is None or (writes and blob not in shelf.packs):
            to_read.append(seen)
        else:
            found[seen.path] = (seen, blob)
    watch.stage("Keeping what is new" if writes else "Reading what changed", sum(one.size for one in to_read), "bytes")
    outcome = read_files(shelf.folder, to_read, sink, watch)
    again = [read for read in outcome.read if writes and not sink.holds(read.blob)]
    if again:  # another thread had claimed the same content and its file then changed under it
        sink.claim_anew()
        second = read_files(shelf.folder, [read.seen for read in again], sink, watch)
        lost = {read.seen.path for read in again}
        outcome.read[:] = [read for read in outcome.read if read.seen.path not in lost] + second.read
        outcome.left_out.extend(second.left_out)
    known.remember([(read.seen, read.blob, read.when) for read in outcome.read if read.still and not read.seen.link])
    known.forget_absent(seen.path for seen in walked.files)
    found.update({read.seen.path: (read.seen, read.blob) for read in outcome.read})
    _count(walked, found, outcome.left_out, shelf)
    return _look(walked, found, outcome.read, outcome.left_out)


def _count(walked: Walked, found: dict[str, tuple[Seen, bytes]], left_out: list[tuple[str, str]], shelf: Shelf) -> None:
    """Hold the number of files kept against the number seen: nothing may be lost on the way without a word."""
    if len(found) + len(left_out) != len(walked.files):
        raise CompanionError(
            f"{len(walked.files)} files were seen, but {len(found)} kept and {len(left_out)} left out",
            str(shelf.folder),
            "no snapshot was taken; try again, and report this if it stays so",
        )


def _look(
    walked: Walked, found: dict[str, tuple[Seen, bytes]], read: list[Read], left_out: list[tuple[str, str]]
) -> Look:
    files = {
        path: Kept(blob.hex(), seen.size, mode_of(seen.executable, seen.link)) for path, (seen, blob) in found.items()
    }
    changing = tuple(sorted(one.seen.path for one in read if not one.still))
    out = tuple(sorted([*walked.left_out, *left_out]))
    return Look(files, {path: seen for path, (seen, _) in found.items()}, changing, out, walked.empty)


def take(shelf: Shelf, cache: Cache, label: str, kind: str, watch: Watch, thorough: bool) -> Snapshot:
    """Take a snapshot of the folder. On Busy, Cancelled or :class:`CompanionError` the history is as before."""
    with shelf.writing("taking a snapshot"):
        return take_held(shelf, cache, label, kind, watch, thorough)[0]


def take_held(
    shelf: Shelf, cache: Cache, label: str, kind: str, watch: Watch, thorough: bool = False
) -> tuple[Snapshot, Look]:
    """Take a snapshot while the history is held already; return it with what was seen."""
    label = commits.clean_label(label)
    sink = Sink(shelf.packs.__contains__, shelf.pack_folder)
    try:
        with told("write the snapshot", shelf.path):
            seen = look(shelf, cache, sink, watch, thorough=thorough or kind == "release", writes=True)
            seen = _with_old_modes(shelf, seen)
            root, trees = build_trees({path: (bytes.fromhex(one.blob), one.mode) for path, one in seen.files.items()})
            # Few and small, and nobody else looks below one that is damaged: they are read back, not trusted.
            lost = {oid: data for oid, data in trees.items() if not _whole(shelf, oid)}
            if same := _already(shelf, root.hex(), seen, label, kind):
                if lost or any(one.written for one in sink.writers):  # what had been damaged is kept anew
                    _finish(shelf, sink, [(TREE, oid, data) for oid, data in lost.items()])
                sink.abandon()
                return same, seen
            snapshot = _described(shelf, root.hex(), seen, label, kind)
            commit = _write(shelf, sink, lost, snapshot)
            watch.check()
            found = shelf.named()
            refs.write(shelf.path, found.with_snapshot(snapshot.number, commit.hex()))
            with contextlib.suppress(CompanionError, OSError):  # the snapshot stands whatever comes of this
                merge_small(shelf)
            return snapshot.but(id=commit.hex()), seen
    except BaseException:
        sink.abandon()
        raise


def _with_old_modes(shelf: Shelf, seen: Look) -> Look:
    """Windows has no executable bit: there a file keeps the one that the newest snapshot knows."""
    listed = shelf.snapshots() if os.name == "nt" else []
    if not listed or not listed[0].tree:
        return seen
    before = shelf.files(listed[0].tree, [])
    files = {
        path: one._replace(mode=PROGRAM)
        if one.mode == FILE and path in before and before[path].mode == PROGRAM
        else one
        for path, one in seen.files.items()
    }
    return seen._replace(files=files)


def _already(shelf: Shelf, tree: str, seen: Look, label: str, kind: str) -> Snapshot | None:
    """Return the snapshot that holds all this already, told with what is left out now.

    That is the newest one, or any for the safety of a restore. A label the maker asked for is never dropped in favour
    of one that was taken unasked.
    """
    listed = shelf.snapshots()
    for old in listed if kind == "before-restore" else listed[:1]:
        labelled = kind == "asked" and label and old.kind != "asked" and old.label != label
        same = old.tree == tree and old.empty_folders == seen.empty and not labelled
        if same and _whole(shelf, bytes.fromhex(old.id)) and shelf.snapshot(old.number) == old:
            return old.but(new=False, left_out=seen.left_out, changed_while_read=seen.changing)
    return None


def _whole(shelf: Shelf, oid: bytes) -> bool:
    """Tell whether an object is in the history and reads back."""
    return oid in shelf.packs and shelf.packs.reads_back(oid)


def _described(shelf: Shelf, tree: str, seen: Look, label: str, kind: str) -> Snapshot:
    return Snapshot(
        number=refs.next_number(shelf.path, shelf.named().snapshots),
        id="",
        tree=tree,
        label=label,
        at=commits.now().isoformat(timespec="seconds").replace("+00:00", "Z"),
        kind=kind,
        files=len(seen.files),
        bytes=sum(one.size for one in seen.files.values()),
        changed_while_read=seen.changing,
        left_out=seen.left_out,
        empty_folders=seen.empty,
    )


def _write(shelf: Shelf, sink: Sink, trees: dict[bytes, bytes], snapshot: Snapshot) -> bytes:
    """Write trees and commit, finish every pack and make all of it durable; return the commit's id."""
    # git knows no time before 1970
    seconds = max(0, int(datetime.fromisoformat(snapshot.at).timestamp()))
    data = commit_data(bytes.fromhex(snapshot.tree), seconds, commits.message(snapshot))
    commit = object_id(COMMIT, data)
    _finish(shelf, sink, [*((TREE, oid, tree) for oid, tree in trees.items()), (COMMIT, commit, data)])
    return commit


def _finish(shelf: Shelf, sink: Sink, objects: list[tuple[int, bytes, bytes]]) -> None:
    """Write objects (kind, id, content) beside the blobs, finish every pack and make all of it durable.

    They go into a pack of their own when the blobs weigh much: listing then never touches the large packs.
    """
    writer = sink.writers[0] if sum(one.offset for one in sink.writers) < _OWN_PACK and sink.writers else None
    if writer is None:
        writer = PackWriter(shelf.pack_folder)
        sink.writers.append(writer)
    for kind, oid, data in objects:
        writer.add(kind, data, oid)
    heavy = [one for one in sink.writers if one is not writer]
    with ThreadPoolExecutor(max(1, len(heavy)), "history-sync") as pool:
        for done in [pool.submit(one.finish) for one in heavy]:
            done.result()
    writer.finish()
    shelf.packs.refresh()
    shelf.settle()
