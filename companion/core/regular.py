"""Opens files to read them: in a stranger's folder a pipe has no other end, and a device may have no end at all."""

import errno
import os
import stat
from io import BufferedReader, FileIO
from pathlib import Path

_TO_READ = (  # bare of typing, whose import the quick list of snapshots would feel
    os.O_RDONLY
    | getattr(os, "O_BINARY", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_NOINHERIT", 0)
    | getattr(os, "O_NONBLOCK", 0)
)


def handle_of(path: Path) -> int:
    """Open a file to be read. Raises OSError, also where what lies there is no file: no pipe is waited for."""
    handle = os.open(path, _TO_READ)
    if stat.S_ISREG(os.fstat(handle).st_mode):
        return handle
    os.close(handle)
    raise OSError(errno.EINVAL, "it is no file", os.fspath(path))


def opened(path: Path) -> FileIO:
    """Open a file to be read, as :func:`handle_of` does."""
    return FileIO(handle_of(path), "rb")


def buffered(path: Path) -> BufferedReader:
    """Open a file as :func:`handle_of` does, for many small reads."""
    return BufferedReader(opened(path))


def read_whole(path: Path) -> bytes:
    """Return what a file holds. Raises as :func:`handle_of` does."""
    with opened(path) as stream:
        return stream.readall()
