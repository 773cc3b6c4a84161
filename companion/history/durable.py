"""Make many files durable at what it has to cost and no more."""

from __future__ import annotations

import contextlib
import os
import sys
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
        os.sync()
    finally:
        os.close(handle)
