"""Names below a folder, reached through no link: whoever swaps a folder for a link meanwhile leads nothing astray.

Where the system has calls that start from an open folder (POSIX), each folder on the way is opened without following
and held while what lies in it is touched. Windows has none: there each folder on the way is opened so that nobody can
rename or remove it meanwhile, and then looked at. A disk that does not let folders be held so leaves the look, and the
moment after it to whoever can make a junction there.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import sys
import threading
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Final, NamedTuple

from companion.core.patience import patiently

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


REPARSE_POINT: Final = 0x400
"""FILE_ATTRIBUTE_REPARSE_POINT: a junction is a folder to Python, and a way out of this one to Windows."""


def is_link(status: os.stat_result) -> bool:
    """Tell whether a look, which followed nothing, met a link or a junction."""
    return stat.S_ISLNK(status.st_mode) or bool(getattr(status, "st_file_attributes", 0) & REPARSE_POINT)


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
        self._held: list[list[int]] = []
        self._lock = threading.Lock()

    def close(self) -> None:
        """Let go of the folders."""
        with self._lock:
            held, self._held = self._held, []
        for handles in held:
            let_go(handles)
        self._local = threading.local()

    def name(self, path: str) -> Located:
        """Return where ``path`` (relative, with forward slashes) is. Raises :class:`Linked`, and OSError."""
        parent, _, name = path.rpartition("/")
        if getattr(self._local, "parent", None) != parent:
            self._let_go()
            handles = open_folders(self.root, parent.split("/") if parent else ())
            with self._lock:
                self._held.append(handles)
            self._local.parent, self._local.handles = parent, handles
        if not BY_HANDLE:
            return Located(-1, os.path.join(self.root, path))  # noqa: PTH118 -- 20,000 Paths are slow
        return Located(self._local.handles[-1], name)

    def forget(self) -> None:
        """Let this thread look its folder up anew: it was made, or taken away."""
        self._let_go()

    def _let_go(self) -> None:
        handles = getattr(self._local, "handles", None)
        self._local.parent = self._local.handles = None
        with self._lock:
            if not any(handles is one for one in self._held):
                return
            self._held = [one for one in self._held if one is not handles]
        let_go(handles or [])


def open_folders(root: str, parts: Sequence[str], *, make: bool = False, flags: int = _FOLDER) -> list[int]:
    """Open the folder ``parts`` below ``root`` through no link; return what holds it, for :func:`let_go`.

    root: a person's own way to a folder, which may be a link. make: what is not there is made. flags: to open the last
    folder with; where the system has such calls, its handle is the last of those returned. Raises :class:`Linked`, and
    OSError.
    """
    if not BY_HANDLE:
        return _held_one_by_one(root, parts, make)
    handle = os.open(root, (_FOLDER if parts else flags) & ~getattr(os, "O_NOFOLLOW", 0))
    for number, part in enumerate(parts, 1):
        try:
            inner = inner_folder(handle, part, flags if number == len(parts) else _FOLDER, make)
        finally:
            os.close(handle)
        handle = inner
    return [handle]


def inner_folder(handle: int, part: str, flags: int, make: bool = False) -> int:
    """Open one folder in another, which is open. Raises :class:`Linked`, and OSError."""
    for attempt in range(2):
        try:
            return os.open(part, flags, dir_fd=handle)
        except FileNotFoundError:
            if not make or attempt:
                raise
            with contextlib.suppress(FileExistsError):
                os.mkdir(part, dir_fd=handle)
                _sync_above(handle)
        except OSError as error:
            if error.errno in (errno.ELOOP, errno.ENOTDIR, errno.EMLINK) and _is_link(part, handle):
                raise Linked(part) from error
            raise
    raise AssertionError


def _sync_above(handle: int) -> None:
    """Make the name of a folder that was made in this one durable. Raises OSError."""
    above = os.open(".", os.O_RDONLY, dir_fd=handle)
    try:
        sync(above)
    finally:
        os.close(above)


def sync(handle: int) -> None:
    """Make what was done in an open folder durable, as far as its disk can. Raises OSError."""
    try:
        os.fsync(handle)
    except OSError as error:  # some network file systems cannot sync a folder
        if error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.EBADF):
            raise


def _held_one_by_one(root: str, parts: Sequence[str], make: bool) -> list[int]:
    """Do what :func:`open_folders` does by paths: each folder is held first, so that what the look tells stays so."""
    handles: list[int] = []
    path = root
    try:
        for part in parts:
            path = os.path.join(path, part)  # noqa: PTH118
            if make:
                with contextlib.suppress(FileExistsError):
                    os.mkdir(path)  # noqa: PTH102
            if sys.platform == "win32" and (handle := _hold(path)) is not None:
                handles.append(handle)
            status = os.lstat(path)
            if is_link(status):
                raise Linked(part)
            if not stat.S_ISDIR(status.st_mode):
                raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), path)
        if not parts and not os.path.isdir(root):  # noqa: PTH112
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), root)
    except BaseException:
        let_go(handles)
        raise
    return handles


def _hold(folder: str) -> int | None:
    """Open a folder on Windows, a junction as itself, so that nobody can rename or remove it; None where it cannot be.

    Only who asks to read counts there for what others may do, so FILE_LIST_DIRECTORY is asked for; what is not shared
    is FILE_SHARE_DELETE.
    """
    import ctypes  # which costs a tenth of a small command

    create = ctypes.windll.kernel32.CreateFileW  # type: ignore[attr-defined,unused-ignore]
    number, pointer = ctypes.c_uint32, ctypes.c_void_p
    create.argtypes = [ctypes.c_wchar_p, number, number, pointer, number, number, pointer]
    create.restype = ctypes.c_void_p
    open_existing, backup_semantics, open_reparse_point = 3, 0x02000000, 0x00200000
    handle = create(folder, 0x0001, 0x0001 | 0x0002, None, open_existing, backup_semantics | open_reparse_point, None)
    return None if handle is None or handle == ctypes.c_void_p(-1).value else int(handle)


def let_go(handles: Sequence[int]) -> None:
    """Close what :func:`open_folders` holds."""
    for handle in handles:
        if BY_HANDLE:
            os.close(handle)
        else:
            import ctypes

            ctypes.windll.kernel32.CloseHandle(ctypes.c_void_p(handle))  # type: ignore[attr-defined,unused-ignore]


def _is_link(name: str, folder: int) -> bool:
    return stat.S_ISLNK(os.stat(name, dir_fd=folder, follow_symlinks=False).st_mode)


def look(place: Located) -> os.stat_result:
    """Return what lies there, a link as itself. Raises OSError."""
    return os.stat(place.name, dir_fd=place.at, follow_symlinks=False)


def remove(place: Located) -> None:
    """Remove a file or link. Raises OSError."""
    patiently(lambda: os.unlink(place.name, dir_fd=place.at))


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
    patiently(lambda: os.replace(source.name, target.name, src_dir_fd=source.at, dst_dir_fd=target.at))


def move_new(source: Located, target: Located) -> None:
    """Move a file to where nothing lies. Raises FileExistsError where something does, and OSError."""
    if _renamed(source, target, new=True):
        return
    if os.name == "nt":  # there a rename never replaces
        patiently(lambda: os.rename(source.name, target.name))  # noqa: PTH104
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
    import ctypes

    replace = ctypes.windll.kernel32.ReplaceFileW  # type: ignore[attr-defined,unused-ignore]

    def do() -> None:
        if not replace(target.name, source.name, old.name, 2, None, None):  # REPLACEFILE_IGNORE_MERGE_ERRORS
            raise ctypes.WinError()  # type: ignore[attr-defined,unused-ignore]

    patiently(do)


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
    import ctypes

    code = ctypes.get_errno()
    if code in _NOT_HERE:
        return False
    raise OSError(code, os.strerror(code), target.name)


@cache
def _newer_rename() -> Callable[..., int] | None:
    """Linux's renameat2(2) or macOS's renameatx_np(2), where the C library has it."""
    import ctypes

    name = {"linux": "renameat2", "darwin": "renameatx_np"}.get(sys.platform)
    found = getattr(ctypes.CDLL(None, use_errno=True), name, None) if name else None
    if found is not None:
        found.argtypes = [ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint]
        found.restype = ctypes.c_int
    return found
