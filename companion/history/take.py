"""Take a snapshot: data first, then trees, then the commit, then the one name that makes it count."""

import contextlib
import os
from collections.abc import Iterator
from datetime import datetime
from typing import Final

from companion.core import crew
from companion.core.cache import Cache
from companion.core.errors import CompanionError
from companion.core.files import explained
from companion.core.progress import Watch
from companion.history.folder_state import FolderState, read_folder
from companion.history.reader import Sink
from companion.history.snapshot import Snapshot
from companion.history.store import commits, mend, refs
from companion.history.store.objects import COMMIT, FILE, PROGRAM, TREE, build_trees, commit_data, object_id
from companion.history.store.pack_writer import PackWriter
from companion.history.store.place import hold_packs
from companion.history.store.repack import merge_small
from companion.history.store.store import Store

_OWN_PACK: Final = 4 << 20


def take(store: Store, cache: Cache, label: str, kind: str, watch: Watch, thorough: bool) -> Snapshot:
    """Take a snapshot of the folder. On Busy, Cancelled or :class:`CompanionError` the history is as before."""
    with store.writing("taking a snapshot"):
        return take_held(store, cache, label, kind, watch, thorough)[0]


def take_held(
    store: Store, cache: Cache, label: str, kind: str, watch: Watch, thorough: bool = False
) -> tuple[Snapshot, FolderState]:
    """Take a snapshot while the history is held already; return it with what was found."""
    label = commits.clean_label(label)
    sink = Sink(store.packs.__contains__, store.pack_folder)
    try:
        with explained("write the snapshot", store.path):
            state = read_folder(store, cache, sink, watch, thorough=thorough or kind == "release", writes=True)
            state = _with_old_modes(store, state)
            root, trees = build_trees({path: (bytes.fromhex(one.blob), one.mode) for path, one in state.files.items()})
            # Few and small, and nobody else looks below one that is damaged: they are read back, not trusted.
            lost = {oid: data for oid, data in trees.items() if not _whole(store, oid)}
            if same := _already(store, root.hex(), state, label, kind):
                if lost or any(one.written for one in sink.writers):  # what had been damaged is kept anew
                    _finish(store, sink, [(TREE, oid, data) for oid, data in lost.items()], watch)
                sink.abandon()
                mend.tidy(store)
                return same, state
            snapshot = _described(store, root.hex(), state, label, kind)
            commit = _write(store, sink, lost, snapshot, watch)
            watch.check()
            found = store.named()
            store.name(found.joined(refs.Refs({snapshot.number: commit.hex()})))
            with contextlib.suppress(CompanionError, OSError):  # the snapshot stands whatever comes of this
                merge_small(store.packs)
            mend.tidy(store)
            return snapshot.but(id=commit.hex()), state
    except BaseException:
        sink.abandon()
        raise


def _with_old_modes(store: Store, state: FolderState) -> FolderState:
    """Windows has no executable bit: there a file keeps the one that the newest snapshot knows."""
    listed = store.snapshots() if os.name == "nt" else []
    if not listed or not listed[0].tree:
        return state
    before = store.files(listed[0].tree, [])
    files = {
        path: one._replace(mode=PROGRAM)
        if one.mode == FILE and path in before and before[path].mode == PROGRAM
        else one
        for path, one in state.files.items()
    }
    return state._replace(files=files)


def _already(store: Store, tree: str, state: FolderState, label: str, kind: str) -> Snapshot | None:
    """Return the snapshot that holds all this already, told with what is left out now.

    That is the newest one, or any for the safety of a restore. A label the maker asked for is never dropped in favour
    of one that was taken unasked.
    """
    listed = store.snapshots()
    for old in listed if kind == "before-restore" else listed[:1]:
        labelled = kind == "asked" and label and old.kind != "asked" and old.label != label
        same = old.tree == tree and old.empty_folders == state.empty and not labelled
        if same and _whole(store, bytes.fromhex(old.id)) and store.snapshot(old.number) == old:
            return old.but(new=False, left_out=state.left_out, changed_while_read=state.changing)
    return None


def _whole(store: Store, oid: bytes) -> bool:
    """Tell whether an object is in the history and reads back."""
    return oid in store.packs and store.packs.reads_back(oid)


def _described(store: Store, tree: str, state: FolderState, label: str, kind: str) -> Snapshot:
    return Snapshot(
        number=store.named().next_number,
        id="",
        tree=tree,
        label=label,
        at=commits.now().isoformat(timespec="seconds").replace("+00:00", "Z"),
        kind=kind,
        files=len(state.files),
        bytes=sum(one.size for one in state.files.values()),
        changed_while_read=state.changing,
        left_out=state.left_out,
        empty_folders=state.empty,
    )


def _write(store: Store, sink: Sink, trees: dict[bytes, bytes], snapshot: Snapshot, watch: Watch) -> bytes:
    """Write trees and commit, finish every pack and make all of it durable; return the commit's id."""
    # git knows no time before 1970
    seconds = max(0, int(datetime.fromisoformat(snapshot.at).timestamp()))
    data = commit_data(bytes.fromhex(snapshot.tree), seconds, commits.message(snapshot))
    commit = object_id(COMMIT, data)
    _finish(store, sink, [*((TREE, oid, tree) for oid, tree in trees.items()), (COMMIT, commit, data)], watch)
    return commit


def _finish(store: Store, sink: Sink, objects: list[tuple[int, bytes, bytes]], watch: Watch) -> None:
    """Write objects (kind, id, content) beside the blobs, finish every pack and make all of it durable.

    They go into a pack of their own when the blobs weigh much: listing then never touches the large packs.
    """
    writer = sink.writers[0] if sum(one.offset for one in sink.writers) < _OWN_PACK and sink.writers else None
    if writer is None:
        writer = PackWriter(store.pack_folder)
        sink.writers.append(writer)
    for kind, oid, data in objects:
        writer.add(kind, data, oid)

    def finish(writers: Iterator[PackWriter]) -> None:
        for one in writers:
            one.finish(watch)

    heavy = [one for one in sink.writers if one is not writer]
    crew.share(heavy, finish, len(heavy), "history-sync")
    writer.finish(watch)
    store.packs.refresh()
    with hold_packs(store.pack_folder) as folder:
        folder.sync()  # a killed run's packs may be in it too, and a ref will need their names
