"""One walk over the working folder: what is there, without reading a byte of it and without following a link."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import NamedTuple

from companion.core.errors import CompanionError
from companion.core.folder import OURS, RELEASES
from companion.core.progress import Watch
from companion.core.text import listed, visible
from companion.history.names import KEPT_OF_OURS, cannot_be_held


class Seen(NamedTuple):
    """A file or link as the file system tells it; times in nanoseconds."""

    path: str
    size: int
    mtime_ns: int
    ctime_ns: int
    inode: int
    executable: bool
    link: bool


class Walked(NamedTuple):
    """Everything there is to keep. empty: folders with no kept file below. left_out: path and reason."""

    files: list[Seen]
    empty: tuple[str, ...]
    left_out: list[tuple[str, str]]


def seen_of(path: str, status: os.stat_result) -> Seen:
    """Return what ``status`` tells of the file at ``path``."""
    return Seen(
        path,
        status.st_size,
        status.st_mtime_ns,
        status.st_ctime_ns,
        status.st_ino,
        bool(status.st_mode & 0o100) and os.name != "nt",
        stat.S_ISLNK(status.st_mode),
    )


_SPECIAL = (
    (stat.S_ISFIFO, "a pipe, not a file"),
    (stat.S_ISSOCK, "a socket, not a file"),
    (stat.S_ISBLK, "a device, not a file"),
    (stat.S_ISCHR, "a device, not a file"),
)


def _special(status: os.stat_result) -> str:
    for test, reason in _SPECIAL:
        if test(status.st_mode):
            return reason
    # A junction is a folder to Python and a way out of this one to Windows.
    if getattr(status, "st_file_attributes", 0) & 0x400 and not stat.S_ISLNK(status.st_mode):
        return "a junction or another reparse point, not followed"
    return ""


class _Walk:
    def __init__(self, folder: Path, watch: Watch) -> None:
        self.folder, self.watch = str(folder), watch
        self.files: list[Seen] = []
        self.empty: list[str] = []
        self.left_out: list[tuple[str, str]] = []
        self.refused: list[str] = []

    def into(self, relative: str) -> bool:
        """Walk one folder; tell whether it holds anything that is kept, folders with nothing in them included."""
        try:
            with os.scandir(os.path.join(self.folder, relative)) as found:  # noqa: PTH118 -- 20,000 Paths are slow
                entries = sorted(found, key=lambda entry: entry.name)
        except OSError as error:
            self.left_out.append((relative or ".", f"the folder could not be opened: {error.strerror}"))
            return True
        self.watch.step(len(entries))
        holds, prefix = False, relative + "/" if relative else ""
        for entry in entries:
            if self._is_skipped(relative, entry.name):
                continue
            holds = self._one(entry, prefix + entry.name) or holds
        if not holds and relative and relative.rpartition("/")[2] != OURS:
            self.empty.append(relative)
        return True if relative else holds

    @staticmethod
    def _is_skipped(relative: str, name: str) -> bool:
        if name == ".git" or (name == RELEASES and not relative):
            return True
        return relative.rpartition("/")[2] == OURS and name not in KEPT_OF_OURS

    def _one(self, entry: os.DirEntry[str], path: str) -> bool:
        if cannot_be_held(entry.name):
            self.refused.append(path)
            return True
        try:
            status = entry.stat(follow_symlinks=False)
        except OSError as error:
            self.left_out.append((path, f"could not be looked at: {error.strerror}"))
            return True
        if reason := _special(status):
            self.left_out.append((path, reason))
            return True
        if stat.S_ISDIR(status.st_mode):
            return self.into(path)
        self.files.append(seen_of(path, status))
        return True


def walk(folder: Path, watch: Watch) -> Walked:
    """Return everything in ``folder`` that a snapshot holds.

    Raises :class:`CompanionError`, before anything is written, when a name is one that git cannot hold.
    """
    watch.stage("Looking through the folder")
    work = _Walk(folder, watch)
    if not folder.is_dir():
        raise CompanionError("There is no such folder", str(folder), "check the name and whether the disk is connected")
    try:
        work.into("")
    except RecursionError:
        raise CompanionError(
            "Folders lie deeper in each other than can be walked", str(folder), "flatten them"
        ) from None
    if work.refused:
        names = listed([f"“{visible(path)}”" for path in work.refused])
        raise CompanionError(
            f"No snapshot was taken: a history cannot hold {names}",
            str(folder),
            "rename it; some systems take that name for a version-control folder",
        )
    return Walked(work.files, tuple(sorted(work.empty)), work.left_out)
