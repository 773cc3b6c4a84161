"""The door to a folder's history: take, list, compare, restore, keep in order.

Each verb is imported when it is asked for: a list of snapshots need not know how to restore one.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Self

from companion.core.cache import Cache
from companion.core.errors import CompanionError
from companion.core.files import explained, sha256_of
from companion.core.folder import FACTS_FILE
from companion.core.progress import QUIET, Watch
from companion.history.model import KeptFile
from companion.history.snapshot import Snapshot
from companion.history.store import refs
from companion.history.store.objects import LINK
from companion.history.store.packs import Damaged
from companion.history.store.store import Store

if TYPE_CHECKING:
    from companion.history.folder_state import FolderState
    from companion.history.model import Adopted, Comparison, Forgotten, Mirrored, Restored, Size, Verified


class History:
    """The snapshots of one working folder, in ``.companion/history.git``. Nothing is created before the first one.

    Every method that fails raises :class:`CompanionError` (or Busy, Cancelled) and leaves the history as it was.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._store = Store(folder)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of all files."""
        self._store.close()
        if cache := self.__dict__.pop("cache", None):  # it was needed
            cache.close()

    @cached_property
    def cache(self) -> Cache:
        """Where blob ids are remembered: the folder's own cache, opened when it is needed."""
        places = self._store.places
        return Cache(places.cache if places.ours.is_dir() else None)

    def take(self, label: str = "", *, kind: str = "asked", watch: Watch = QUIET, thorough: bool = False) -> Snapshot:
        """Keep the whole folder as it is now and return the snapshot.

        When nothing changed since the newest one, that one is returned with ``new=False``; a label asked for is never
        dropped in favour of a snapshot taken unasked. ``thorough`` (always on for a release) hashes every byte again.
        """
        from companion.history import take

        if self.folder.is_dir() and not self._store.is_mirror:
            with explained("make a place for the history", self.folder):
                self._store.places.ours.mkdir(exist_ok=True)
        return take.take(self._store, self.cache, label, kind, watch, thorough)

    def snapshots(self) -> list[Snapshot]:
        """Return all snapshots, newest first."""
        return self._store.snapshots()

    def snapshot(self, number: int) -> Snapshot:
        """Return one snapshot by its number."""
        return self._store.snapshot(number)

    def files(self, number: int) -> dict[str, KeptFile]:
        """Return every file of a snapshot by path: blob id, size, mode."""
        return self._store.files(self._store.snapshot(number).tree)

    def now(self, watch: Watch = QUIET) -> dict[str, KeptFile]:
        """Return every file of the folder as it is now by path; nothing is written to the history."""
        return self._looked(watch).files

    def _looked(self, watch: Watch) -> FolderState:
        from companion.history.folder_state import read_folder
        from companion.history.reader import Sink

        nothing = Sink(lambda _blob: False, None)
        return read_folder(self._store, self.cache, nothing, watch, thorough=False, writes=False)

    def read(self, number: int, path: str) -> bytes:
        """Return the content of one file as snapshot ``number`` holds it."""
        kept = self.files(number).get(path)
        if kept is None:
            from companion.history import restore

            reason = restore.why_left_out(self.snapshot(number), path)
            what = f"Snapshot {number} holds no such file{f': {reason}' if reason else ''}"
            raise CompanionError(what, path, "compare with it to see what it holds")
        return self._store.packs.read(bytes.fromhex(kept.blob))

    def sha256s(self, number: int | None, paths: Sequence[str], watch: Watch = QUIET) -> dict[str, bytes]:
        """Return the SHA-256 of files as snapshot ``number`` holds them (None: as they are now), by path.

        Links and what cannot be read are left out. Files of any size stream through. Raises :class:`Cancelled`.
        """
        files = {} if number is None else self.files(number)
        found = {}
        for path in paths:
            place = self.folder / path
            with contextlib.suppress(OSError, Damaged):
                if number is None and not place.is_symlink() and place.is_file():
                    found[path] = bytes.fromhex(sha256_of(place, watch.check))
                elif (kept := files.get(path)) and kept.mode != LINK:
                    found[path] = self._store.packs.whole(bytes.fromhex(kept.blob), _sha256, watch)
        return found

    def compare(self, a: int, b: int | None = None, watch: Watch = QUIET) -> Comparison:
        """Return what differs between snapshot ``a`` and snapshot ``b``, or the folder as it is now."""
        import dataclasses

        from companion.history import compare

        before, left_before = self.files(a), self.snapshot(a).left_out
        if b is None:
            now = self._looked(watch)
            after, left_after = now.files, now.left_out
        else:
            after, left_after = self.files(b), self.snapshot(b).left_out
        found = compare.difference(before, after, a, b, (left_before, left_after))

        def content(files: dict[str, KeptFile], path: str, live: bool) -> bytes:
            kept = files.get(path)
            if kept is None or kept.size > compare.MOST_TEXT:
                return b"" if kept is None else compare.NO_TEXT
            try:
                if live:
                    return compare.content_of(self.folder / path)
                return self._store.packs.read(bytes.fromhex(kept.blob))
            except (OSError, Damaged):
                return compare.NO_TEXT

        def diff(path: str) -> str:
            old = {new: old for old, new in found.renamed}.get(path, path)
            return compare.unified(path, content(before, old, False), content(after, path, b is None))

        facts_before = compare.as_text(content(before, FACTS_FILE, False)) or ""
        facts_after = compare.as_text(content(after, FACTS_FILE, b is None)) or ""
        return dataclasses.replace(found, facts_before=facts_before, facts_after=facts_after, text_diff=diff)

    def restore(
        self, number: int, *, only: Sequence[str] = (), into: Path | None = None, watch: Watch = QUIET
    ) -> Restored:
        """Bring the folder back to a snapshot: all of it, some paths, or into another (empty) folder.

        What is there now is kept as a snapshot first (``Restored.safety``). Evidence and reports are only ever added.
        """
        from companion.history import restore

        if into is not None:
            return restore.restore_into(self._store, number, only, into, watch)
        return restore.restore(self._store, self.cache, number, only, watch)

    def recover(self, watch: Watch = QUIET) -> Restored | None:
        """Finish a restore that a killed run began, if there is one. Call it when the folder is opened."""
        from companion.history import restore

        return restore.recover(self._store, self.cache, watch)

    def verify(self, watch: Watch = QUIET) -> Verified:
        """Read everything in the history back and hold it against its ids."""
        from companion.history import verify

        return verify.verify(self._store, watch)

    def size(self, watch: Watch = QUIET) -> Size:
        """Return the bytes on disk, and those that each snapshot alone holds."""
        from companion.history import verify

        return verify.size(self._store, watch)

    def forget(self, numbers: Iterable[int], *, released: bool = False, watch: Watch = QUIET) -> Forgotten:
        """Forget snapshots and win back what only they held; a released one only when ``released`` says so."""
        from companion.history import forget

        return forget.forget(self._store, numbers, released, watch)

    def mirror(self, target: str | Path, watch: Watch = QUIET) -> Mirrored:
        """Bring a second copy up to date: a folder (on another disk), or the address of any git repository."""
        from companion.history import mirror

        return mirror.mirror(self._store, str(target), watch)

    def adopt(self, source: Path, watch: Watch = QUIET) -> Adopted:
        """Bring the snapshots of a mirror on disk into a folder that has none yet; return what came back."""
        from companion.history import mirror

        return mirror.adopt(self._store, source, watch)

    def tag_release(self, number: int, version: str) -> Snapshot:
        """Mark a snapshot as the content of a released version; raise when that version names another already."""
        with self._store.writing("recording a release"):
            snapshot, found = self._store.snapshot(number), self._store.named()
            held = found.releases.get(version)
            if held and held != snapshot.id:
                raise CompanionError(
                    f"Version {version} is released already, from another snapshot", "", "raise the version"
                )
            self._store.name(found.joined(refs.Refs(releases={version: snapshot.id})))
        return self._store.snapshot(number)

    def release_snapshot(self, version: str) -> Snapshot | None:
        """Return the snapshot that was released as ``version``, or None."""
        commit = self._store.named().releases.get(version)
        return next((one for one in self.snapshots() if commit and one.id == commit), None)


def _sha256(blocks: Iterator[bytes | bytearray]) -> bytes:
    digest = hashlib.sha256()
    for block in blocks:
        digest.update(block)
    return digest.digest()
