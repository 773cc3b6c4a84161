"""Hashing the files of a folder two at a time, so that one that changes meanwhile is noticed."""

from __future__ import annotations

import hashlib
import os
import stat as modes
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from typing import Final, NamedTuple

from companion.core.entries import Entry, Kind
from companion.core.files import BLOCK
from companion.core.progress import Watch

THREADS: Final = 2
ATTEMPTS: Final = 3
RACY_NS: Final = 2_000_000_000
"""A file changed this short a time before it was hashed may change again without its times telling (FAT keeps
2 s; git's documentation, "racy-git", tells the same of its index)."""
KEEP_EVERY: Final = 20.0
_FLAGS: Final = (
    os.O_RDONLY
    | getattr(os, "O_BINARY", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_NONBLOCK", 0)
)


class Job(NamedTuple):
    """A file to hash: its relative path and the size seen in the walk."""

    path: str
    size: int


Done = tuple[Entry, int, bool]
"""An entry, its ctime in ns, and whether its hash is too fresh to be trusted next time."""


def _stamp(stat: os.stat_result) -> tuple[int, int, int, int]:
    return (stat.st_size, stat.st_mtime_ns, stat.st_ino, stat.st_ctime_ns)


def hash_one(folder: str, path: str, kind: Kind, watch: Watch, attempts: int = ATTEMPTS) -> Done:
    """Return the entry of one file. One that changes while it is read is read again, then marked."""
    problem = ""
    stat = None
    for attempt in range(attempts):
        if attempt:
            time.sleep(0.05 * attempt)
        try:
            handle = os.open(folder + path, _FLAGS)
        except OSError as error:
            problem = (error.strerror or error.__class__.__name__).lower()
            break
        try:
            before = stat = os.fstat(handle)
            if not modes.S_ISREG(before.st_mode):
                problem = "it is no ordinary file any more"
                break
            now = time.time_ns()
            digest = hashlib.sha256()
            while block := os.read(handle, BLOCK):
                digest.update(block)
                watch.step(len(block))
            after = os.fstat(handle)
        except OSError as error:
            problem = (error.strerror or error.__class__.__name__).lower()
            break
        finally:
            os.close(handle)
        if _stamp(before) == _stamp(after):
            racy = max(before.st_mtime_ns, before.st_ctime_ns) > now - RACY_NS
            return _entry(path, before, kind, sha256=digest.hexdigest()), before.st_ctime_ns, racy
        problem = "it changes while it is being read"
    return _entry(path, stat, kind, problem=problem), 0, True


def _entry(path: str, stat: os.stat_result | None, kind: Kind, *, sha256: str = "", problem: str = "") -> Entry:
    return Entry(
        path=path,
        size=stat.st_size if stat else 0,
        mtime_ns=stat.st_mtime_ns if stat else 0,
        inode=stat.st_ino if stat else 0,
        kind=kind,
        sha256=sha256,
        problem=problem,
    )


def hash_all(
    folder: str,
    jobs: list[Job],
    kind: Callable[[str], Kind],
    watch: Watch,
    keep: Callable[[list[Done]], None],
) -> list[Entry]:
    """Return the entries of ``jobs``. ``keep`` is given all that is done now and then, at the end, and when stopped."""
    watch.stage("Reading files", sum(job.size for job in jobs), "bytes")
    queue = deque(sorted(jobs))
    done: list[Done] = []

    def work() -> None:
        while True:
            try:
                job = queue.popleft()
            except IndexError:
                return
            watch.check()
            done.append(hash_one(folder, job.path, kind(job.path), watch))

    pool = ThreadPoolExecutor(THREADS, thread_name_prefix="hash")
    try:
        futures = [pool.submit(work) for _ in range(THREADS)]
        while True:
            finished, running = wait(futures, KEEP_EVERY, FIRST_EXCEPTION)
            for future in finished:
                future.result()
            if not running:
                break
            keep(list(done))
    finally:
        queue.clear()
        pool.shutdown()
        keep(list(done))
    return [entry for entry, _, _ in done]
