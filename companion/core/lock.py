"""One writer at a time, and a dead writer's lock does not stand in anyone's way."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import socket
import time
from collections.abc import Iterator
from pathlib import Path

from companion.core.errors import Busy
from companion.core.files import explain_os_error


def _started(pid: int) -> str:
    """Return a mark of when process ``pid`` began, so that a reused number is not taken for the old owner."""
    try:
        return Path(f"/proc/{pid}/stat").read_text("ascii", "replace").rpartition(")")[2].split()[19]
    except (OSError, IndexError):
        return ""


def process_alive(pid: int) -> bool:
    """Tell whether a process with this number runs on this computer."""
    if os.name == "nt":
        import ctypes

        windll = ctypes.windll.kernel32  # type: ignore[attr-defined,unused-ignore]
        handle = windll.OpenProcess(0x1000, False, pid)  # PROCESS_QUERY_LIMITED_INFORMATION
        if not handle:
            return bool(windll.GetLastError() == 5)  # ERROR_ACCESS_DENIED: it lives, and is not ours
        code = ctypes.c_ulong()
        windll.GetExitCodeProcess(handle, ctypes.byref(code))
        windll.CloseHandle(handle)
        return code.value == 259  # STILL_ACTIVE
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True


def _owner(path: Path) -> dict[str, object] | None:
    try:
        owner = json.loads(path.read_bytes()[:4096])
    except (OSError, ValueError, RecursionError):
        return None
    return owner if isinstance(owner, dict) else None


def _is_dead(judged: os.stat_result, owner: dict[str, object] | None) -> bool:
    if owner is None:  # half written: its writer was killed between creating and filling it, or is at it now
        return time.time() - judged.st_mtime > 10
    if owner.get("host") != socket.gethostname():
        return False
    pid = owner.get("pid")
    if not isinstance(pid, int) or pid < 1:  # 0 and below would ask after groups of processes
        return True
    return not process_alive(pid) or _started(pid) != owner.get("started", "")


def _clear(path: Path, judged: os.stat_result) -> None:
    """Take the lock file away that was judged dead, and no other.

    Of two that saw it dead, the second may find the first one's new lock in its place: it is renamed before it is
    removed, looked at again, and put back when it is not the one that was judged.
    """
    grave = path.with_name(f"{path.name}.{os.getpid()}.{secrets.token_hex(4)}.dead")
    with contextlib.suppress(OSError):
        path.rename(grave)
        taken = grave.stat()
        if (taken.st_ino, taken.st_mtime_ns) != (judged.st_ino, judged.st_mtime_ns):
            try:
                os.link(grave, path)  # refuses to replace one that came in between
            except FileExistsError:
                pass
            except OSError:  # a disk without hard links
                grave.rename(path)
        grave.unlink()


def _create(path: Path) -> int | None:
    """Return a handle on the new lock file, or None where there is one. Raises :class:`CompanionError`."""
    try:
        path.parent.mkdir(exist_ok=True)  # never the folder itself: its disk may just have gone
        with contextlib.suppress(FileExistsError):
            return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    except OSError as error:
        raise explain_os_error(error, "lock the folder", path) from error
    return None


def _take(path: Path) -> int:
    for _ in range(3):
        handle = _create(path)
        if handle is not None:
            return handle
        try:
            judged = path.stat()
        except OSError:
            continue  # given back just now
        owner = _owner(path)
        if not _is_dead(judged, owner):
            who = (
                f"process {owner.get('pid')} on {owner.get('host')} is at it: {owner.get('doing')}"
                if owner
                else "another process is at it"
            )
            raise Busy(f"This folder is busy, {who}", str(path), "wait until it is done, or close it")
        _clear(path, judged)
    raise Busy("This folder is busy, another process took it just now", str(path), "try again")


def _wait_for(path: Path, patience: float) -> int:
    until = time.monotonic() + patience
    while True:
        try:
            return _take(path)
        except Busy:
            if time.monotonic() >= until:
                raise
            time.sleep(0.02)


@contextlib.contextmanager
def held(path: Path, doing: str, patience: float = 0.0) -> Iterator[None]:
    """Hold the lock file ``path`` while the block runs.

    patience: seconds to wait for a live holder; for locks that are held for moments. Raises :class:`Busy` naming the
    process that holds it; the lock of a process that is dead is cleared first.
    """
    mine = {"pid": os.getpid(), "host": socket.gethostname(), "started": _started(os.getpid()), "doing": doing}
    handle = _wait_for(path, patience)
    try:
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as stream:
                json.dump(mine, stream)
        except OSError as error:
            raise explain_os_error(error, "lock the folder", path) from error
        yield
    finally:
        with contextlib.suppress(OSError):
            path.unlink()
