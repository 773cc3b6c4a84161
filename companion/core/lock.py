"""One writer at a time, and a dead writer's lock does not stand in anyone's way."""

from __future__ import annotations

import contextlib
import json
import os
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
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _owner(path: Path) -> dict[str, object] | None:
    try:
        owner = json.loads(path.read_bytes()[:4096])
    except (OSError, ValueError):
        return None
    return owner if isinstance(owner, dict) else None


def _is_dead(path: Path, owner: dict[str, object] | None) -> bool:
    if owner is None:  # half written: its writer was killed between creating and filling it, or is at it now
        try:
            return time.time() - path.stat().st_mtime > 10
        except OSError:
            return False
    if owner.get("host") != socket.gethostname():
        return False
    pid = owner.get("pid")
    if not isinstance(pid, int):
        return True
    return not process_alive(pid) or _started(pid) != owner.get("started", "")


@contextlib.contextmanager
def held(path: Path, doing: str) -> Iterator[None]:
    """Hold the lock file ``path`` while the block runs.

    Raises :class:`Busy` naming the process that holds it; the lock of a process that is dead is cleared first.
    """
    mine = {"pid": os.getpid(), "host": socket.gethostname(), "started": _started(os.getpid()), "doing": doing}
    path.parent.mkdir(parents=True, exist_ok=True)
    for _ in range(3):
        try:
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        except FileExistsError:
            owner = _owner(path)
            if not _is_dead(path, owner):
                who = (
                    f"process {owner.get('pid')} on {owner.get('host')} is at it: {owner.get('doing')}"
                    if owner
                    else "another process is at it"
                )
                raise Busy(f"This folder is busy, {who}", str(path), "wait until it is done, or close it") from None
            # Renamed before it is removed, so that of two that saw it dead only one clears it.
            grave = path.with_name(f"{path.name}.{os.getpid()}.dead")
            with contextlib.suppress(OSError):
                path.rename(grave)
                grave.unlink()
        except OSError as error:
            raise explain_os_error(error, "lock the folder", path) from error
        else:
            break
    else:
        raise Busy("This folder is busy, another process took it just now", str(path), "try again")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            json.dump(mine, stream)
        yield
    finally:
        with contextlib.suppress(OSError):
            path.unlink()
