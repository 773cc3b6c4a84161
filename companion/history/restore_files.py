"""Put files of a snapshot into a folder, one by one: written aside, verified, then put in place."""

import contextlib
import errno
import itertools
import os
import shutil
import stat
import threading
from collections.abc import Callable, Iterator
from functools import cache, partial
from pathlib import Path
from typing import Final, NamedTuple, NoReturn

from companion.core import below, crew
from companion.core.below import Below, Linked, Located
from companion.core.errors import CompanionError
from companion.core.files import sync_folder
from companion.core.hold import Hold
from companion.core.patience import is_held, why
from companion.core.progress import Watch
from companion.history.model import KeptFile
from companion.history.names import unsafe_to_write
from companion.history.restore_plan import RestorePlan
from companion.history.store import durable
from companion.history.store.objects import FOLDER, LINK, PROGRAM
from companion.history.store.pack_writer import write_all
from companion.history.store.packs import Damaged, Packs

_FULL: Final = (errno.ENOSPC, errno.EDQUOT)
CHANGED: Final = "it changed while the restore ran"


class Stays(Exception):
    """A file is left as it is, for the reason told."""


class Guard:
    """Lets everything be replaced and removed: nothing that matters can lie there."""

    def may_replace(self, path: str, status: os.stat_result) -> None:
        """Raise :class:`Stays` when what lies at ``path`` now is kept nowhere else."""

    def is_kept(self, path: str, now: Path, status: os.stat_result) -> bool:
        """Tell whether what lay at ``path``, moved to ``now`` since, is what ``may_replace`` was asked of."""
        return True


class Done(NamedTuple):
    """What was really done; failed: path and reason."""

    written: list[str]
    removed: list[str]
    failed: list[tuple[str, str]]


class Placer:
    """Carries out a plan in ``root``, with ``aside`` (held, on the same disk) for what is half written.

    guard: is asked of what lies in a file's place now, and of what was there when it has been taken out: an edit may
    come in between. What such an edit leaves is put back.
    """

    def __init__(self, packs: Packs, root: Path, aside: Hold, guard: Guard, watch: Watch) -> None:
        self.packs, self.root, self.aside, self.watch = packs, root, aside, watch
        self.guard = guard
        self.below = Below(root)
        self.done = Done([], [], [])
        self._lock = threading.Lock()
        self._names = itertools.count()
        self._at_once = False
        self._folders: set[str] = {""}

    def carry_out(self, plan: RestorePlan) -> Done:
        """Do all of it. A file that cannot be done is listed; a full disk and Cancelled end it and are raised."""
        try:
            return self._carried_out(plan)
        finally:
            self.below.close()

    def take_back(self) -> None:
        """Remove what was written, and the folders made for it that hold nothing else."""
        for path in self.done.written:
            with contextlib.suppress(OSError, Linked):
                below.remove(self.below.name(path))
        for folder in sorted(self._folders - {""}, reverse=True):
            self._drop(folder)
        self.below.close()

    def _carried_out(self, plan: RestorePlan) -> Done:
        self._at_once = durable.at_once(len(plan.write))
        self.watch.stage("Restoring", sum(one.size for one in plan.write.values()), "bytes")
        # Removals come first: on a system that folds case, the new name may be the old file's.
        for path in plan.remove:
            self.watch.check()
            self._each(path, self._remove)
        for folder in plan.drop:
            self._drop(folder)
        for path, wanted in plan.mark.items():
            self._each(path, partial(self._mark, mode=wanted.mode))
        self._write_all(plan.write)
        for folder in plan.make:
            self._each(folder, self._parent)
        self._settle(plan)
        return self.done

    def _settle(self, plan: RestorePlan) -> None:
        """Make all of it durable, names included."""
        if self._at_once:
            durable.sync_disk(self.root)
            return
        failed = {path for path, _ in self.done.failed}  # their folders may be links by now, and links to themselves
        touched = {*plan.write, *plan.remove, *plan.make, *plan.drop} - failed
        for folder in {path.rpartition("/")[0] for path in touched}:
            # A folder that may not be opened is told with the files in it.
            with contextlib.suppress(FileNotFoundError, NotADirectoryError, PermissionError):
                sync_folder(self.root / folder)

    def _each(self, path: str, act: Callable[[str], object]) -> None:
        try:
            if reason := unsafe_to_write(path):
                raise Stays(reason)
            act(path)
        except Damaged as error:
            self._failed(path, f"the history is damaged there: {error.reason}")
        except Linked:
            self._failed(path, "a folder above it is now a link")
        except Stays as error:
            self._failed(path, str(error))
        except OSError as error:
            if error.errno in _FULL:
                raise
            busy = "; it may be open in another program" if isinstance(error, PermissionError) else ""
            self._failed(path, why(error) + ("" if is_held(error) else busy))
        except ValueError as error:  # a name this system cannot even be asked about
            self._failed(path, str(error))

    def _failed(self, path: str, reason: str) -> None:
        with self._lock:
            self.done.failed.append((path, reason))

    def _spare(self) -> Located:
        """A new name beside."""
        return self.aside.at(str(next(self._names)))

    def _path(self, spare: Located) -> Path:
        return Path(self.aside.path, spare.name)

    def _remove(self, path: str) -> None:
        with contextlib.suppress(FileNotFoundError, NotADirectoryError):
            place, spare = self.below.name(path), self._spare()
            status = below.look(place)
            self.guard.may_replace(path, status)
            try:
                below.move(place, spare)
            except OSError as error:
                if error.errno != errno.EXDEV:  # a disk of its own within the folder
                    raise
                below.remove(place)
            else:
                if not self.guard.is_kept(path, self._path(spare), status):
                    self._put_back(path, spare, place)
                    raise Stays(CHANGED)
                _discard(spare)
            self.done.removed.append(path)

    def _put_back(self, path: str, spare: Located, place: Located) -> None:
        """Put something back where it was, or under another name beside where something lies there by now."""
        try:
            below.move_new(spare, place)
        except FileExistsError:
            self._rescue(path, spare, place)

    def _rescue(self, path: str, spare: Located, place: Located) -> NoReturn:
        """Keep what somebody wrote within the moments of a restore under a name of its own; raise :class:`Stays`."""
        stem, dot, ending = path.rpartition("/")[2].rpartition(".")
        folder = place.name[: -len(path.rpartition("/")[2])]
        for number in itertools.count(1):
            name = f"{stem or ending} (restore {number}){dot + ending if stem else ''}"
            with contextlib.suppress(FileExistsError):
                below.move_new(spare, Located(place.folder, folder + name))
                raise Stays(f"{CHANGED}, more than once; what was written in between is “{name}” beside it")
        raise AssertionError

    def _drop(self, folder: str) -> None:
        with contextlib.suppress(OSError, Linked):  # not empty: something that is not ours lies in it; or behind a link
            place = self.below.name(folder)
            os.rmdir(place.name, dir_fd=place.at)
            self._folders.discard(folder)

    def _mark(self, path: str, mode: int) -> None:
        place = self.below.name(path)
        status = below.look(place)
        if not stat.S_ISREG(status.st_mode):
            raise Stays("it is no longer a file")
        below.set_permissions(place, _permissions(status.st_mode & 0o777, mode))
        self.done.written.append(path)

    def _parent(self, folder: str) -> None:
        """Make a folder and those above it, every one of them a real folder."""
        if folder in self._folders:
            return
        self._parent(folder.rpartition("/")[0])
        place = self.below.name(folder)
        with contextlib.suppress(FileExistsError):
            os.mkdir(place.name, dir_fd=place.at)
        if not stat.S_ISDIR(below.look(place).st_mode):
            raise Stays("a file lies where its folder should be")
        self._folders.add(folder)

    def _write_all(self, files: dict[str, KeptFile]) -> None:
        def work(given: Iterator[tuple[str, KeptFile]]) -> None:
            for path, wanted in given:
                self._each(path, partial(self._write, wanted=wanted))
                self.watch.step(wanted.size)

        in_pack_order = sorted(files.items(), key=lambda item: self.packs.position(item[1].blob))
        crew.share(in_pack_order, work, min(crew.processors(), len(files)), "restore")

    def _write(self, path: str, wanted: KeptFile) -> None:
        if wanted.mode == FOLDER or wanted.mode >> 12 not in (0o10, 0o12):
            raise Stays("files of its kind are not restored")
        with self._lock:
            self._parent(path.rpartition("/")[0])
        place, status = self.below.name(path), None
        permissions = 0o666 & ~_umask()
        with contextlib.suppress(FileNotFoundError):
            status = below.look(place)
            if stat.S_ISDIR(status.st_mode):
                raise Stays("a folder that holds other files lies in its place")
            self.guard.may_replace(path, status)
            permissions = status.st_mode & 0o777 if stat.S_ISREG(status.st_mode) else permissions
        aside = self._spare()
        try:
            if wanted.mode == LINK:
                leads = os.fsdecode(self.packs.read(bytes.fromhex(wanted.blob)))
                os.symlink(leads, aside.name, dir_fd=aside.at)
            else:
                self._write_aside(aside, wanted, permissions)
            self._put(path, aside, place, status)
        except BaseException:
            with contextlib.suppress(OSError):
                below.remove(aside)
            raise
        with self._lock:
            self.done.written.append(path)

    def _put(self, path: str, aside: Located, place: Located, status: os.stat_result | None) -> None:
        """Put what was written aside in its place, and whoever wrote there since the look before back in theirs."""
        ours = below.look(aside)
        was = None
        if status is not None:
            with contextlib.suppress(FileNotFoundError):  # taken away since
                was = below.swap(aside, place, self._spare())
        if was is None or status is None:
            try:
                below.move_new(aside, place)
            except FileExistsError:
                raise Stays("something was put in its place while the restore ran") from None
            return
        if not self.guard.is_kept(path, self._path(was), status):
            again = below.swap(was, place, self._spare())
            if _stamp(below.look(again)) != _stamp(ours):
                self._rescue(path, again, place)
            _discard(again)
            raise Stays(CHANGED)
        _discard(was)

    def _write_aside(self, aside: Located, wanted: KeptFile, permissions: int) -> None:
        """Write a file beside; :class:`Damaged` comes at the latest after the last block, before it is in place."""
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        handle = os.open(aside.name, flags, _permissions(0o666, wanted.mode), dir_fd=aside.at)
        try:
            self.packs.whole(bytes.fromhex(wanted.blob), partial(_fill, handle), self.watch)
            bits = _permissions(permissions, wanted.mode)
            if hasattr(os, "fchmod") and bits != _permissions(0o666 & ~_umask(), wanted.mode):
                os.fchmod(handle, bits)
            (durable.begin if self._at_once else durable.sync_file)(handle)
        finally:
            os.close(handle)


def _discard(spare: Located) -> None:
    """Remove what is kept elsewhere; what a disk will not remove now goes with the folder aside."""
    with contextlib.suppress(OSError):
        below.remove(spare)


def _stamp(status: os.stat_result) -> tuple[int, ...]:
    return status.st_ino, status.st_size, status.st_mtime_ns


def _fill(handle: int, blocks: Iterator[bytes | bytearray]) -> None:
    """Write all of a file, over what another copy of it has left."""
    os.ftruncate(handle, 0)
    os.lseek(handle, 0, os.SEEK_SET)
    for block in blocks:
        write_all(handle, block)


def _permissions(bits: int, mode: int) -> int:
    """Permission bits with those for running set for everyone who may read, or for nobody."""
    return bits | ((bits & 0o444) >> 2) if mode == PROGRAM else bits & ~0o111


@cache
def _umask() -> int:
    """The process's umask. It can only be read by setting it, so that is done once."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _is_claim(packs: Packs, one: KeptFile) -> bool:
    """Tell whether a file's size is only what damaged bytes say: one bit makes it a hundred times as much, or more."""
    blob = bytes.fromhex(one.blob)
    return one.size > 64 * packs.packed_size(blob) and not packs.reads_back(blob)


def refuse_when_too_full(root: Path, plan: RestorePlan, packs: Packs) -> None:
    """Raise :class:`CompanionError` when the disk cannot take the plan, before anything is touched."""
    sizes = [one.size for one in plan.write.values() if not _is_claim(packs, one)]
    most, grows = max(sizes, default=0), sum(sizes) - sum(one.size for one in plan.remove.values())
    with contextlib.suppress(OSError):
        free = shutil.disk_usage(root).free
        if max(most, grows) > free:
            raise CompanionError(
                f"The disk has {free:,} bytes left, and the restore needs {max(most, grows):,}",
                str(root),
                "free some space; nothing was changed",
            )
