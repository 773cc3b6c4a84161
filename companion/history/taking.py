"""Take a snapshot: data first, then trees, then the commit, then the one name that makes it count."""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from typing import Final, NamedTuple

from companion.core.cache import Cache
from companion.core.census import Census, Ids, Reading
from companion.core.errors import CompanionError
from companion.core.progress import Watch
from companion.history import commits, refs
from companion.history.model import FILE, PROGRAM, Kept
from companion.history.objects import COMMIT, TREE, build_trees, commit_data, object_id
from companion.history.packing import PackWriter
from companion.history.reading import Sink, read_files
from companion.history.shelf import Shelf, mode_of, told
from companion.history.snapshot import Snapshot
from companion.history.upkeep import merge_small
from companion.history.walk import Walked, walk

_OWN_PACK: Final = 4 << 20


class FolderState(NamedTuple):
    """The folder as it is: blob, size and mode by path, how each looked when it was read, and what to tell about it."""

    files: dict[str, Kept]
    looked: dict[str, os.stat_result]
    changing: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    empty: tuple[str, ...]


def look(shelf: Shelf, cache: Cache, sink: Sink, watch: Watch, *, thorough: bool, writes: bool) -> FolderState:
    """Read what changed since the last look and return the whole folder. Blobs go into ``sink``.

    thorough: hash every byte again, whatever the file system says. writes: blobs known by id but not in the history
    are read again, to be written.
    """
    walked = walk(shelf.folder, watch)
    census = Census(cache)
    known = {} if thorough else census.known(walked.files)
    packs = shelf.packs
    to_read = [(p, one) for p, one in walked.files if p not in known or (writes and known[p].blob not in packs)]
    watch.stage(
        "Keeping what is new" if writes else "Reading what changed", sum(s.st_size for _, s in to_read), "bytes"
    )
    read, left_out = read_files(shelf.folder, to_read, known, sink, watch)
    again = [p for p, one in read.items() if writes and one.ids and not sink.holds(one.ids.blob)]
    if again:  # another thread had claimed the same content and its file then changed under it
        sink.claim_anew()
        looked = dict(to_read)
        second = read_files(shelf.folder, [(p, looked[p]) for p in again], {}, sink, watch)
        read = {p: one for p, one in read.items() if p not in again} | second.read
        left_out += second.left_out
    census.remember((p, one) for p, one in read.items() if one.status and not stat.S_ISLNK(one.status.st_mode))
    census.forget_absent(p for p, _ in walked.files)
    return _state(shelf, walked, known, read, left_out)


def _state(
    shelf: Shelf,
    walked: Walked,
    known: Mapping[str, Ids],
    read: Mapping[str, Reading],
    left_out: list[tuple[str, str]],
) -> FolderState:
    """Put the folder together. The files kept are counted against those seen: none may be lost unnoticed."""
    files: dict[str, Kept] = {}
    looked: dict[str, os.stat_result] = {}
    lost = {path for path, _ in left_out}
    for path, walked_status in walked.files:
        one = read.get(path)
        ids, status = (one.ids, one.status) if one else (known.get(path), walked_status)
        if ids and status and path not in lost:
            files[path] = Kept(ids.blob.hex(), ids.size, mode_of(status))
            looked[path] = status
    if len(files) + len(left_out) != len(walked.files):
        raise CompanionError(
            f"{len(walked.files)} files were seen, but {len(files)} kept and {len(left_out)} left out",
            str(shelf.folder),
            "no snapshot was taken; try again, and report this if it stays so",
        )
    changing = tuple(sorted(path for path, one in read.items() if not one.still))
    return FolderState(files, looked, changing, tuple(sorted([*walked.left_out, *left_out])), walked.empty)


def take(shelf: Shelf, cache: Cache, label: str, kind: str, watch: Watch, thorough: bool) -> Snapshot:
    """Take a snapshot of the folder. On Busy, Cancelled or :class:`CompanionError` the history is as before."""
    with shelf.writing("taking a snapshot"):
        return take_held(shelf, cache, label, kind, watch, thorough)[0]


def take_held(
    shelf: Shelf, cache: Cache, label: str, kind: str, watch: Watch, thorough: bool = False
) -> tuple[Snapshot, FolderState]:
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


def _with_old_modes(shelf: Shelf, seen: FolderState) -> FolderState:
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


def _already(shelf: Shelf, tree: str, seen: FolderState, label: str, kind: str) -> Snapshot | None:
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


def _described(shelf: Shelf, tree: str, seen: FolderState, label: str, kind: str) -> Snapshot:
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
