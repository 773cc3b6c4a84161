"""The safe ways to touch a file: the old content or the new one survives any kill, full disk or power cut."""

import contextlib
import errno
import hashlib
import os
import re
import stat
from collections.abc import Callable, Iterator
from io import BytesIO, FileIO
from pathlib import Path

from companion.core.below import set_permissions, sync
from companion.core.entries import Entry
from companion.core.errors import CompanionError
from companion.core.hold import Hold
from companion.core.patience import is_held, is_too_long, why
from companion.core.regular import opened
from companion.core.scratch import pieces

BLOCK = 1 << 20
"""Bytes read at a time: large enough to be quick, small enough to cancel between."""

_LEFTOVER = re.compile(r"\.(.*)\.(\d+)-([0-9a-f]{8})([0-9a-f]{8})\.part", re.DOTALL)


def sync_folder(folder: Path) -> None:
    """Make a rename inside ``folder`` durable. Windows needs nothing of the kind and offers no such call."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        sync(handle)
    finally:
        os.close(handle)


def explain_os_error(error: OSError, doing: str, path: Path) -> CompanionError:
    """Return an error for people from what the system said while ``doing`` something to ``path``."""
    advice = {
        errno.ENOSPC: "free some space on that disk and try again",
        errno.EDQUOT: "free some space in your quota and try again",
        errno.EROFS: "that place is read-only: choose another or make it writable",
        errno.EACCES: "change the permissions of that place, or choose another",
        errno.EPERM: "change the permissions of that place, or choose another",
        errno.EIO: "the disk reports a fault: copy what you can to another disk first",
        errno.ENOENT: "check the name and whether the disk is connected",
        errno.ENAMETOOLONG: "choose a shorter name or place",
    }.get(error.errno or 0, "try again, and check the disk if it stays so")
    reason = why(error)
    if is_held(error):
        advice = "close that program, or wait until it is done, and try again"
    elif is_too_long(error):
        advice = "move the folder nearer to the top of the drive, or let Windows take long paths"
    return CompanionError(f"Could not {doing}: {reason}", str(path), advice)


@contextlib.contextmanager
def explained(doing: str, path: Path) -> Iterator[None]:
    """Turn what the system refuses while ``doing`` something to ``path`` into an error for people."""
    try:
        yield
    except OSError as error:
        raise explain_os_error(error, doing, path) from error


def beside(target: Path) -> Path:
    """Return a new name beside ``target`` for what is to take its place; it tells whose it is."""
    return target.with_name(fresh_part(target.name))


def fresh_part(name: str) -> str:
    """Return a new name for what is to take the place of ``name``, in the same folder."""
    # 40 characters are at most 160 bytes: the whole name stays under the 255 that file systems allow.
    return part_name(name[:40], os.getpid(), os.urandom(4).hex())


def part_name(name: str, pid: int, chance: str) -> str:
    """Return the name of a file half written by process ``pid``.

    Its last eight digits are made of the rest, so that no file of a maker's that happens to look like it is taken for
    one: it is removed once its process is dead.
    """
    whose = f"companion {name} {pid} {chance}".encode("utf-8", "surrogatepass")
    return f".{name}.{pid}-{chance}{hashlib.sha256(whose).hexdigest()[:8]}.part"


def clear_leftovers(folder: Hold) -> None:
    """Remove what writers in this folder left beside their targets when they were killed."""
    with contextlib.suppress(OSError):
        for name in folder.names():
            match = _LEFTOVER.fullmatch(name)
            if not match or part_name(match[1], int(match[2]), match[3]) != name:
                continue
            if folder.is_file(name) and not process_alive(int(match[2])):
                with contextlib.suppress(OSError):
                    folder.remove(name)


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


def write_safely(target: Path, data: bytes, *, root: Path | None = None, ours: bool = False) -> None:
    """Write ``data`` to ``target`` so that a reader sees all of it or what was there before.

    It is written to a new file beside ``target``, synced, and put in its place. No link is written through, whenever it
    appears: the folder is opened without following, and held.
    root: what of the way to ``target`` is a person's own, as the working folder is; below it nothing is followed. None:
    all of it but ``target`` itself. Folders that are missing below it are made.
    ours: no maker makes a link of it, so whatever lies there is replaced; and no folder is begun anew for it, where
    that may have gone with its disk. Raises :class:`CompanionError` where a link lies and for what the system refuses;
    ``target`` is then what it was.
    """
    with explained("write", target):
        if root is None and not ours:
            target.parent.mkdir(parents=True, exist_ok=True)
        with Hold(target.parent, root, make=not ours) as folder:
            clear_leftovers(folder)
            put_safely(folder, target.name, data, ours=ours)


def put_safely(folder: Hold, name: str, data: bytes, *, ours: bool = False) -> None:
    """Do the same in a folder that is held. Raises :class:`CompanionError`, and OSError for what the system refuses."""
    target, part = folder.path / name, fresh_part(name)
    standing = folder.look(name)
    if standing is not None and not ours:
        if stat.S_ISLNK(standing.st_mode):
            raise CompanionError("Nothing is written through a link", str(target), "put the file itself in its place")
        if not stat.S_ISREG(standing.st_mode):
            raise CompanionError("What lies there is no file", str(target), "take it away, or give it another name")
    try:
        with os.fdopen(folder.new(part), "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if standing is not None and stat.S_ISREG(standing.st_mode):
            set_permissions(folder.at(part), stat.S_IMODE(standing.st_mode))
        folder.move(part, name)
        folder.sync()
    finally:
        with contextlib.suppress(OSError):
            folder.remove(part)


def read_capped(path: Path, most: int, what: str = "file") -> bytes:
    """Return the content of ``path``; refuse one of over ``most`` bytes before reading it."""
    with explained(f"read the {what}", path), open(path, "rb", opener=_without_waiting) as stream:
        status = os.fstat(stream.fileno())
        if not stat.S_ISREG(status.st_mode):
            raise CompanionError(f"The {what} is no file", str(path), "take away what lies in its place")
        size = status.st_size
        data = stream.read(most + 1) if size <= most else b""  # it may be growing, so its size is not trusted
    if max(size, len(data)) > most:
        raise CompanionError(f"The {what} is over {most:,} bytes", str(path), "check that it is the file you meant")
    return data


def _without_waiting(path: str, flags: int) -> int:
    """Open as ``open`` does, but wait for nobody: a pipe in a stranger's folder has no other end."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def read_into(stream: FileIO | BytesIO, view: memoryview) -> int:
    """Fill ``view`` from ``stream`` and return how many bytes came before the end. Raises OSError."""
    done = 0
    while done < len(view) and (count := stream.readinto(view[done:])):
        done += count
    return done


def unchanged(folder: Path, entry: Entry) -> bool:
    """Tell whether a file is still, by size, time and inode, the one that ``entry`` was taken of.

    Whoever remembers something under a content's hash asks this after reading: what was read of a file that changed
    since it was hashed belongs to other content.
    """
    try:
        status = os.lstat(os.path.join(folder, entry.path))  # noqa: PTH118 -- asked of 20,000 files after each step
    except OSError:
        return False
    return (status.st_size, status.st_mtime_ns, status.st_ino) == (entry.size, entry.mtime_ns, entry.inode)


def sha256_of(path: Path, check: Callable[[], object] | None = None) -> str:
    """Return the SHA-256 (FIPS 180-4) of a file's content as lower-case hex. Raises OSError.

    check: called between the pieces of the file; whatever it raises, such as that somebody stops, ends the reading.
    """
    digest = hashlib.sha256()
    with opened(path) as stream:
        for piece in pieces(stream.fileno()):
            if check is not None:
                check()
            digest.update(piece)
    return digest.hexdigest()


def is_inside(folder: Path, path: Path) -> bool:
    """Tell whether ``path``, links resolved, lies in ``folder``; a link that leads to itself is where it lies."""
    return real(path).is_relative_to(real(folder))


def real(path: Path) -> Path:
    """Return where a path leads. Unlike ``resolve`` it raises for no link, also for one that leads to itself."""
    return Path(os.path.realpath(path))
