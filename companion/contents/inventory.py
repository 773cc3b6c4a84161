"""The inventory: every file of a working folder in one walk, with its content's hash.

What a file holds is remembered (:mod:`companion.core.census`), and the list of the whole folder beside it: the second
look at an unchanged folder costs one stat a file.
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final

import msgspec

from companion.contents.kinds import KINDS, kind_of, kinds_by
from companion.core.cache import Cache
from companion.core.census import Census, Reading
from companion.core.entries import Entry, Kind
from companion.core.facts import Contents
from companion.core.folder import OURS, RELEASES
from companion.core.progress import Watch
from companion.core.walk import Found, Walk

__all__ = ["Inventory", "kind_of", "take"]

TABLE: Final = "inventory-2"
KEY: Final = b"folder"


class Inventory(msgspec.Struct, frozen=True, kw_only=True):
    """What lies in a folder, sorted by path.

    folders_empty: folders with nothing in them. repositories: folders that hold a ``.git`` of the maker's own
    (``.`` is the working folder itself). hashed: how many files had to be read.
    """

    entries: tuple[Entry, ...]
    folders_empty: tuple[str, ...] = ()
    repositories: tuple[str, ...] = ()
    hashed: int = 0

    def by_path(self) -> dict[str, Entry]:
        """Return the entries by their path."""
        return {entry.path: entry for entry in self.entries}


class _Known(msgspec.Struct, array_like=True):
    """What is remembered of a folder: entries, when each was last changed (ctime), names that are not UTF-8."""

    facts: str
    entries: list[Entry]
    changed: list[int]
    odd: dict[int, bytes]


_READ: Final = msgspec.msgpack.Decoder(_Known)


def _remembered(cache: Cache) -> _Known | None:
    blob = cache.get(TABLE, KEY)
    if blob is None:
        return None
    try:
        known = _READ.decode(blob)
    except (msgspec.MsgspecError, ValueError):
        return None
    for index, name in known.odd.items():
        known.entries[index] = msgspec.structs.replace(known.entries[index], path=os.fsdecode(name))
    return known if len(known.entries) == len(known.changed) else None


def _remember(cache: Cache, facts: str, pairs: list[tuple[Entry, int]]) -> None:
    odd: dict[int, bytes] = {}
    entries = []
    for index, (entry, _) in enumerate(pairs):
        try:
            entry.path.encode()
        except UnicodeEncodeError:
            odd[index] = os.fsencode(entry.path)
            entry = msgspec.structs.replace(entry, path="")  # noqa: PLW2901
        entries.append(entry)
    known = _Known(facts, entries, [changed for _, changed in pairs], odd)
    cache.put(TABLE, [(KEY, msgspec.msgpack.encode(known))])


def take(folder: Path, facts: Contents, cache: Cache, watch: Watch, *, rehash: bool = False) -> Inventory:
    """Walk ``folder`` once and return what is in it, hashing what is not known to be unchanged.

    rehash: read every file again, whatever size and times say; for when "unchanged" must be certain.
    ``.companion`` and ``releases`` at the top are skipped, ``.git`` anywhere is skipped and remembered, links are not
    followed. ``cache`` serves one folder. A file that cannot be read has its ``problem`` set. Raises ``CompanionError``
    when the folder itself cannot be listed, ``Cancelled`` when the watch is; what was hashed till then is remembered.
    """
    mark = hashlib.sha256(msgspec.json.encode((KINDS.version, facts))).hexdigest()
    known = _remembered(cache)
    walked = Walk(folder, watch, lambda parent: None if parent else {OURS, RELEASES}.__contains__)
    same, others = _compared(walked, None if rehash else known)
    if known and not (others or walked.links or walked.problems) and _is_all(known, mark, same):
        return _inventory(known.entries, walked, 0)

    kinds = kinds_by(facts)
    if not known or known.facts != mark:
        same = [(msgspec.structs.replace(entry, kind=kinds(entry.path)), changed) for entry, changed in same]
    census = Census(cache)
    ids = {} if rehash else census.known(others)
    to_read = [one for one in others if one[0] not in ids]
    read = census.read(folder, to_read, watch) if to_read else {}
    entries = []
    for path, status in others:
        one = read.get(path) or Reading(status, ids[path], when=sys.maxsize, still=True)
        entry = _entry(path, one, kinds)
        if one.status and one.certain:
            same.append((entry, one.status.st_ctime_ns))
        else:
            entries.append(entry)
    if others or not known or not _is_all(known, mark, same):
        _remember(cache, mark, sorted(same, key=lambda pair: pair[0].path))
    entries += [entry for entry, _ in same]
    entries += [_link(folder, path, status, kinds) for path, status in walked.links]
    entries += [_problem(path, reason, kinds) for path, reason in walked.problems]
    return _inventory(sorted(entries, key=lambda entry: entry.path), walked, len(read))


def _compared(files: Iterable[Found], known: _Known | None) -> tuple[list[tuple[Entry, int]], list[Found]]:
    """Return what is remembered of the files that look as they did then, and the other files."""
    pairs = {pair[0].path: pair for pair in zip(known.entries, known.changed, strict=True)} if known else {}
    same, others = [], []
    known_of = pairs.get
    for path, status in files:
        pair = known_of(path)
        if (
            pair is not None
            and pair[0].size == status.st_size
            and pair[0].mtime_ns == status.st_mtime_ns
            # On Windows a folder's listing tells no inode; there the other three have to do.
            and status.st_ino in (0, pair[0].inode)
            and pair[1] == status.st_ctime_ns
        ):
            same.append(pair)
        else:
            others.append((path, status))
    return same, others


def _is_all(known: _Known, mark: str, same: list[tuple[Entry, int]]) -> bool:
    """Tell whether this is the whole of what is remembered, under the same facts."""
    return known.facts == mark and len(same) == len(known.entries)


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
    )


def _link(folder: Path, path: str, status: os.stat_result, kinds: Callable[[str], Kind]) -> Entry:
    try:
        target = os.readlink(os.path.join(folder, path))  # noqa: PTH115, PTH118 -- as written, not as a path
    except OSError as error:
        return _problem(path, (error.strerror or error.__class__.__name__).lower(), kinds)
    return Entry(path=path, size=0, mtime_ns=status.st_mtime_ns, inode=status.st_ino, kind=kinds(path), link=target)


def _problem(path: str, problem: str, kinds: Callable[[str], Kind], status: os.stat_result | None = None) -> Entry:
    size, mtime_ns, inode = (status.st_size, status.st_mtime_ns, status.st_ino) if status else (0, 0, 0)
    return Entry(path=path, size=size, mtime_ns=mtime_ns, inode=inode, kind=kinds(path), problem=problem)


def _inventory(entries: list[Entry], walked: Walk, hashed: int) -> Inventory:
    repositories = set(walked.repositories)
    return Inventory(
        entries=tuple(entries),
        folders_empty=tuple(sorted(path for path in walked.empty if path not in repositories)),
        repositories=tuple(sorted(repositories)),
        hashed=hashed,
    )
