"""Names below a folder, reached through no link: whoever swaps a folder for a link meanwhile leads nothing astray.

Where the system has calls that start from an open folder (POSIX), each folder on the way is opened without following
and held while what lies in it is touched. Windows has none: there each folder on the way is looked at right before, and
whoever can make a junction in the moment between can still lead a write elsewhere.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import stat
import sys
import threading
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Final, NamedTuple

from companion.core.folder import REPARSE_POINT

BY_HANDLE: Final = {os.open, os.stat, os.unlink, os.mkdir, os.rmdir, os.rename, os.link} <= os.supports_dir_fd
_FOLDER: Final = (
    getattr(os, "O_DIRECTORY", 0)
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_PATH", os.O_RDONLY)
)
_FILE: Final = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0)
_EXCHANGE, _NEW = 2, 1
"""renameat2(2): RENAME_EXCHANGE, RENAME_NOREPLACE."""
_MAC_EXCHANGE, _MAC_NEW = 2, 4
"""renameatx_np(2): RENAME_SWAP, RENAME_EXCL."""
_NOT_HERE: Final = (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM, errno.EOPNOTSUPP)


class Linked(Exception):
    """A folder on the way is a link."""


class Located(NamedTuple):
    """A name in a folder: relative to an open folder, or (where there are no such calls, -1) a whole path."""

    folder: int
    name: str

    @property
    def at(self) -> int | None:
        """The open folder, for the calls of :mod:`os`."""
        return self.folder if self.folder >= 0 else None


class Below:
    """The folder ``root``. Each thread holds the folder it used last; :meth:`close` when all are done."""

    def __init__(self, root: Path | str) -> None:
        self.root = os.fspath(root)
        self._local = threading.local()
        self._held: list[int] = []
        self._lock = threading.Lock()

    def close(self) -> None:
        """Let go of the folders."""
        with self._lock:
            held, self._held = self._held, []
        for handle in held:
            os.close(handle)
        self._local = threading.local()

    def name(self, path: str) -> Located:
        """Return where ``path`` (relative, with forward slashes) is. Raises :class:`Linked`, and OSError."""
        parent, _, name = path.rpartition("/")
        if not BY_HANDLE:
            self._look(parent)
            return Located(-1, os.path.join(self.root, path))  # noqa: PTH118 -- 20,000 Paths are slow
        if getattr(self._local, "parent", None) != parent:
            self._let_go()
            handle = self._open(parent)
            with self._lock:
                self._held.append(handle)
            self._local.parent, self._local.handle = parent, handle
        return Located(self._local.handle, name)

    def forget(self) -> None:
        """Let this thread look its folder up anew: it was made, or taken away."""
        self._let_go()

    def _let_go(self) -> None:
        handle = getattr(self._local, "handle", -1)
        self._local.parent, self._local.handle = None, -1
        with self._lock:
            if handle not in self._held:
                return
            self._held.remove(handle)
        os.close(handle)

    def _open(self, folder: str) -> int:
        handle = os.open(self.root, _FOLDER & ~getattr(os, "O_NOFOLLOW", 0))  # the maker's own way to it may be a link
        for part in folder.split("/") if folder else ():
            try:
                inner = os.open(part, _FOLDER, dir_fd=handle)
            except OSError as error:
                if error.errno in (errno.ELOOP, errno.ENOTDIR, errno.EMLINK) and _is_link(part, handle):
                    raise Linked(part) from error
                raise
            finally:
                os.close(handle)
            handle = inner
        return handle

    def _look(self, folder: str) -> None:
        while folder:
            status = os.lstat(os.path.join(self.root, folder))  # noqa: PTH118
            if stat.S_ISLNK(status.st_mode) or getattr(status, "st_file_attributes", 0) & REPARSE_POINT:
                raise Linked(folder)
            folder = folder.rpartition("/")[0]


def _is_link(name: str, folder: int) -> bool:
    return stat.S_ISLNK(os.stat(name, dir_fd=folder, follow_symlinks=False).st_mode)


def look(place: Located) -> os.stat_result:
    """Return what lies there, a link as itself. Raises OSError."""
    return os.stat(place.name, dir_fd=place.at, follow_symlinks=False)


def remove(place: Located) -> None:
    """Remove a file or link. Raises OSError."""
    os.unlink(place.name, dir_fd=place.at)


def set_permissions(place: Located, bits: int) -> None:
    """Set the permission bits of a file, not of what a link in its place leads to. Raises OSError."""
    if not BY_HANDLE or not hasattr(os, "fchmod"):
        os.chmod(place.name, bits)  # noqa: PTH101
        return
    try:
        handle = os.open(place.name, _FILE, dir_fd=place.at)
    except PermissionError:  # not ours to read; whether it still is a file was looked at right before
        os.chmod(place.name, bits, dir_fd=place.at)
        return
    try:
        os.fchmod(handle, bits)
    finally:
        os.close(handle)


def move(source: Located, target: Located) -> None:
    """Put a file in the place of whatever lies there. Raises OSError."""
    os.replace(source.name, target.name, src_dir_fd=source.at, dst_dir_fd=target.at)


def move_new(source: Located, target: Located) -> None:
    """Move a file to where nothing lies. Raises FileExistsError where something does, and OSError."""
    if _renamed(source, target, new=True):
        return
    if os.name == "nt":  # there a rename never replaces
        os.rename(source.name, target.name)  # noqa: PTH104
        return
    try:
        os.link(source.name, target.name, src_dir_fd=source.at, dst_dir_fd=target.at, follow_symlinks=False)
    except (NotImplementedError, OSError) as error:
        if not isinstance(error, NotImplementedError) and error.errno not in _NOT_HERE:
            raise
        with contextlib.suppress(FileNotFoundError):  # a disk that knows no links: as late as can be
            look(target)
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), target.name) from None
        move(source, target)
    else:
        remove(source)


def exchange(source: Located, target: Located) -> bool:
    """Let two files take each other's place in one step; False where the system cannot. Raises OSError."""
    return _renamed(source, target, new=False)


def swap(source: Located, target: Located, spare: Located) -> Located:
    """Put a file in the place of another, and return where that one is then: ``source``'s own name, or the spare one.

    In one step where the system can. Elsewhere the other one has its second name before it loses its first, and one
    that takes its place in the moment between is lost. Raises FileNotFoundError where nothing lies there, and OSError;
    both are where they were then.
    """
    if exchange(source, target):
        return source
    if os.name == "nt":
        _replaced_on_windows(source, target, spare)
        return spare
    try:
        os.link(target.name, spare.name, src_dir_fd=target.at, dst_dir_fd=spare.at, follow_symlinks=False)
    except (NotImplementedError, OSError) as error:  # a disk that knows no links
        if isinstance(error, FileNotFoundError):
            raise
        move(target, spare)
        move_new(source, target)
        return spare
    move(source, target)
    return spare


def _replaced_on_windows(source: Located, target: Located, old: Located) -> None:
    replace = ctypes.windll.kernel32.ReplaceFileW  # type: ignore[attr-defined,unused-ignore]
    if not replace(target.name, source.name, old.name, 2, None, None):  # REPLACEFILE_IGNORE_MERGE_ERRORS
        raise ctypes.WinError()  # type: ignore[attr-defined,unused-ignore]


def _renamed(source: Located, target: Located, *, new: bool) -> bool:
    """Rename as only the system's newer calls can; tell whether it was done. Raises OSError for what it refuses."""
    call = _newer_rename()
    if call is None:
        return False
    flags = (_NEW, _EXCHANGE) if sys.platform == "linux" else (_MAC_NEW, _MAC_EXCHANGE)
    here = -100 if sys.platform == "linux" else -2  # AT_FDCWD: the path is a whole one
    places = [(one.folder if one.folder >= 0 else here, os.fsencode(one.name)) for one in (source, target)]
    if call(*places[0], *places[1], flags[0 if new else 1]) == 0:
        return True
    code = ctypes.get_errno()
    if code in _NOT_HERE:
        return False
    raise OSError(code, os.strerror(code), target.name)


@cache
def _newer_rename() -> Callable[..., int] | None:
    """Linux's renameat2(2) or macOS's renameatx_np(2), where the C library has it."""
    name = {"linux": "renameat2", "darwin": "renameatx_np"}.get(sys.platform)
    found = getattr(ctypes.CDLL(None, use_errno=True), name, None) if name else None
    if found is not None:
        found.argtypes = [ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint]
        found.restype = ctypes.c_int
    return found
