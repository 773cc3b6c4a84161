"""The history's own directory: opened, locked for writing, tidied after the dead, read from."""

import contextlib
import hashlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from companion.core.errors import CompanionError
from companion.core.files import explained
from companion.core.folder import Places
from companion.core.lock import held
from companion.history.model import KeptFile
from companion.history.snapshot import Snapshot
from companion.history.store import commits, hermetic, refs, snapshot_list
from companion.history.store.objects import FILE, FOLDER, LINK, PROGRAM, joined, tree_entries
from companion.history.store.packs import Damaged, Packs, clear_leftovers

_FEW: Final = 8
"""Up to this many commits are read by ourselves: starting git costs more."""


class Store:
    """The snapshots of one folder as objects; nothing is created by looking."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.places = Places(folder)
        self.path = self.places.history
        self.pack_folder = self.path / "objects" / "pack"
        self._packs: Packs | None = None
        self._listed: tuple[refs.Refs, list[Snapshot]] | None = None

    @property
    def packs(self) -> Packs:
        """The objects there are."""
        if self._packs is None:
            self._packs = Packs(self.pack_folder, self._foreign)
        return self._packs

    def _foreign(self, oid: bytes) -> bytes | None:
        """Read through GitPython an object that our writer did not make (another tool repacked the history)."""
        if not self.path.exists() or not hermetic.git_program():
            return None
        try:
            with contextlib.closing(hermetic.repository(self.path)) as found:
                stream = found.odb.stream(oid)
                kind, data = stream.type, bytes(stream.read())
                digest = hashlib.sha1(b"%s %d\0%s" % (kind, len(data), data), usedforsecurity=False)
                return data if digest.digest() == oid else None
        except Exception:
            return None  # damaged or not there at all: GitPython raises a dozen different errors for it

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
            if refusal := self.places.refusal():
                raise refusal
            stack.enter_context(held(self.places.ours / "history.lock", doing))
            hermetic.create(self.path)
            hermetic.reclaim(self.path)
            orphans = clear_leftovers(self.pack_folder)
            for stale in (*self.path.glob(".*.part"), *self.path.glob("*.lock")):
                stale.unlink(missing_ok=True)
            self.packs.refresh()
            self._index_again([*orphans, *(self.pack_folder / name for name in self.packs.unreadable)])
            yield
            self._remember()
            self.packs.doubts.keep()

    def _index_again(self, packs: list[Path]) -> None:
        """Give packs that were finished, or whose index is lost or damaged, an index; they may hold all there is."""
        for pack in packs:
            index = pack.with_suffix(".idx")
            fresh, bad = index.with_name(f"tmp_{index.name}"), index.with_name(f"tmp_bad_{index.stem}")
            with contextlib.suppress(OSError):  # git trips over it when it looks for objects it has already
                index.replace(bad)
            with contextlib.suppress(CompanionError, OSError):
                hermetic.run(self.path, ["index-pack", "-o", str(fresh), str(index.with_suffix(".pack"))])
                fresh.replace(index)
            if bad.exists() and not index.exists():
                bad.replace(index)
        if packs:
            self.packs.refresh(anew=True)
            self._listed = None

    def named(self) -> refs.Refs:
        """The snapshots and releases by name."""
        return refs.read(self.path)

    def snapshots(self) -> list[Snapshot]:
        """All snapshots, newest (highest number) first."""
        found = self.named()
        if self._listed is None or self._listed[0] != found:
            self._listed = (found, self._list(found))
        return list(self._listed[1])

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
            names = (self.path / refs.FILE).read_bytes()
            if snapshot_list.remembered(self.path) is None:
                rows = self.snapshots()
                if all(row.tree for row in rows):
                    snapshot_list.remember(self.path, names, rows)

    def _texts(self, wanted: list[str]) -> dict[str, tuple[str, str]]:
        """Tree and message by commit id: by one call of git, or one by one where git cannot (none, or damage)."""
        with contextlib.suppress(CompanionError):
            if len(wanted) > _FEW and hermetic.git_program():
                asked = "".join(commit + "\n" for commit in wanted).encode()
                form = "--format=%H%x00%T%x00%B"
                out = hermetic.run(self.path, ["log", "-z", "--no-walk=unsorted", form, "--stdin"], asked)
                parts = out.split(b"\0")
                rows = zip(parts[0::3], parts[1::3], parts[2::3], strict=False)
                return {
                    commit.decode(): (tree.decode(), text.decode("utf-8", "replace")) for commit, tree, text in rows
                }
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


def mode_of(status: os.stat_result) -> int:
    """Return git's mode of a file or link; Windows has no executable bit to tell."""
    if stat.S_ISLNK(status.st_mode):
        return LINK
    return PROGRAM if status.st_mode & 0o100 and os.name != "nt" else FILE
