"""The inventory: every file of a working folder in one walk, with its content's hash.

Hashes are remembered under path, size, times and inode. The second look at an unchanged folder costs one stat a file.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import msgspec

from companion.contents.hashing import Job, hash_all
from companion.contents.kinds import KINDS, kind_of, kinds_by
from companion.core.cache import Cache
from companion.core.entries import Entry, Kind
from companion.core.facts import Contents
from companion.core.files import explain_os_error
from companion.core.folder import OURS, RELEASES
from companion.core.progress import Watch

__all__ = ["Inventory", "kind_of", "take"]

TABLE: Final = "inventory-1"
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


class _Walk:
    """One walk: files that are known to be as before, files to read, and everything that is no file."""

    def __init__(self, folder: str, known: _Known | None) -> None:
        self.folder = folder
        self.same: list[tuple[Entry, int]] = []
        self.jobs: list[Job] = []
        self.other: list[Entry] = []
        self.empty: list[str] = []
        self.repositories: list[str] = []
        self._known = (
            {entry.path: (entry, changed) for entry, changed in zip(known.entries, known.changed, strict=True)}
            if known
            else {}
        )

    def run(self, watch: Watch) -> None:
        stack = [""]
        while stack:
            prefix = stack.pop()
            place = self.folder + prefix
            try:
                with os.scandir(place) as items:
                    empty = not self._one_folder(items, prefix, stack)
            except OSError as error:
                if not prefix:
                    raise explain_os_error(error, "look through the folder", Path(self.folder)) from error
                self.other.append(_problem(prefix.rstrip("/"), _told(error)))
                continue
            if empty and prefix:
                self.empty.append(prefix[:-1])
            watch.check()

    def _one_folder(self, items: Iterable[os.DirEntry[str]], prefix: str, stack: list[str]) -> bool:
        known, same = self._known.get, self.same.append
        seen = False
        for item in items:
            seen = True
            path = prefix + item.name
            try:
                if item.is_file(follow_symlinks=False):
                    stat = item.stat(follow_symlinks=False)
                    pair = known(path)
                    if pair is not None:
                        entry = pair[0]
                        if (
                            entry.size == stat.st_size
                            and entry.mtime_ns == stat.st_mtime_ns
                            # On Windows a folder's listing tells no inode; there the other three have to do.
                            and stat.st_ino in (0, entry.inode)
                            and pair[1] == stat.st_ctime_ns
                        ):
                            same(pair)
                            continue
                    if item.name == ".git":  # a submodule's: a file that tells where its repository lies
                        self.repositories.append(prefix[:-1] or ".")
                    else:
                        self.jobs.append(Job(path, stat.st_size))
                else:
                    self._no_file(item, path, prefix, stack)
            except OSError as error:
                self.other.append(_problem(path, _told(error)))
        return seen

    def _no_file(self, item: os.DirEntry[str], path: str, prefix: str, stack: list[str]) -> None:
        if item.is_symlink() or (hasattr(item, "is_junction") and item.is_junction()):
            stat = item.stat(follow_symlinks=False)
            self.other.append(
                Entry(
                    path=path,
                    size=0,
                    mtime_ns=stat.st_mtime_ns,
                    inode=stat.st_ino,
                    kind=Kind.OTHER,
                    link=os.readlink(self.folder + path),  # noqa: PTH115
                )
            )
        elif item.is_dir(follow_symlinks=False):
            if item.name == ".git":
                self.repositories.append(prefix[:-1] or ".")
            elif prefix or item.name not in (OURS, RELEASES):
                stack.append(path + "/")
        else:
            self.other.append(_problem(path, "it is no ordinary file (a pipe, socket or device)"))


def _told(error: OSError) -> str:
    return (error.strerror or error.__class__.__name__).lower()


def _problem(path: str, problem: str) -> Entry:
    return Entry(path=path, size=0, mtime_ns=0, inode=0, kind=Kind.OTHER, problem=problem)


def take(folder: Path, facts: Contents, cache: Cache, watch: Watch, *, rehash: bool = False) -> Inventory:
    """Walk ``folder`` once and return what is in it, hashing what is not known to be unchanged.

    rehash: read every file again, whatever size and times say; for when "unchanged" must be certain.
    ``.companion`` and ``releases`` at the top are skipped, ``.git`` anywhere is skipped and remembered, links are not
    followed. ``cache`` serves one folder. A file that cannot be read has its ``problem`` set. Raises ``CompanionError``
    when the folder itself cannot be listed, ``Cancelled`` when the watch is; what was hashed till then is remembered.
    """
    mark = hashlib.sha256(msgspec.json.encode((KINDS.version, facts))).hexdigest()
    known = _remembered(cache)
    walk = _Walk(os.path.join(folder, ""), None if rehash else known)  # noqa: PTH118
    watch.stage("Looking through the folder")
    walk.run(watch)

    if known and not walk.jobs and not walk.other and known.facts == mark and len(walk.same) == len(known.entries):
        return _inventory(known.entries, walk, 0)

    kinds = kinds_by(facts)
    pairs = walk.same
    if not known or known.facts != mark:
        pairs = [(msgspec.structs.replace(entry, kind=kinds(entry.path)), changed) for entry, changed in pairs]
    fresh: list[Entry] = []

    def keep(done: list[tuple[Entry, int, bool]]) -> None:
        trusted = pairs + [(entry, changed) for entry, changed, racy in done if not (racy or entry.problem)]
        _remember(cache, mark, sorted(trusted, key=lambda pair: pair[0].path))

    if walk.jobs:
        fresh = hash_all(walk.folder, walk.jobs, kinds, watch, keep)
    elif not known or known.facts != mark or len(pairs) != len(known.entries):
        keep([])
    others = [msgspec.structs.replace(entry, kind=kinds(entry.path)) for entry in walk.other]
    entries = sorted([entry for entry, _ in pairs] + fresh + others, key=lambda entry: entry.path)
    return _inventory(entries, walk, len(fresh))


def _inventory(entries: list[Entry], walk: _Walk, hashed: int) -> Inventory:
    return Inventory(
        entries=tuple(entries),
        folders_empty=tuple(sorted(walk.empty)),
        repositories=tuple(sorted(walk.repositories)),
        hashed=hashed,
    )
