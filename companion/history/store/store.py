"""The history's own directory: opened, locked for writing, tidied after the dead, read from."""

import contextlib
import os
import stat
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Self

from companion.core.errors import CompanionError
from companion.core.files import explained
from companion.core.folder import OURS, Places
from companion.core.lock import held
from companion.history.model import KeptFile
from companion.history.snapshot import Snapshot
from companion.history.store import commits, hermetic, loose, pack_scan, refs, relist, snapshot_list
from companion.history.store.objects import FILE, FOLDER, LINK, PROGRAM, joined, tree_entries
from companion.history.store.packs import Damaged, Packs
from companion.history.store.place import hold


class Store:
    """The snapshots of one folder as objects; nothing is created by looking."""

    def __init__(self, folder: Path) -> None:
        """``folder``: a working folder, or a mirror, which can be looked at like one."""
        self.folder = folder
        self.places = Places(folder)
        self.is_mirror = is_mirror(folder)
        self.path = folder if self.is_mirror else self.places.history
        self.pack_folder = self.path / "objects" / "pack"
        self._packs: Packs | None = None
        self._listed: tuple[refs.Refs, list[Snapshot]] | None = None
        self._found: tuple[refs.Listed, tuple[refs.Refs, str]] | None = None

    @classmethod
    def at(cls, place: Path) -> Self:
        """Return the history that ``place`` itself is, or will be: a mirror, which :meth:`writing` refuses."""
        found = cls(place)
        found.path, found.pack_folder, found.is_mirror = place, place / "objects" / "pack", True
        return found

    @property
    def packs(self) -> Packs:
        """The objects there are."""
        if self._packs is None:
            self._packs = Packs(self.pack_folder, partial(loose.read, self.path / "objects"))
        return self._packs

    def close(self) -> None:
        """Let go of all files."""
        if self._packs is not None:
            self._packs.close()
            self._packs = None

    @contextlib.contextmanager
    def writing(self, doing: str) -> Iterator[None]:
        """Hold the history for writing, with what a dead writer left cleared away first."""
        with explained("open the history", self.places.ours), contextlib.ExitStack() as stack:
            if not self.folder.is_dir():
                raise CompanionError("There is no such folder", str(self.folder), "check its name")
            if self.is_mirror:
                raise CompanionError("This is a mirror, not a working folder", str(self.folder), "adopt it into one")
            if refusal := self.places.refusal():
                raise refusal
            stack.enter_context(held(self.places.ours / "history.lock", doing))
            hermetic.create(self.path)
            hermetic.reclaim(self.path)
            with hold(self.path) as place:
                for name in place.names():
                    if name.endswith(".lock") or (name.startswith(".") and name.endswith(".part")):
                        place.remove(name)
            self.mend_indexes()
            self._mend_list()
            yield
            self._remember()
            self.packs.doubts.keep()

    def mend_indexes(self, *, shared: bool = False) -> None:
        """Give packs that were finished, or whose index is lost, damaged or another's, an index: they may hold all.

        What dead writers left is cleared. shared: as for :func:`pack_scan.clear_leftovers`.
        """
        orphans = pack_scan.clear_leftovers(self.pack_folder, shared=shared)
        self.packs.refresh()
        unusable = [(self.pack_folder / name).with_suffix(".pack") for name in self.packs.unreadable]
        if packs := [*orphans, *unusable, *self.packs.misfits()]:
            for pack in packs:
                with contextlib.suppress(OSError):
                    if pack.is_file():
                        pack_scan.index_again(pack, pack.with_suffix(".idx"))
            self.packs.forget_misfits(packs)
            self._listed = self._found = None

    def _mend_list(self) -> None:
        """Write the list of snapshots anew where either copy of it is damaged, or carries no checksum yet."""
        listed = refs.look(self.path)
        if not listed.certain or listed.problem:
            refs.write(self.path, relist.resolved(self.packs, listed)[0])

    def named(self) -> refs.Refs:
        """The snapshots and releases by name."""
        return self.named_with_problem()[0]

    def named_with_problem(self) -> tuple[refs.Refs, str]:
        """The snapshots and releases by name, and what is wrong with the list that names them (empty: nothing)."""
        listed = refs.look(self.path)
        if listed.certain:
            return listed.refs, listed.problem
        if self._found is None or self._found[0] != listed or self.packs.refresh():
            self._found = (listed, relist.resolved(self.packs, listed))
        return self._found[1]

    def name(self, found: refs.Refs) -> None:
        """Put other names in place of those there are. Raises :class:`CompanionError`; the old ones then stand."""
        refs.write(self.path, found)

    def snapshots(self) -> list[Snapshot]:
        """All snapshots, newest (highest number) first."""
        found = self.named()
        if self._listed is None or self._listed[0] != found:
            self._listed = (found, self._list(found))
        return list(self._listed[1])

    def rows(self, found: refs.Refs) -> list[Snapshot]:
        """The snapshots that ``found`` names, newest first, as their commits tell them."""
        return self._list(found)

    def _list(self, found: refs.Refs) -> list[Snapshot]:
        versions = {commit: version for version, commit in found.releases.items()}
        known = {row.id: row for row in (self._listed or snapshot_list.kept(self.path))[1] if row.tree}
        texts = self._texts([commit for commit in found.snapshots.values() if commit not in known])
        rows = []
        for number, commit in sorted(found.snapshots.items(), reverse=True):
            version = versions.get(commit, "")
            if row := known.get(commit):
                rows.append(row.but(number=number, version=version))
            else:
                tree, text = texts.get(commit, ("", "(this snapshot cannot be read)"))
                rows.append(commits.snapshot_of(number, commit, tree, text, version))
        return rows

    def _remember(self) -> None:
        """Keep the list of snapshots for the next look, unless it is kept already or a snapshot cannot be read."""
        with contextlib.suppress(CompanionError, OSError):
            names = snapshot_list.names(self.path)
            if snapshot_list.remembered(self.path) is None:
                rows = self.snapshots()
                if all(row.tree for row in rows):
                    snapshot_list.remember(self.path, names, rows)

    def _texts(self, wanted: list[str]) -> dict[str, tuple[str, str]]:
        """Tree and message by commit id, of those that can be read."""
        found = {}
        for commit in wanted:
            with contextlib.suppress(Damaged, ValueError):
                found[commit] = commits.split_commit(self.packs.read(bytes.fromhex(commit)))
        return found

    def snapshot(self, number: int) -> Snapshot:
        """Return one snapshot as its commit tells it: a list may be shown on trust, but nothing is done on it.

        Where the commit is damaged, what the list remembers of it is all there is. Raises :class:`CompanionError` when
        there is none of that number, or nothing is known of it.
        """
        row = self.snapshot_or_stub(number)
        if not row.tree:
            raise CompanionError(
                f"Snapshot {number} is damaged and cannot be read", str(self.path), "take it from a mirror"
            )
        with contextlib.suppress(Damaged, ValueError):
            tree, text = commits.split_commit(self.packs.read(bytes.fromhex(row.id)))
            return commits.snapshot_of(row.number, row.id, tree, text, row.version)
        return row

    def snapshot_or_stub(self, number: int) -> Snapshot:
        """Return one snapshot, one that is damaged included. Raises when there is none of that number."""
        for snapshot in self.snapshots():
            if snapshot.number == number:
                return snapshot
        raise CompanionError(f"There is no snapshot {number}", str(self.folder), "list the snapshots to see which")

    def files(self, tree: str, lost: list[tuple[str, str]] | None = None) -> dict[str, KeptFile]:
        """Return every file of a tree by path.

        A folder whose own object is damaged goes into ``lost`` with the reason, or is raised where that is None.
        """
        found: dict[str, KeptFile] = {}
        waiting = [("", bytes.fromhex(tree))]
        while waiting:
            folder, oid = waiting.pop()
            try:
                for entry in tree_entries(self.packs.read(oid)):
                    path = joined(folder, entry.name)
                    if entry.mode == FOLDER:
                        waiting.append((path, entry.id))
                    else:
                        found[path] = KeptFile(entry.id.hex(), self._size(entry.id), entry.mode)
            except (Damaged, ValueError) as error:
                if lost is None:
                    raise
                lost.append((folder, getattr(error, "reason", str(error))))
        return found

    def _size(self, blob: bytes) -> int:
        try:
            return self.packs.size(blob)
        except Damaged:
            return 0


def is_mirror(folder: Path) -> bool:
    """Tell whether a folder is itself the copy of a history, and not a working folder that has one."""
    listed = (folder / refs.FILE).is_file() or (folder / refs.COPY).is_file()
    return listed and (folder / "objects" / "pack").is_dir() and not (folder / OURS).exists()


def mode_of(status: os.stat_result) -> int:
    """Return git's mode of a file or link; Windows has no executable bit to tell."""
    if stat.S_ISLNK(status.st_mode):
        return LINK
    return PROGRAM if status.st_mode & 0o100 and os.name != "nt" else FILE
