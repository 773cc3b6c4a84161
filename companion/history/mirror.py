"""A second copy of the history: on another disk object by object, or in any git repository by ``git push``.

A mirror only ever gains. What is forgotten here stays there, and one that holds another history is refused. A
repository on disk that has names of its own is left to git as well: its list of names is not ours to replace.
"""

import contextlib
import hashlib
import os
import re
from pathlib import Path
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import BLOCK, explained, is_inside, sync_folder
from companion.core.lock import held
from companion.core.progress import Watch
from companion.core.text import plural
from companion.history.model import Mirrored
from companion.history.store import hermetic, refs
from companion.history.store.durable import sync_file
from companion.history.store.pack_writer import write_all, write_synced
from companion.history.store.packs import Pack, Packs, clear_leftovers
from companion.history.store.repack import rewrite
from companion.history.store.store import Store

_BATCH: Final = 10
_URL: Final = re.compile(r"(?:file|git|https?|ssh)://\S+|(?:[\w.-]+@)?[\w.-]{2,}:[^\\\s]+")
SAME_DISK: Final = "this copy lies on the same disk as the folder: when that disk fails, both are gone"


def is_remote(target: str) -> bool:
    """Tell whether a mirror's name is the address of a git repository rather than a folder."""
    return bool(_URL.fullmatch(target)) and not Path(target).exists()


def mirror(store: Store, target: str, watch: Watch) -> Mirrored:
    """Bring the mirror at ``target`` up to date. Interrupted, it goes on where it stopped when it is called again."""
    if target.startswith("-") or "::" in target or not target.strip():
        raise CompanionError("A mirror cannot lie there", target, "name a folder or the address of a repository")
    with store.writing("copying the history to its mirror"):
        if not store.named().snapshots:
            raise CompanionError("There is no snapshot to copy yet", str(store.folder), "take one first")
        return _to_remote(store, target, watch) if is_remote(target) else _to_folder(store, Path(target), watch)


def _place(store: Store, target: Path) -> Path:
    """The mirror itself: the folder named where that is new, empty or a mirror already, else one inside it."""
    inside = target / f"{store.folder.resolve().name}-history.git"
    begun = (target / "no-worktree").is_dir()  # by a run that was interrupted before there was a name in it
    if not target.exists() or begun or (target / refs.FILE).exists() or target.suffix == ".git":
        return target
    return inside if inside.exists() or any(target.iterdir()) else target


def _to_folder(store: Store, target: Path, watch: Watch) -> Mirrored:
    with explained("write the mirror", target):
        place = _place(store, target)
        if is_inside(store.folder, place):
            raise CompanionError(
                "A mirror inside the working folder is no second copy", str(place), "choose a place outside it"
            )
        if refs.holds_others(place):
            sent = _to_remote(store, str(place.resolve()), watch)
            return msgspec.structs.replace(sent, caution=_caution(store, place))
        place.mkdir(parents=True, exist_ok=True)
        with held(place / "mirror.lock", "copying a history"):
            hermetic.create(place)
            ours, theirs = store.named(), refs.read(place)
            _refuse_another(store, ours, theirs.snapshots, str(place))
            folder = place / "objects" / "pack"
            clear_leftovers(folder)
            with contextlib.closing(Packs(folder)) as there:
                copied, lost = _copy_packs(store.packs, there, watch)
            new = len(ours.snapshots.keys() - theirs.snapshots.keys())
            snapshots = {**theirs.snapshots, **ours.snapshots}
            refs.write(place, refs.Refs(snapshots, {**theirs.releases, **ours.releases}))
        caution = _caution(store, place)
    if lost:
        damaged = f"{plural(lost, 'damaged object')} of the history could not be copied; verify it"
        caution = f"{damaged}; {caution}" if caution else damaged
    return Mirrored(target=str(place), snapshots=len(snapshots), new=new, bytes=copied, caution=caution)


def _caution(store: Store, place: Path) -> str:
    return SAME_DISK if place.stat().st_dev == store.folder.stat().st_dev else ""


def adopt(store: Store, source: Path, watch: Watch) -> int:
    """Bring the snapshots of a mirror into a folder that has none (a new computer, a lost disk); return how many."""
    with store.writing("bringing a history back"), explained("read the mirror", source):
        theirs = refs.read(source)
        if not theirs.snapshots and any((source / "refs/snapshots").glob("*")):
            raise CompanionError(
                "These snapshots were sent there by git", str(source), "adopt a copy made with: git clone --mirror"
            )
        if not theirs.snapshots:
            raise CompanionError(
                "There are no snapshots there",
                str(source),
                "name the folder that the mirror command printed at its end",
            )
        if store.named().snapshots:
            raise CompanionError("This folder has snapshots of its own", str(store.folder), "use an empty folder")
        with contextlib.closing(Packs(source / "objects" / "pack")) as there:
            _copy_packs(there, store.packs, watch)
        store.packs.refresh()
        refs.write(store.path, theirs)
    return len(theirs.snapshots)


def _refuse_another(store: Store, ours: refs.Refs, theirs: dict[int, str], place: str) -> None:
    differing = [number for number, commit in ours.snapshots.items() if theirs.get(number, commit) != commit]
    if not differing and not ours.snapshots.keys() & theirs.keys():
        # It may be what was mirrored before all of it was forgotten here, but no number that was never given.
        last = refs.next_number(store.path, ours.snapshots) - 1
        differing = [number for number in theirs if number > last]
    if differing:
        raise CompanionError(
            f"That mirror holds another history: its snapshot {differing[0]} is not ours", place, "choose another place"
        )


def _copy_packs(ours: Packs, theirs: Packs, watch: Watch) -> tuple[int, int]:
    """Copy what the mirror lacks: whole packs where it lacks all of one, else the missing objects.

    Return how many bytes, and how many objects are damaged here and could not be copied.
    """
    by_pack: dict[Pack, list[bytes]] = {pack: [] for pack in ours.packs}
    for oid, place in ours.places.items():
        if oid not in theirs:
            by_pack[place.pack].append(oid)
    total = sum(ours.packed_size(oid) for missing in by_pack.values() for oid in missing)
    watch.stage("Copying the history", total, "bytes")
    lost = 0
    for pack, missing in by_pack.items():
        if not missing or (len(missing) == len(pack.places) and _copy_pack(pack.path, theirs.folder, watch)):
            continue
        whole = [oid for oid in missing if ours.reads_back(oid, watch)]
        lost += len(missing) - len(whole)
        if whole:
            rewrite(ours, whole, watch, theirs.folder)
        watch.step(sum(ours.packed_size(oid) for oid in missing))
    for part in theirs.folder.glob("part-*.pack"):  # of a pack that is no more: all there is has been copied by now
        if not part.with_suffix(".idx").exists():
            part.unlink()
    return total, lost


def _copy_pack(pack: Path, folder: Path, watch: Watch) -> bool:
    """Copy one pack and its index; what an earlier attempt copied is used, and the whole is held against its sum.

    Tell whether it was; the pack itself may not match its sum.
    """
    part = folder / f"part-{pack.name}"
    for attempt in range(2):
        if _copy_on(pack, part, watch) == _sum_at_end(pack):
            break
        part.unlink()
        if attempt:
            return False
    index = folder / f"part-{pack.with_suffix('.idx').name}"
    write_synced(index, pack.with_suffix(".idx").read_bytes())
    os.replace(part, folder / pack.name)  # noqa: PTH105
    os.replace(index, folder / pack.with_suffix(".idx").name)  # noqa: PTH105
    sync_folder(folder)
    return True


def _sum_at_end(pack: Path) -> bytes:
    with pack.open("rb") as stream:
        stream.seek(-20, os.SEEK_END)
        return stream.read()


def _copy_on(pack: Path, part: Path, watch: Watch) -> bytes:
    """Complete ``part`` and return the SHA-1 over all of the copy but its last 20 bytes, as the copy reads."""
    handle = os.open(part, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
    try:
        done = os.lseek(handle, 0, os.SEEK_END)
        with pack.open("rb", buffering=0) as stream:
            stream.seek(done)
            watch.step(done)
            while block := stream.read(BLOCK):
                write_all(handle, block)
                watch.step(len(block))
        sync_file(handle)
    finally:
        os.close(handle)
    digest, left = hashlib.sha1(usedforsecurity=False), part.stat().st_size - 20
    with part.open("rb", buffering=0) as stream:
        while left > 0 and (block := stream.read(min(left, BLOCK))):
            digest.update(block)
            left -= len(block)
        return digest.digest() if stream.read() == digest.digest() else b""


def _to_remote(store: Store, address: str, watch: Watch) -> Mirrored:
    """Push through GitPython, the oldest first and a few at a time, so that an interrupted one goes on where it was."""
    ours = store.named()
    with contextlib.closing(hermetic.repository(store.path)) as repository:
        listed = _git(repository.git.ls_remote, "--", address, "refs/snapshots/*")
        theirs = refs.parse(listed.replace("\t", " ")).snapshots
        _refuse_another(store, ours, theirs, address)
        missing = sorted(number for number in ours.snapshots if number not in theirs)
        watch.stage("Sending snapshots", len(missing), "snapshots")
        for start in range(0, len(missing), _BATCH):
            batch = missing[start : start + _BATCH]
            names = [f"refs/snapshots/{number:06d}" for number in batch]
            _git(repository.git.push, "--quiet", "--no-verify", "--", address, *[f"{name}:{name}" for name in names])
            watch.step(len(batch))
        if tags := ours.release_names():
            _git(repository.git.push, "--quiet", "--no-verify", "--", address, *[f"{name}:{name}" for name in tags])
    return Mirrored(target=address, snapshots=len({**theirs, **ours.snapshots}), new=len(missing), bytes=0)


def _git(command: object, *arguments: str) -> str:
    assert callable(command)
    try:
        return str(command(*arguments))
    except Exception as error:
        reason = getattr(error, "stderr", "") or str(error)
        raise CompanionError(
            f"Git could not reach the mirror: {reason.strip()}", "", "check the address and that you may write there"
        ) from error
