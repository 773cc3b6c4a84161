"""The working folder as a snapshot would hold it: what is kept of it, walked and read."""

import os
import stat
import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final, NamedTuple

from companion.core.cache import Cache
from companion.core.census import Census, Ids, Reading, looks_the_same
from companion.core.errors import CompanionError
from companion.core.folder import OURS, RELEASES
from companion.core.progress import Watch
from companion.core.text import listed, visible
from companion.core.walk import Found, Walk
from companion.history.model import KeptFile
from companion.history.names import KEPT_OF_OURS, cannot_be_held, told_of
from companion.history.reader import Sink, read_files
from companion.history.store.store import Store, mode_of

STEP_NS: Final = 150_000_000
"""A file written that shortly before is looked at once more, that long after it was written."""


class Walked(NamedTuple):
    """Everything there is to keep. empty: folders with no kept file below. left_out: path and reason."""

    files: list[Found]
    empty: tuple[str, ...]
    left_out: list[tuple[str, str]]


def walk(folder: Path, watch: Watch) -> Walked:
    """Return everything in ``folder`` that a snapshot holds.

    Raises :class:`CompanionError`, before anything is written, when a name is one that git cannot hold.
    """
    refused: list[str] = []
    passed: list[tuple[str, str]] = []

    def skips(parent: str) -> Callable[[str], bool]:
        ours, prefix = parent.rpartition("/")[2] == OURS, parent + "/" if parent else ""

        def skipped(name: str) -> bool:
            if cannot_be_held(name):
                refused.append(prefix + name)
            if ours and name not in KEPT_OF_OURS:
                if reason := told_of(prefix + name):
                    passed.append((prefix + name, reason))
                return True
            return not parent and name == RELEASES

        return skipped

    found = Walk(folder, watch, skips)
    files = list(found)
    if refused:
        names = listed([f"“{visible(path)}”" for path in sorted(refused)])
        raise CompanionError(
            f"No snapshot was taken: a history cannot hold {names}",
            str(folder),
            "rename it; some systems take that name for a version-control folder",
        )
    # What is in the place of a link without being one is a junction: a way out of the folder on Windows.
    junctions = [(path, "a junction, not followed") for path, status in found.links if not stat.S_ISLNK(status.st_mode)]
    files += [(path, status) for path, status in found.links if stat.S_ISLNK(status.st_mode)]
    theirs = [(f"{path}/.git", "git keeps that repository itself") for path in found.repositories if path != "."]
    return Walked(files, tuple(sorted(found.empty)), found.problems + junctions + passed + theirs)


class FolderState(NamedTuple):
    """The folder as it is: blob, size and mode by path, how each looked when it was read, and what to tell about it."""

    files: dict[str, KeptFile]
    looked: dict[str, os.stat_result]
    changing: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    empty: tuple[str, ...]


def read_folder(store: Store, cache: Cache, sink: Sink, watch: Watch, *, thorough: bool, writes: bool) -> FolderState:
    """Read what changed since the last look and return the whole folder. Blobs go into ``sink``.

    thorough: hash every byte again, whatever the file system says. writes: blobs known by id but not in the history
    are read again, to be written.
    """
    walked = walk(store.folder, watch)
    census = Census(cache)
    known = {} if thorough else census.known(walked.files)
    packs = store.packs
    to_read = [(p, one) for p, one in walked.files if p not in known or (writes and known[p].blob not in packs)]
    watch.stage(
        "Keeping what is new" if writes else "Reading what changed", sum(s.st_size for _, s in to_read), "bytes"
    )
    read, left_out = read_files(store.folder, to_read, known, sink, watch)
    again = [p for p, one in read.items() if writes and one.ids and not sink.holds(one.ids.blob)]
    if again:  # another thread had claimed the same content and its file then changed under it
        sink.claim_anew()
        looked = dict(to_read)
        second, still_out = read_files(store.folder, [(p, looked[p]) for p in again], {}, sink, watch)
        read = {p: one for p, one in read.items() if p not in again} | second
        left_out += still_out
    if writes:
        _wait_for_steps(read.values())
    read = {path: _if_it_still_looks_so(store.folder, path, one) for path, one in read.items()}
    census.remember((p, one) for p, one in read.items() if one.status and not stat.S_ISLNK(one.status.st_mode))
    census.forget_absent(walked.files)
    return _state(store, walked, known, read, left_out)


def _wait_for_steps(read: Iterable[Reading]) -> None:
    """Wait where a file was written just now, until its program would have gone on with it."""
    times = [one.status.st_mtime_ns if os.name == "nt" else one.status.st_ctime_ns for one in read if one.status]
    age = time.time_ns() - max(times, default=0)
    if 0 <= age < STEP_NS:
        time.sleep((STEP_NS - age) / 1e9)


def _if_it_still_looks_so(folder: Path, path: str, one: Reading) -> Reading:
    """Return a reading as not still where its file was written, or taken away, after it: it may be half of a change.

    A program that writes in steps holds still between them. Steps further apart than ``STEP_NS`` go unseen where the
    next one comes after the snapshot; so does what is written to mapped memory and not yet told to the file system.
    """
    if one.status is None or not one.still:
        return one
    try:
        same = looks_the_same(one.status, os.lstat(os.path.join(folder, path)))  # noqa: PTH118 -- 20,000 Paths are slow
    except OSError:
        same = False
    return one if same else one._replace(still=False)


def _state(
    store: Store,
    walked: Walked,
    known: Mapping[str, Ids],
    read: Mapping[str, Reading],
    left_out: list[tuple[str, str]],
) -> FolderState:
    """Put the folder together. The files kept are counted against those found: none may be lost unnoticed."""
    files: dict[str, KeptFile] = {}
    looked: dict[str, os.stat_result] = {}
    lost = {path for path, _ in left_out}
    for path, walked_status in walked.files:
        one = read.get(path)
        ids, status = (one.ids, one.status) if one else (known.get(path), walked_status)
        if ids and status and path not in lost:
            files[path] = KeptFile(ids.blob.hex(), ids.size, mode_of(status))
            looked[path] = status
    if len(files) + len(left_out) != len(walked.files):
        raise CompanionError(
            f"{len(walked.files)} files were found, but {len(files)} kept and {len(left_out)} left out",
            str(store.folder),
            "no snapshot was taken; try again, and report this if it stays so",
        )
    changing = tuple(sorted(path for path, one in read.items() if not one.still))
    return FolderState(files, looked, changing, tuple(sorted([*walked.left_out, *left_out])), walked.empty)
