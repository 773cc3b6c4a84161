"""Bring a folder back to what a snapshot holds, so that an interruption at any point loses nothing.

What is there is kept first. Then a journal is written, then file after file is put in place; what stops it half way
(cancel, full disk) puts back what was there, and what kills it is finished by ``recover`` at the next start, but for
the files that somebody changed since.
"""

import contextlib
import json
import os
import stat
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final, NamedTuple

from companion.core.cache import Cache
from companion.core.census import GRAIN_NS, ids_of, read_file
from companion.core.errors import Cancelled, CompanionError
from companion.core.files import explain_os_error, explained, is_inside, read_capped, write_safely
from companion.core.hold import Hold
from companion.core.progress import QUIET, Watch
from companion.history.folder_state import FolderState, read_folder
from companion.history.model import KeptFile, Restored
from companion.history.names import is_within
from companion.history.reader import Sink
from companion.history.restore_files import CHANGED, Done, Guard, Placer, Stays, refuse_when_too_full
from companion.history.restore_plan import RestorePlan, edited_since, plan
from companion.history.snapshot import Snapshot
from companion.history.store.objects import LINK
from companion.history.store.store import Store
from companion.history.take import take_held

_ASIDE: Final = "restore-aside"


class Journal(NamedTuple):
    """A restore that has begun. before: the commit of the snapshot that holds what was there."""

    number: int
    commit: str
    only: tuple[str, ...]
    before: str = ""


def read_journal(store: Store) -> Journal | None:
    """Return the restore that was begun and not ended, or None."""
    try:
        text = json.loads(read_capped(store.places.restoring, 16 << 20))
        only = tuple(str(one) for one in text["only"])
        return Journal(int(text["number"]), str(text["commit"]), only, str(text.get("before", "")))
    except (CompanionError, ValueError, KeyError, TypeError, RecursionError, OverflowError):  # the last: of Infinity
        return None


def _write_journal(store: Store, journal: Journal) -> None:
    text = json.dumps({"schema": 1, **journal._asdict()}, ensure_ascii=True)
    write_safely(store.places.restoring, text.encode("ascii"), root=store.folder, ours=True)


def _end_journal(store: Store) -> None:
    with Hold(store.places.ours, store.folder) as ours:
        ours.clear(_ASIDE)
        if store.places.restore_begun:
            ours.remove(store.places.restoring.name)


def normal(chosen: Sequence[str]) -> tuple[str, ...]:
    """Return chosen paths as snapshots write them. Raises :class:`CompanionError` for one that leads outside."""
    found = []
    for path in chosen:
        text = path.replace("\\", "/") if os.name == "nt" else path
        parts = [part for part in text.split("/") if part not in ("", ".")]
        if ".." in parts or text.startswith("/"):
            raise CompanionError(
                "A path to restore has to be inside the folder", path, "name it relative to the folder"
            )
        if parts:
            found.append("/".join(parts))
    return tuple(found)


def unread(snapshot: Snapshot) -> tuple[str, ...]:
    """Return the paths that were there when a snapshot was taken and are not in it."""
    return tuple("" if path == "." else path for path, _ in snapshot.left_out)


def why_left_out(snapshot: Snapshot, path: str) -> str:
    """Return why a snapshot does not hold a path that was there, or an empty string: it was not there, or is held."""
    return next((why for out, why in snapshot.left_out if is_within(path, ("" if out == "." else out,))), "")


def _held(
    store: Store, snapshot: Snapshot, required: tuple[str, ...]
) -> tuple[dict[str, KeptFile], list[tuple[str, str]]]:
    """Return what a snapshot holds, and (folder, reason) of what is damaged; raise where it lacks a required path."""
    lost: list[tuple[str, str]] = []
    files = store.files(snapshot.tree, lost)
    for one in required if not lost else ():
        inside = one in files or one in snapshot.empty_folders
        if not inside and not any(path.startswith(one + "/") for path in (*files, *snapshot.empty_folders)):
            reason = why_left_out(snapshot, one)
            raise CompanionError(
                f"Snapshot {snapshot.number} holds no “{one}”{f': {reason}' if reason else ''}",
                "",
                "compare with it to see what it holds",
            )
    return files, [(folder or ".", f"the history is damaged there: {reason}") for folder, reason in lost]


def restore(store: Store, cache: Cache, number: int, only: Sequence[str], watch: Watch) -> Restored:
    """Bring the folder, or the paths ``only``, back to snapshot ``number``."""
    chosen = normal(only)
    with store.writing("restoring a snapshot"):
        return _restore_held(store, cache, store.snapshot(number), chosen, watch)


def _restore_held(
    store: Store, cache: Cache, target: Snapshot, chosen: tuple[str, ...], watch: Watch, cut: Journal | None = None
) -> Restored:
    """Restore while the history is held. ``cut``: the restore that was cut off and is finished by this.

    Unless it is that, a chosen path that is not in the snapshot is an error.
    """
    wanted, lost = _held(store, target, () if cut else chosen)
    safety, now = take_held(store, cache, f"before restoring snapshot {target.number}", "before-restore", watch)
    todo = plan(wanted, now.files, target.empty_folders, now.empty, chosen)
    if lost:
        todo = todo._replace(drop=())
    # What a damaged folder held is not known, nor what could not be read: nothing of that is taken away.
    if unknown := tuple("" if path == "." else path for path, _ in (*lost, *target.left_out)):
        todo = todo._replace(remove={p: k for p, k in todo.remove.items() if not is_within(p, unknown)})
    edited = edited_since(todo, now.files, _files_before(store, cut)) if cut else ()
    todo = todo.without(edited)
    if not (todo.write or todo.mark or todo.remove or todo.make or todo.drop):
        _end_journal(store)
        return Restored(
            number=target.number, safety=safety, unchanged=todo.unchanged, failed=tuple(lost), edited=edited
        )
    refuse_when_too_full(store.folder, todo, store.packs)
    _write_journal(store, cut or Journal(target.number, target.id, chosen, safety.id))
    done = _carry_out_or_undo(store, cache, todo, now, watch)
    return Restored(
        number=target.number,
        safety=safety,
        written=tuple(sorted(done.written)),
        removed=tuple(sorted(done.removed)),
        unchanged=todo.unchanged,
        failed=tuple(sorted([*lost, *done.failed])),
        edited=edited,
    )


def _files_before(store: Store, cut: Journal) -> dict[str, KeptFile]:
    """Return what was there when a restore began. Where that is not known nothing was, so that nothing is replaced."""
    begun = next((one for one in store.snapshots() if one.id == cut.before and one.tree), None)
    return store.files(begun.tree, []) if begun else {}


def _carry_out_or_undo(store: Store, cache: Cache, todo: RestorePlan, before: FolderState, watch: Watch) -> Done:
    try:
        done = _carry_out(store, todo, before, watch)
    except (Cancelled, OSError) as error:
        _undo(store, cache, before)
        if isinstance(error, OSError):
            reason = explain_os_error(error, "restore the snapshot", store.folder)
            do = f"{reason.do}; what was there before has been put back"
            raise CompanionError(reason.what, reason.where, do) from error
        raise
    _end_journal(store)
    return done


def _carry_out(store: Store, todo: RestorePlan, before: FolderState, watch: Watch) -> Done:
    with Hold(store.places.ours, store.folder) as ours:
        ours.clear(_ASIDE)
        ours.make(_ASIDE)
    with Hold(store.places.ours / _ASIDE, store.folder) as aside:
        return Placer(store.packs, store.folder, aside, _Kept(store, before, watch), watch).carry_out(todo)


def _undo(store: Store, cache: Cache, before: FolderState) -> None:
    """Put back what was there; where that fails too, the journal stays and the next start finishes the restore."""
    now = read_folder(store, cache, Sink(store.packs.__contains__, None), QUIET, thorough=False, writes=False)
    # What is in no snapshot was not written by the restore: somebody worked on meanwhile, and it stays.
    theirs = {path for path, kept in now.files.items() if bytes.fromhex(kept.blob) not in store.packs}
    back = plan(before.files, now.files, before.empty, now.empty)
    back = back._replace(
        write={path: kept for path, kept in back.write.items() if path not in theirs},
        remove={path: kept for path, kept in back.remove.items() if path not in theirs},
    )
    with contextlib.suppress(OSError):
        done = _carry_out(store, back, now, QUIET)
        if not done.failed:
            _end_journal(store)


class _Kept(Guard):
    """Holds what is about to be replaced or removed against what was kept first, and that against its id.

    A history may have held that content for years without anybody reading it; this is the last moment to find out.
    What is written through a handle that was open before, after the last look, goes with the file it is written to; so
    does an edit within those moments that leaves size and time as they were.
    """

    def __init__(self, store: Store, before: FolderState, watch: Watch) -> None:
        self._store, self._before, self._watch = store, before, watch

    def may_replace(self, path: str, status: os.stat_result) -> None:
        kept, looked = self._before.files.get(path), self._before.looked.get(path)
        if kept is None or looked is None:
            raise Stays("a file lies there that could not be kept first")
        if _stat_key(looked) != _stat_key(status) and not self._holds(kept, self._store.folder, path, status):
            raise Stays(CHANGED)
        if not self._store.packs.reads_back(bytes.fromhex(kept.blob), self._watch):
            raise Stays(
                "the history's own copy of it is damaged, so it was left as it is; try again, and it is kept anew first"
            )

    def is_kept(self, path: str, now: Path, status: os.stat_result) -> bool:
        found = os.lstat(now)
        same = (found.st_mode, found.st_size, found.st_mtime_ns, found.st_ino) == (
            status.st_mode,
            status.st_size,
            status.st_mtime_ns,
            status.st_ino,
        )
        if same and time.time_ns() - found.st_mtime_ns > GRAIN_NS:  # moving a file changes its other time
            return True
        kept = self._before.files.get(path)
        return kept is not None and self._holds(kept, now.parent, now.name, found)

    def _holds(self, kept: KeptFile, folder: Path, path: str, status: os.stat_result) -> bool:
        """Tell whether a file, or a link, holds what was kept."""
        if stat.S_ISLNK(status.st_mode):
            return kept.mode == LINK and ids_of(os.fsencode(os.readlink(folder / path))).blob.hex() == kept.blob  # noqa: PTH115
        if not stat.S_ISREG(status.st_mode) or kept.mode == LINK:
            return False
        now = read_file(folder, path, lambda _count: self._watch.check()).ids
        return now is not None and now.blob.hex() == kept.blob


def _stat_key(status: os.stat_result) -> tuple[int, ...]:
    return status.st_mode, status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino


def restore_into(store: Store, number: int, only: Sequence[str], into: Path, watch: Watch) -> Restored:
    """Write what snapshot ``number`` holds into another folder, which must be empty or not there yet."""
    chosen, target = normal(only), store.snapshot(number)
    if is_inside(store.folder, into):
        raise CompanionError("That folder lies inside the working folder", str(into), "choose a place outside")
    wanted, lost = _held(store, target, chosen)
    todo = plan(wanted, {}, target.empty_folders, (), chosen)
    with explained("write into that folder", into):
        fresh = not into.exists()
        if not fresh and any(into.iterdir()):
            raise CompanionError("That folder is not empty", str(into), "choose an empty or a new one")
        into.mkdir(parents=True, exist_ok=True)
        refuse_when_too_full(into, todo, store.packs)
        aside = f".companion-{_ASIDE}"
        with Hold(into) as place:
            place.make(aside)
            try:
                with Hold(into / aside, into) as held_aside:
                    placer = Placer(store.packs, into, held_aside, Guard(), watch)
                    try:
                        done = placer.carry_out(todo)
                    except BaseException:
                        with contextlib.suppress(OSError):  # what somebody else put there meanwhile stays
                            placer.take_back()
                        raise
            except BaseException:
                place.clear(aside)
                if fresh:
                    with contextlib.suppress(OSError):
                        into.rmdir()
                raise
            place.clear(aside)
    failed = tuple(sorted([*lost, *done.failed]))
    return Restored(number=number, written=tuple(sorted(done.written)), failed=failed)


def recover(store: Store, cache: Cache, watch: Watch) -> Restored | None:
    """Finish a restore that a killed run began; None when there is nothing to finish.

    The folder as the kill left it is kept as a snapshot first: the maker may have worked on in it since. What was
    changed since then stays as it is, and is told in ``Restored.edited``.
    """
    if not store.places.restore_begun:
        return None
    with store.writing("finishing a restore"):
        journal = read_journal(store)
        target = None
        if journal:
            named = next((one for one in store.snapshots() if one.id == journal.commit and one.tree), None)
            target = named and store.snapshot(named.number)
        if journal is None or target is None:
            _end_journal(store)
            return None
        if not journal.before and (newest := store.snapshots()[:1]):
            # An older companion did not name it: it kept what was there last of all, and finished before it kept more.
            journal = journal._replace(before=newest[0].id)
            _write_journal(store, journal)
        return _restore_held(store, cache, target, journal.only, watch, journal)
