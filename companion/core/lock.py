"""One writer at a time. The system itself gives a lock back when its process ends, on whatever computer that was.

The lock is on a file that lies in the folder it is for, made and opened through no link and never emptied: whatever a
stranger puts in its place is not touched by locking it.
"""

import contextlib
import errno
import json
import os
import stat
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from companion.core.errors import Busy, CompanionError
from companion.core.files import explained
from companion.core.hold import Hold

_POLL: Final = 0.02
_HELD: Final = (errno.EACCES, errno.EAGAIN, errno.EWOULDBLOCK, errno.EDEADLK)
_MOST_NOTE: Final = 4096
_MOST_TRIES: Final = 100
"""To lock a file that loses its name meanwhile: each time somebody has left."""


def _busy(path: Path, folder: Hold) -> Busy:
    who = "another process is working in it"
    with contextlib.suppress(OSError, ValueError, RecursionError):
        with os.fdopen(folder.open(_note(path), os.O_RDONLY), "rb") as stream:
            owner = json.loads(stream.read(_MOST_NOTE))
        if isinstance(owner, dict) and "pid" in owner:
            who = f"process {owner['pid']} on {owner.get('host')} is {owner.get('doing')}"
    return Busy(f"This folder is busy: {who}", str(path), "wait until it is done, or close it")


def _note(path: Path) -> str:
    return f"{path.name}.holder"  # beside it, since Windows lets nobody read a file that is locked


@contextlib.contextmanager
def held(path: Path, doing: str, patience: float = 0.0) -> Iterator[None]:
    """Hold the lock file ``path`` while the block runs; nothing of it is left then.

    Its folder is made where it is missing, but not the one above: its disk may just have gone. doing: what for, as in
    "taking a snapshot". patience: seconds to wait for another holder; for locks that are held for moments. Raises
    :class:`Busy` naming the process that holds it. What a killed one left stands in nobody's way.
    """
    with contextlib.ExitStack() as stack:
        with explained("lock the folder", path):
            folder = stack.enter_context(Hold(path.parent, path.parent.parent, make=True))
            handle, until = None, time.monotonic() + patience
            while (handle := _acquired(folder, path.name)) is None:
                if time.monotonic() >= until:
                    raise _busy(path, folder)
                time.sleep(_POLL)
        try:
            with contextlib.suppress(OSError):  # the lock is what holds; a disk too full for the note costs the note
                folder.remove(_note(path))  # of one that was killed, or a stranger's link
                told = {"pid": os.getpid(), "host": _host(), "doing": doing}
                with os.fdopen(folder.new(_note(path)), "wb") as stream:
                    stream.write(json.dumps(told).encode("ascii"))
            yield
        finally:
            with contextlib.suppress(OSError):
                folder.remove(_note(path))
            _release(folder, path.name, handle)


def _acquired(folder: Hold, name: str) -> int | None:
    """Return the handle of the lock file, locked; None where another holds it. Raises OSError, and CompanionError."""
    for _ in range(_MOST_TRIES):
        _clear(folder, name)
        try:
            handle = folder.open(name, os.O_RDWR | os.O_CREAT)
        except OSError as error:
            if error.errno == errno.ELOOP:  # a link, put there since the look
                continue
            if os.name == "nt" and isinstance(error, PermissionError) and folder.look(name) is not None:
                return None  # it is being removed by the one who held it
            raise
        locked = False
        try:
            _lock(handle)
            locked = _is_there(folder, name, handle)
        except OSError as error:
            if error.errno not in _HELD:
                raise
            return None
        finally:
            if not locked:
                os.close(handle)
        if locked:
            return handle
    return None


def _clear(folder: Hold, name: str) -> None:
    """Take away what a stranger has put in the lock's place: no program of ours makes anything but a file there."""
    standing = folder.look(name)
    if standing is not None and stat.S_ISDIR(standing.st_mode):
        raise CompanionError("What lies in the lock's place is a folder", str(folder.path / name), "take it away")
    if standing is not None and not stat.S_ISREG(standing.st_mode):
        folder.remove(name)


def _is_there(folder: Hold, name: str, handle: int) -> bool:
    """Tell whether the file that is locked still has its name: whoever leaves removes the one that others wait for."""
    if os.name == "nt":  # which removes no open file
        return True
    there = folder.look(name)
    return there is not None and os.path.samestat(os.fstat(handle), there)


def _release(folder: Hold, name: str, handle: int) -> None:
    if os.name != "nt":
        with contextlib.suppress(OSError):
            folder.remove(name)  # while it is held: whoever waits for this very file then finds it gone
    os.close(handle)  # which gives the lock back
    if os.name == "nt":  # which removes no open file: neither ours before, nor that of one who holds it by now
        with contextlib.suppress(OSError):
            folder.remove(name)


def _lock(handle: int) -> None:
    """Lock a file, or raise OSError at once. Where the disk knows no locks at all, that is told."""
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _host() -> str:
    if sys.platform == "win32":
        import socket

        return socket.gethostname()
    else:  # noqa: RET505 -- a type checker passes over a branch, and tells of what follows one
        return os.uname().nodename
