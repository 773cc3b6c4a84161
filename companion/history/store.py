"""The door to a folder's history: take, list, compare, restore, keep in order.

What only some of it needs is imported where it is used, so that listing snapshots costs little more than git does.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from companion.core.errors import CompanionError
from companion.core.progress import QUIET, Watch
from companion.history import refs
from companion.history.model import Comparison, Forgotten, Kept, Mirrored, Restored, Size, Verified
from companion.history.shelf import Shelf, told
from companion.history.snapshot import Snapshot

if TYPE_CHECKING:
    from companion.core.cache import Cache


class History:
    """The snapshots of one working folder, in ``.companion/history.git``. Nothing is created before the first one.

    Every method that fails raises :class:`CompanionError` (or Busy, Cancelled) and leaves the history as it was.
    """

    def __init__(self, folder: Path, cache: Cache | None = None) -> None:
        """``cache``: where blob ids are remembered; the folder's own cache is opened when none is given."""
        self.folder = folder
        self._shelf = Shelf(folder)
        self._given, self._cache = cache, cache

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of all files."""
        self._shelf.close()
        if self._cache is not None and self._given is None:
            self._cache.close()
            self._cache = None

    @property
    def cache(self) -> Cache:
        """Where blob ids are remembered."""
        from companion.core.cache import Cache

        if self._cache is None:
            ours = self._shelf.places.ours
            self._cache = Cache(self._shelf.places.cache if ours.is_dir() else None)
        return self._cache

    @staticmethod
    def available() -> str:
        """Return an empty string when git can be used, else why not and what to do."""
        from companion.history import hermetic

        reason = hermetic.why_not()
        return f"{reason}; install git to keep snapshots, everything else works without it" if reason else ""

    def take(self, label: str = "", *, kind: str = "asked", watch: Watch = QUIET, thorough: bool = False) -> Snapshot:
        """Keep the whole folder as it is now and return the snapshot.

        When nothing changed since the newest one, that one is returned with ``new=False``; a label asked for is never
        dropped in favour of a snapshot taken unasked. ``thorough`` (always on for a release) hashes every byte again.
        """
        from companion.history import taking

        if self.folder.is_dir():
            with told("make a place for the history", self.folder):
                self._shelf.places.ours.mkdir(exist_ok=True)
        return taking.take(self._shelf, self.cache, label, kind, watch, thorough)

    def snapshots(self) -> list[Snapshot]:
        """Return all snapshots, newest first."""
        return self._shelf.snapshots()

    def snapshot(self, number: int) -> Snapshot:
        """Return one snapshot by its number."""
        return self._shelf.snapshot(number)

    def files(self, number: int) -> dict[str, Kept]:
        """Return every file of a snapshot by path: blob id, size, mode."""
        return self._shelf.files(self._shelf.snapshot(number).tree)

    def now(self, watch: Watch = QUIET) -> dict[str, Kept]:
        """Return every file of the folder as it is now by path; nothing is written to the history."""
        from companion.history import taking
        from companion.history.reading import Sink

        nothing = Sink(lambda _blob: False, None)
        return taking.look(self._shelf, self.cache, nothing, watch, thorough=False, writes=False).files

    def read(self, number: int, path: str) -> bytes:
        """Return the content of one file as snapshot ``number`` holds it."""
        kept = self.files(number).get(path)
        if kept is None:
            raise CompanionError(f"Snapshot {number} holds no such file", path, "compare with it to see what it holds")
        return self._shelf.packs.read(bytes.fromhex(kept.blob))

    def sha256s(self, number: int | None, paths: Sequence[str]) -> dict[str, bytes]:
        """Return the SHA-256 of files as snapshot ``number`` holds them (None: as they are now), by path.

        Links and what cannot be read are left out. Files of any size stream through.
        """
        from companion.core.files import sha256_of
        from companion.history.model import LINK
        from companion.history.packs import Damaged

        files = {} if number is None else self.files(number)
        found = {}
        for path in paths:
            place = self.folder / path
            with contextlib.suppress(OSError, Damaged):
                if number is None and not place.is_symlink() and place.is_file():
                    found[path] = bytes.fromhex(sha256_of(place))
                elif (kept := files.get(path)) and kept.mode != LINK:
                    found[path] = self._shelf.packs.whole(bytes.fromhex(kept.blob), _sha256)
        return found

    def compare(self, a: int, b: int | None = None, watch: Watch = QUIET) -> Comparison:
        """Return what differs between snapshot ``a`` and snapshot ``b``, or the folder as it is now."""
        from companion.core.folder import FACTS_FILE
        from companion.history import comparing
        from companion.history.packs import Damaged

        before = self.files(a)
        after = self.now(watch) if b is None else self.files(b)
        found = comparing.difference(before, after)

        def content(files: dict[str, Kept], path: str, live: bool) -> bytes:
            kept = files.get(path)
            if kept is None or kept.size > comparing.MOST_TEXT:
                return b"" if kept is None else comparing.NO_TEXT
            try:
                if live:
                    return comparing.content_of(self.folder / path)
                return self._shelf.packs.read(bytes.fromhex(kept.blob))
            except (OSError, Damaged):
                return comparing.NO_TEXT

        def facts(files: dict[str, Kept], live: bool) -> str:
            return comparing.as_text(content(files, FACTS_FILE, live)) or ""

        def diff(path: str) -> str:
            old = {new: old for old, new in found.renamed}.get(path, path)
            return comparing.unified(path, content(before, old, False), content(after, path, b is None))

        return Comparison(
            a=a,
            b=b,
            added=found.added,
            removed=found.removed,
            changed=found.changed,
            renamed=found.renamed,
            sizes=found.sizes,
            facts_before=facts(before, False),
            facts_after=facts(after, b is None),
            diff=diff,
        )

    def restore(
        self, number: int, *, only: Sequence[str] = (), into: Path | None = None, watch: Watch = QUIET
    ) -> Restored:
        """Bring the folder back to a snapshot: all of it, some paths, or into another (empty) folder.

        What is there now is kept as a snapshot first (``Restored.safety``). Evidence and reports are only ever added.
        """
        from companion.history import restoring

        if into is not None:
            return restoring.restore_into(self._shelf, number, only, into, watch)
        return restoring.restore(self._shelf, self.cache, number, only, watch)

    def recover(self, watch: Watch = QUIET) -> Restored | None:
        """Finish a restore that a killed run began, if there is one. Call it when the folder is opened."""
        from companion.history import restoring

        return restoring.recover(self._shelf, self.cache, watch)

    def verify(self, watch: Watch = QUIET) -> Verified:
        """Read everything in the history back and hold it against its ids."""
        from companion.history import upkeep

        return upkeep.verify(self._shelf, watch)

    def size(self, watch: Watch = QUIET) -> Size:
        """Return the bytes on disk, and those that each snapshot alone holds."""
        from companion.history import upkeep

        return upkeep.size(self._shelf, watch)

    def forgettable(self, keep: int = 20) -> tuple[int, ...]:
        """Return the snapshots that may go unasked: old ones that are neither labelled by the maker nor released."""
        from companion.history import upkeep

        return upkeep.forgettable(self.snapshots(), keep)

    def forget(self, numbers: Iterable[int], *, released: bool = False, watch: Watch = QUIET) -> Forgotten:
        """Forget snapshots and win back what only they held; a released one only when ``released`` says so."""
        from companion.history import upkeep

        return upkeep.forget(self._shelf, numbers, released, watch)

    def mirror(self, target: str | Path, watch: Watch = QUIET) -> Mirrored:
        """Bring a second copy up to date: a folder (on another disk), or the address of any git repository."""
        from companion.history import mirroring

        return mirroring.mirror(self._shelf, str(target), watch)

    def adopt(self, mirror: Path, watch: Watch = QUIET) -> int:
        """Bring the snapshots of a mirror on disk into a folder that has none yet; return how many."""
        from companion.history import mirroring

        return mirroring.adopt(self._shelf, mirror, watch)

    def tag_release(self, number: int, version: str) -> Snapshot:
        """Mark a snapshot as the content of a released version; raise when that version names another already."""
        with self._shelf.writing("recording a release"):
            snapshot, found = self._shelf.snapshot(number), self._shelf.named()
            held = found.releases.get(version)
            if held and held != snapshot.id:
                raise CompanionError(f"Version {version} is released already, from another snapshot", "", "raise it")
            refs.write(self._shelf.path, found.with_release(version, snapshot.id))
        return self._shelf.snapshot(number)

    def release_snapshot(self, version: str) -> Snapshot | None:
        """Return the snapshot that was released as ``version``, or None."""
        commit = self._shelf.named().releases.get(version)
        return next((one for one in self.snapshots() if commit and one.id == commit), None)

    def last_release(self) -> Snapshot | None:
        """Return the released snapshot with the highest number, or None."""
        return next((one for one in self.snapshots() if one.version), None)


def _sha256(blocks: Iterator[bytes | bytearray]) -> bytes:
    digest = hashlib.sha256()
    for block in blocks:
        digest.update(block)
    return digest.digest()
