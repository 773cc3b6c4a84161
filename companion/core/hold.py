"""A folder below another, reached through no link and held: what is done in it is done there, whatever is swapped.

A working folder may come from a stranger, and a program of theirs may run beside us. Between a look at a path and a
write to it any folder on the way can become a link; so nothing of ours is written, renamed or removed by its path.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final, Self

from companion.core import below
from companion.core.below import Located, is_link, open_folders
from companion.core.errors import CompanionError

_TO_LIST: Final = (
    os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
)
_EVERY: Final = (
    getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_BINARY", 0)
    | getattr(os, "O_NOINHERIT", 0)
    | getattr(os, "O_NONBLOCK", 0)
)


@contextlib.contextmanager
def _told(folder: Path) -> Iterator[None]:
    try:
        yield
    except below.Linked as link:
        at = next((one for one in (folder, *folder.parents) if one.name == str(link)), folder)
        raise CompanionError(
            "Nothing is written here: this folder is a link", str(at), "put the folder itself in its place"
        ) from link


class Hold:
    """A folder that is held until :meth:`close`. The names given to its methods are those of files right in it."""

    def __init__(self, folder: Path, root: Path | None = None, *, make: bool = False) -> None:
        """Open ``folder``, which lies below ``root`` or is it.

        root: what of the way is a person's own, and may lead through links; None: all of it. make: what is not there
        below ``root`` is made. Raises :class:`CompanionError` where a folder below ``root`` is a link, and OSError.
        """
        self.path = folder
        parts: Sequence[str] = () if root is None else folder.relative_to(root).parts
        with _told(folder):
            self._handles = open_folders(os.fspath(folder if root is None else root), parts, make=make, flags=_TO_LIST)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the folder."""
        handles, self._handles = self._handles, []
        below.let_go(handles)

    def inner(self, name: str) -> Hold:
        """Hold a folder right in this one. Raises as a new one does."""
        if not below.BY_HANDLE:
            return Hold(self.path / name, self.path)
        found = object.__new__(Hold)
        found.path = self.path / name
        with _told(found.path):
            found._handles = [below.inner_folder(self._handle, name, _TO_LIST)]
        return found

    def at(self, name: str) -> Located:
        """Return a name in the folder, for the calls of :mod:`companion.core.below`."""
        if below.BY_HANDLE:
            return Located(self._handle, name)
        return Located(-1, os.path.join(self.path, name))  # noqa: PTH118

    @property
    def _handle(self) -> int:
        if not self._handles:
            raise OSError(errno.EBADF, os.strerror(errno.EBADF), str(self.path))
        return self._handles[-1]

    def open(self, name: str, flags: int, mode: int = 0o666) -> int:
        """Open a file, no link, and wait for nobody; return its handle. Raises OSError."""
        place = self.at(name)
        return os.open(place.name, flags | _EVERY, mode, dir_fd=place.at)

    def new(self, name: str, mode: int = 0o666, *, read: bool = False) -> int:
        """Make a new file and return its handle. Raises FileExistsError where anything of that name lies."""
        return self.open(name, (os.O_RDWR if read else os.O_WRONLY) | os.O_CREAT | os.O_EXCL, mode)

    def look(self, name: str) -> os.stat_result | None:
        """Return what lies there, a link as itself; None where nothing does. Raises OSError."""
        try:
            return below.look(self.at(name))
        except FileNotFoundError:
            return None

    def is_file(self, name: str) -> bool:
        """Tell whether a real file lies there."""
        with contextlib.suppress(OSError):
            status = self.look(name)
            return status is not None and stat.S_ISREG(status.st_mode)
        return False

    def names(self) -> list[str]:
        """Return all names in the folder. Raises OSError."""
        return os.listdir(self._handle if below.BY_HANDLE else self.path)  # noqa: PTH208 -- by its handle

    def move(self, name: str, to: str) -> None:
        """Put a file in the place of whatever lies there. Raises OSError."""
        below.move(self.at(name), self.at(to))

    def link(self, name: str, to: str) -> None:
        """Give a file a second name. Raises OSError, or NotImplementedError, where the system or the disk cannot."""
        one, other = self.at(name), self.at(to)
        if below.BY_HANDLE:
            os.link(one.name, other.name, src_dir_fd=one.at, dst_dir_fd=other.at, follow_symlinks=False)
        else:
            os.link(one.name, other.name)

    def remove(self, name: str) -> None:
        """Remove a file or link, if there is one. Raises OSError."""
        with contextlib.suppress(FileNotFoundError):
            below.remove(self.at(name))

    def make(self, name: str) -> None:
        """Make a folder, unless there is one. Raises FileExistsError where something else lies there, and OSError."""
        place = self.at(name)
        try:
            os.mkdir(place.name, dir_fd=place.at)
        except FileExistsError:
            status = self.look(name)
            if status is None or is_link(status) or not stat.S_ISDIR(status.st_mode):
                raise

    def remove_folder(self, name: str) -> None:
        """Remove an empty folder. Raises OSError."""
        place = self.at(name)
        os.rmdir(place.name, dir_fd=place.at)

    def clear(self, name: str) -> None:
        """Remove whatever lies there, a folder with all that is in it; what a disk will not remove stays."""
        place = self.at(name)
        with contextlib.suppress(OSError):
            status = self.look(name)
            if status is None:
                return
            if is_link(status) or not stat.S_ISDIR(status.st_mode):
                self.remove(name)
                return
            import shutil

            if below.BY_HANDLE:
                shutil.rmtree(name, ignore_errors=True, dir_fd=place.at)
            else:
                shutil.rmtree(place.name, ignore_errors=True)

    def sync(self) -> None:
        """Make a rename inside durable. Windows needs nothing of the kind and offers no such call."""
        if os.name == "nt":
            return
        handle = self._handle if below.BY_HANDLE else os.open(self.path, os.O_RDONLY)
        try:
            below.sync(handle)
        finally:
            if not below.BY_HANDLE:
                os.close(handle)
