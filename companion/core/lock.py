"""One writer at a time. The system itself gives a lock back when its process ends, on whatever computer that was."""

import contextlib
import errno
import json
import os
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Final

from companion.core.errors import Busy
from companion.core.files import explain_os_error

_TAKEN: Final = (errno.EAGAIN, errno.EACCES)
_PAUSE: Final = 0.02


def _busy(path: Path, note: Path) -> Busy:
    who = "another process is working in it"
    with contextlib.suppress(OSError, ValueError, RecursionError):
        owner = json.loads(note.read_bytes()[:4096])
        if isinstance(owner, dict) and "pid" in owner:
            who = f"process {owner['pid']} on {owner.get('host')} is {owner.get('doing')}"
    return Busy(f"This folder is busy: {who}", str(path), "wait until it is done, or close it")


@contextlib.contextmanager
def held(path: Path, doing: str, patience: float = 0.0) -> Iterator[None]:
    """Hold the lock file ``path`` while the block runs; nothing of it is left then.

    doing: what for, as in "taking a snapshot". patience: seconds to wait for another holder; for locks that are held
    for moments. Raises :class:`Busy` naming the process that holds it. What a killed one left stands in nobody's way.
    """
    note = path.with_name(f"{path.name}.holder")  # beside it, since Windows lets nobody read a file that is locked
    try:
        path.parent.mkdir(exist_ok=True)  # never the folder itself: its disk may just have gone
        if path.is_symlink():  # a stranger's: no program of ours makes one
            path.unlink()
        release = _acquired(path, patience)
    except TimeoutError as error:
        raise _busy(path, note) from error
    except OSError as error:
        raise explain_os_error(error, "lock the folder", path) from error
    try:
        with contextlib.suppress(OSError):  # the lock is what holds; a disk too full for the note costs the note
            note.unlink(missing_ok=True)  # of one that was killed, or a stranger's link
            note.write_text(json.dumps({"pid": os.getpid(), "host": _host(), "doing": doing}), "utf-8")
        yield
    finally:
        with contextlib.suppress(OSError):
            note.unlink()
        with contextlib.suppress(OSError):  # Windows removes no open file; there the lock itself sees to it
            path.unlink()  # while it is held: whoever waits for this very file then finds it gone, and begins anew
        release()


if sys.platform == "win32":

    def _acquired(path: Path, patience: float) -> Callable[[], object]:
        """Return what gives the lock back. Raises TimeoutError where another has it for longer, and OSError.

        Where the disk knows no locks at all, a marker file in their place could outlive its process: better none.
        """
        from filelock import FileLock, Timeout

        lock = FileLock(path, timeout=patience, poll_interval=_PAUSE, thread_local=False, fallback_to_soft=False)
        try:
            lock.acquire()
        except Timeout as error:
            raise TimeoutError from error
        return lock.release

    def _host() -> str:
        import socket

        return socket.gethostname()

else:

    def _acquired(path: Path, patience: float) -> Callable[[], object]:
        """Return what gives the lock back, ``flock`` here: the library for all systems takes 9 ms to import.

        Raises TimeoutError where another has it for longer, and OSError, also where the disk knows no locks.
        """
        import fcntl

        until = time.monotonic() + patience
        while True:
            handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                if _is_there(handle, path):
                    return partial(os.close, handle)
            except OSError as error:
                if error.errno not in _TAKEN:
                    os.close(handle)
                    raise
                if time.monotonic() >= until:
                    os.close(handle)
                    raise TimeoutError from error
                time.sleep(_PAUSE)
            os.close(handle)  # another holds it; or whoever held it has removed this very file, and a new one is it

    def _is_there(handle: int, path: Path) -> bool:
        """Tell whether an open file is the one of that name."""
        with contextlib.suppress(FileNotFoundError):
            return os.path.samestat(os.fstat(handle), os.lstat(path))
        return False

    def _host() -> str:
        return os.uname().nodename
