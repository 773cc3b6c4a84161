"""Make many files durable at what it has to cost and no more."""

import contextlib
import os
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Final

FEW: Final = 200
"""Up to this many files are synced one by one, some 4 ms each. A whole disk is one call, but waits for other programs'
data too: seconds, when one of them is copying something large."""


def sync_file(handle: int) -> None:
    """Make a file durable. What macOS calls fsync stops at the drive's own memory; its full one does not."""
    if sys.platform == "darwin":
        import fcntl

        with contextlib.suppress(OSError):  # some file systems cannot; the plain one has to do there
            fcntl.fcntl(handle, fcntl.F_FULLFSYNC)
            return
    os.fsync(handle)


def sync_data(handle: int) -> None:
    """Make the bytes of a file durable, and no more of it than that where the system tells them apart (macOS, Windows
    do not).
    """
    sync: Callable[[int], None] = getattr(os, "fdatasync", os.fsync)
    sync(handle)


def begin(handle: int) -> None:
    """Have the system start writing a file to disk, and do not wait: a sync that follows has little left to do.

    A restore of 1 GB in 1,246 files is 9 % quicker by it than by syncing the disk now and then meanwhile.
    """
    if start := _starter():
        start(handle, 0, 0, 2)  # SYNC_FILE_RANGE_WRITE; what it refuses, the sync will do


@cache
def _starter() -> Callable[[int, int, int, int], int] | None:
    """Linux's sync_file_range(2), where the C library has it."""
    import ctypes

    found = getattr(ctypes.CDLL(None), "sync_file_range", None) if sys.platform == "linux" else None
    if found is not None:
        found.argtypes = [ctypes.c_int, ctypes.c_int64, ctypes.c_int64, ctypes.c_uint]
    return found


def at_once(files: int) -> bool:
    """Tell whether that many files are better synced with their whole disk (Linux alone has a call that waits)."""
    return files > FEW and sys.platform == "linux"


def sync_disk(root: Path) -> None:
    """Sync the file system that ``root`` lies on. Raises OSError with what the disk reports."""
    import ctypes

    handle = os.open(root, os.O_RDONLY)
    try:
        library = ctypes.CDLL(None, use_errno=True)
        if library.syncfs(handle) != 0:
            code = ctypes.get_errno()
            raise OSError(code, os.strerror(code))
    except AttributeError:  # a C library without syncfs
        if sys.platform != "win32":  # which has neither, and nobody asks there: see at_once
            os.sync()
    finally:
        os.close(handle)
