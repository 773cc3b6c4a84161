"""One writer at a time. The system itself gives a lock back when its process ends, on whatever computer that was."""

import contextlib
import json
import os
from collections.abc import Iterator
from pathlib import Path

from companion.core.errors import Busy
from companion.core.files import explain_os_error


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
    import socket

    from filelock import FileLock, Timeout

    note = path.with_name(f"{path.name}.holder")  # beside it, since Windows lets nobody read a file that is locked
    # Where the disk knows no locks at all, a marker file in their place could outlive its process: better none.
    lock = FileLock(path, timeout=patience, poll_interval=0.02, thread_local=False, fallback_to_soft=False)
    try:
        path.parent.mkdir(exist_ok=True)  # never the folder itself: its disk may just have gone
        if path.is_symlink():  # a stranger's: no program of ours makes one
            path.unlink()
        lock.acquire()
    except Timeout as error:
        raise _busy(path, note) from error
    except OSError as error:
        raise explain_os_error(error, "lock the folder", path) from error
    try:
        with contextlib.suppress(OSError):  # the lock is what holds; a disk too full for the note costs the note
            note.unlink(missing_ok=True)  # of one that was killed, or a stranger's link
            note.write_text(json.dumps({"pid": os.getpid(), "host": socket.gethostname(), "doing": doing}), "utf-8")
        yield
    finally:
        with contextlib.suppress(OSError):
            note.unlink()
        with contextlib.suppress(OSError):  # Windows removes no open file; there the lock itself sees to it
            path.unlink()  # while it is held: whoever waits for this very file then finds it gone, and begins anew
        lock.release()
