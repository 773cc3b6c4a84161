"""A second copy of the history on another disk, and the way back from one.

A mirror only ever gains. What is forgotten here stays there, and one that holds another history is refused. Every time
all of it is read back; what is damaged there is copied anew. It is written by ourselves, also into a repository of
somebody's: git would run whatever that repository names.
"""

from __future__ import annotations

import contextlib
import os
import re
from pathlib import Path
from typing import Final
from urllib.parse import unquote

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import explained, is_inside
from companion.core.folder import linked_folder
from companion.core.lock import held
from companion.core.progress import Watch
from companion.history.model import Adopted, Mirrored
from companion.history.remote import is_remote, refuse_another, send
from companion.history.store import hermetic, others, refs, relist
from companion.history.store.copying import copy_packs, copy_unindexed
from companion.history.store.mend import doubt_packs, remake
from companion.history.store.place import hold
from companion.history.store.reach import broken
from companion.history.store.store import Store

_FILE_ADDRESS: Final = re.compile(r"file:(//(localhost)?(?=/))?/*", re.IGNORECASE)
SAME_DISK: Final = "this copy lies on the same disk as the folder: when that disk fails, both are gone"


def mirror(store: Store, target: str, watch: Watch) -> Mirrored:
    """Bring the mirror at ``target`` up to date. Interrupted, it goes on where it stopped when it is called again."""
    if target.startswith("-") or "::" in target or not target.strip():
        raise CompanionError("A mirror cannot lie there", target, "name a folder or the address of a repository")
    with store.writing("copying the history to its mirror"):
        if not store.named().snapshots:
            raise CompanionError("There is no snapshot to copy yet", str(store.folder), "take one first")
        return send(store, target, watch) if is_remote(target) else _to_folder(store, _local(target), watch)


def _local(target: str) -> Path:
    """Return the folder that a mirror's name stands for, also where it is written as an address."""
    if not target.lower().startswith("file:"):
        return Path(target)
    found = Path(unquote(_FILE_ADDRESS.sub("" if os.name == "nt" else "/", target)))
    if not found.is_dir() or found == Path(found.anchor):
        raise CompanionError("There is no repository there", target, "make it first, or name a folder")
    return found


def _place(store: Store, target: Path) -> Path:
    """The mirror itself: the folder named where that is new, empty or a mirror already, else one inside it."""
    inside = target / f"{store.folder.resolve().name}-history.git"
    begun = (target / "no-worktree").is_dir()  # by a run that was interrupted before there was a name in it
    if not target.exists() or begun or (target / refs.FILE).exists() or target.suffix == ".git":
        return target
    if (target / "HEAD").is_file() and (target / "objects").is_dir():  # a repository, not used yet
        return target
    return target if _is_empty(target) and not inside.exists() else inside


def _is_empty(place: Path) -> bool:
    """Tell whether nothing is in a folder but the lock of a run that was killed right at its beginning."""
    return all(path.name.startswith("mirror.lock") for path in place.iterdir())


def _refuse_links(place: Path) -> None:
    for part in ("", "objects", "objects/pack", "objects/info", "refs", "refs/snapshots", "refs/tags"):
        if refused := linked_folder(place / part):
            raise refused


def _to_folder(store: Store, target: Path, watch: Watch) -> Mirrored:
    with explained("write the mirror", target):
        place = _place(store, target)
        if is_inside(store.folder, place):
            raise CompanionError(
                "A mirror inside the working folder is no second copy", str(place), "choose a place outside it"
            )
        if place.exists() and not place.is_dir():
            raise CompanionError("That is no folder", str(place), "name a folder, new or empty")
        _refuse_links(place)
        others.refuse_other_formats(place)
        somebodys, made_here = refs.holds_others(place), _is_made_here(place)
        place.parent.mkdir(parents=True, exist_ok=True)
        hold(place, make=True).close()
        with held(place / "mirror.lock", "copying a history"):
            if made_here:
                hermetic.create(place)
                hermetic.reclaim(place)
            hold(place, "objects/pack", make=True).close()
            with contextlib.closing(Store.at(place)) as there:
                done = _bring_up_to_date(store, there, somebodys, watch)
        caution = SAME_DISK if place.stat().st_dev == store.folder.stat().st_dev else ""
    return msgspec.structs.replace(done, caution=caution)


def _is_made_here(place: Path) -> bool:
    """Tell whether a mirror is one that we made, or are to make, and not a repository that somebody made."""
    return not place.exists() or (place / "no-worktree").is_dir() or _is_empty(place)


def _bring_up_to_date(store: Store, there: Store, somebodys: bool, watch: Watch) -> Mirrored:
    """Copy what is missing or damaged there, read all of it back, then write the names; return what to tell of it."""
    ours, packs = store.named(), there.packs
    known = set(packs.places)
    there.mend_indexes(shared=somebodys)
    listed = others.names(there.path) if somebodys else there.named()
    refuse_another(ours, listed.snapshots, str(there.path))
    wanted = listed.joined(ours)
    damaged = _doubt_damaged(there, watch) | known - packs.places.keys()
    copied = copy_packs(store.packs, packs, watch)
    rows = there.rows(wanted)
    if not somebodys:
        remake(packs, rows, watch)
    if somebodys:
        others.add_names(there.path, wanted)
    else:
        refs.write(there.path, wanted)
        packs.doubts.keep()
    return Mirrored(
        target=str(there.path),
        snapshots=len(wanted.snapshots),
        new=len(ours.snapshots.keys() - listed.snapshots.keys()),
        bytes=copied,
        repaired=sum(oid in packs for oid in damaged),
        broken=tuple(sorted(broken(packs, rows, watch))),
    )


def _doubt_damaged(there: Store, watch: Watch) -> set[bytes]:
    """Read the mirror's packs; of those that do not match their sums every object. Return the objects damaged there."""
    packs = there.packs
    faults = {fault.partition(":")[0] for fault in doubt_packs(packs, watch)}
    found = set()
    for pack in packs.packs:
        if pack.path.name in faults:
            found |= {oid for oid in pack.places if not packs.reads_back(oid, watch)}
    return found


def adopt(store: Store, source: Path, watch: Watch) -> Adopted:
    """Bring the snapshots of a mirror into a folder that has none (a new computer, a lost disk)."""
    with store.writing("bringing a history back"), explained("read the mirror", source):
        if not source.is_dir():
            raise CompanionError("There is no such folder", str(source), "name the one that the mirror command printed")
        with contextlib.closing(Store.at(source)) as there:
            somebodys = refs.holds_others(source)
            theirs, problem = (others.names(source), "") if somebodys else there.named_with_problem()
            if somebodys and not all(bytes.fromhex(commit) in there.packs for commit in theirs.snapshots.values()):
                raise CompanionError(
                    "These snapshots were sent there by git", str(source), "adopt a copy made with: git clone --mirror"
                )
            if not theirs.snapshots and not list((source / "objects" / "pack").glob("*.pack")):
                raise CompanionError(
                    "There are no snapshots there",
                    str(source),
                    "name the folder that the mirror command printed at its end",
                )
            if store.named().snapshots:
                raise CompanionError("This folder has snapshots of its own", str(store.folder), "use an empty folder")
            with contextlib.suppress(FileNotFoundError):
                next(there.pack_folder.iterdir(), None)  # one that may not be looked into is not damaged
            copy_packs(there.packs, store.packs, watch)
            copy_unindexed(there.pack_folder, store.packs, watch)
        store.mend_indexes()
        if problem:  # what could be indexed only here may tell of more
            theirs, problem = relist.resolved(store.packs, refs.look(source))
            if not theirs.snapshots:
                raise CompanionError("There are no snapshots there that can be read", str(source), "try another mirror")
        store.name(theirs)
        lost = broken(store.packs, store.snapshots(), watch)
    return Adopted(
        snapshots=len(theirs.snapshots),
        broken=tuple(sorted(lost)),
        missing=sum(map(len, lost.values())),
        problem=problem,
    )
