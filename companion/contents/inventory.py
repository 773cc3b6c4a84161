"""The inventory: every file of a working folder in one walk, with its content's hash.

What a file holds is remembered (:mod:`companion.core.census`), and the list of the whole folder beside it: the second
look at an unchanged folder costs one stat a file.
"""

import hashlib
import os
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final

import msgspec

from companion.contents.kinds import kinds_by
from companion.contents.versions import KINDS
from companion.core.cache import Cache, Table
from companion.core.census import Census, Reading
from companion.core.entries import Entry, Kind
from companion.core.facts import Contents
from companion.core.folder import OURS, RELEASES
from companion.core.patience import why
from companion.core.portable import SURROGATE
from companion.core.progress import Watch
from companion.core.walk import Found, Walk

KEY: Final = b"folder"


class Inventory(msgspec.Struct, frozen=True, kw_only=True):
    """What lies in a folder, sorted by path. hashed: how many files had to be read."""

    entries: tuple[Entry, ...]
    hashed: int = 0


class RememberedFolder(msgspec.Struct, array_like=True):
    """A folder as it was: a digest of the facts that set its kinds, and each file with its change time (ctime) in ns.

    Files whose names are not UTF-8 are left out: text is all that can be kept of a name.
    """

    facts: str
    files: list[tuple[Entry, int]]

    def is_all(self, facts: str, files: list[tuple[Entry, int]]) -> bool:
        """Tell whether ``files``, of those remembered, are all of them, under the same facts."""
        return self.facts == facts and len(self.files) == len(files)


def remembered_folders(cache: Cache) -> Table[RememberedFolder]:
    """Return the table of inventories, which holds one, under ``KEY``: a cache serves one folder."""
    return Table(cache, "inventory", 4, RememberedFolder)


def take_inventory(folder: Path, facts: Contents, cache: Cache, watch: Watch, *, rehash: bool = False) -> Inventory:
    """Walk ``folder`` once and return what is in it, hashing what is not known to be unchanged.

    rehash: read every file again, whatever size and times say; for when "unchanged" must be certain.
    ``.companion`` and ``releases`` at the top and ``.git`` anywhere are skipped, links are not followed. ``cache``
    serves one folder. A file that cannot be read has its ``problem`` set. Raises ``CompanionError`` when the folder
    itself cannot be listed, ``Cancelled`` when the watch is; what was hashed till then is remembered.
    """
    mark = hashlib.sha256(msgspec.json.encode((KINDS.version, facts))).hexdigest()
    memory = remembered_folders(cache)
    known = memory.get(KEY) or RememberedFolder("", [])
    walked = Walk(folder, watch, lambda parent: None if parent else {OURS, RELEASES}.__contains__)
    same, others = _compared(walked, [] if rehash else known.files)
    if not (others or walked.links or walked.problems) and known.is_all(mark, same):
        return Inventory(entries=tuple(entry for entry, _ in known.files))

    kinds = kinds_by(facts)
    if known.facts != mark:
        same = [(msgspec.structs.replace(entry, kind=kinds(entry.path)), changed) for entry, changed in same]
    census = Census(cache)
    ids = {} if rehash else census.known(others)
    to_read = [one for one in others if one[0] not in ids]
    read = census.read(folder, to_read, watch) if to_read else {}
    entries, certain = [], []
    for path, status in others:
        one = read.get(path) or Reading(status, ids[path], when=sys.maxsize, still=True)
        entries.append(_entry(path, one, kinds))
        if one.status and one.certain and not SURROGATE.search(path):
            certain.append((entries[-1], one.status.st_ctime_ns))
    if certain or not known.is_all(mark, same):
        memory.put([(KEY, RememberedFolder(mark, sorted(same + certain, key=lambda pair: pair[0].path)))])
    entries += [entry for entry, _ in same]
    entries += [_link(folder, path, status, kinds) for path, status in walked.links]
    entries += [_problem(path, reason, kinds) for path, reason in walked.problems]
    return Inventory(entries=tuple(sorted(entries, key=lambda entry: entry.path)), hashed=len(read))


def _compared(files: Iterable[Found], known: list[tuple[Entry, int]]) -> tuple[list[tuple[Entry, int]], list[Found]]:
    """Return what is remembered of the files that look as they did then, and the other files."""
    same, others = [], []
    known_of = {pair[0].path: pair for pair in known}.get
    for path, status in files:
        pair = known_of(path)
        if (
            pair is not None
            and pair[0].size == status.st_size
            and pair[0].mtime_ns == status.st_mtime_ns
            # A folder's listing has no inodes on Windows; there the other three have to do.
            and status.st_ino in (0, pair[0].inode)
            and pair[1] == status.st_ctime_ns
        ):
            same.append(pair)
        else:
            others.append((path, status))
    return same, others


def _entry(path: str, read: Reading, kinds: Callable[[str], Kind]) -> Entry:
    if read.status is None or read.ids is None:
        return _problem(path, read.problem, kinds, read.status)
    status = read.status
    return Entry(
        path=path,
        size=status.st_size,
        mtime_ns=status.st_mtime_ns,
        inode=status.st_ino,
        kind=kinds(path),
        sha256=read.ids.sha256.hex(),
        blob=read.ids.blob.hex(),
    )


def _link(folder: Path, path: str, status: os.stat_result, kinds: Callable[[str], Kind]) -> Entry:
    try:
        target = os.readlink(os.path.join(folder, path))  # noqa: PTH115, PTH118 -- as written, not as a path
    except OSError as error:
        return _problem(path, why(error).lower(), kinds)
    return Entry(path=path, size=0, mtime_ns=status.st_mtime_ns, inode=status.st_ino, kind=kinds(path), link=target)


def _problem(path: str, problem: str, kinds: Callable[[str], Kind], status: os.stat_result | None = None) -> Entry:
    size, mtime_ns, inode = (status.st_size, status.st_mtime_ns, status.st_ino) if status else (0, 0, 0)
    return Entry(path=path, size=size, mtime_ns=mtime_ns, inode=inode, kind=kinds(path), problem=problem)
