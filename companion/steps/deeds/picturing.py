"""The part of a workshop that opens looks for pictures, and closes those that nobody closed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from companion.core.errors import CompanionError
from companion.core.progress import QUIET, Watch
from companion.steps.deeds.folder import OpenFolder

if TYPE_CHECKING:
    from companion.history.model import Size
    from companion.history.snapshot import Snapshot
    from companion.sound.hearing.ear import Ear
    from companion.steps.account.moved import Moved
    from companion.steps.drawn.sights import Sights


class _Past:
    """What is kept of a folder, as pictures ask for it."""

    def __init__(self, shop: Picturing) -> None:
        self._shop = shop

    def shots(self) -> list[Snapshot]:
        if problem := self._shop.history_problem(looking=True):
            raise CompanionError("The history cannot be looked at", problem, "see: companion snapshots FOLDER")
        return self._shop.snapshots()

    def moves(self, pairs: Sequence[tuple[str, str]], watch: Watch) -> Mapping[tuple[str, str], Moved | None]:
        return self._shop.moves(pairs, watch) if pairs else {}

    def alone(self, watch: Watch) -> Mapping[int, int]:
        return self._shop.history_size(watch).alone if self.shots() else {}

    def unkept(self, watch: Watch) -> str:
        from companion.steps.account.unkept import unkept_of

        unkept = unkept_of(self._shop.desk(watch)) if self.shots() else None
        return unkept.text if unkept else ""

    def at(self, number: int, path: str, into: Path, watch: Watch) -> Path:
        if problem := self._shop.history_problem(looking=True):
            raise CompanionError("The history cannot be looked at", problem, "see: companion snapshots FOLDER")
        with self._shop.history as history:
            history.restore(number, only=[path], into=into, watch=watch)
        return into / path

    def otherwise(self, path: str, sha256: str, into: Path, watch: Watch) -> tuple[int, Path] | None:
        if self._shop.history_problem(looking=True) or not (shots := self._shop.snapshots()):
            return None
        with self._shop.history as history:
            seen: set[str] = set()
            for shot in shots[:MOST_SNAPSHOTS]:
                watch.check()
                kept = history.files(shot.number).get(path)
                if kept is None or kept.blob in seen:
                    continue
                seen.add(kept.blob)
                found = history.sha256s(shot.number, [path], watch).get(path)
                if found and found.hex() != sha256:
                    history.restore(shot.number, only=[path], into=into, watch=watch)
                    return shot.number, into / path
        return None


MOST_SNAPSHOTS: Final = 50
"""In so many of the newest ones an older version of a file is looked for."""


class Picturing(OpenFolder):
    """Pictures of one folder. A workshop is one of these."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._sights: list[Sights] = []
        self._ear: Ear | None = None

    def sights(self, watch: Watch = QUIET) -> Sights:
        """Return a look that draws pictures, to be closed by whoever asked (``with``)."""
        from companion.steps.drawn.sights import Sights

        self._sights = [one for one in self._sights if not one.closed]
        self._sights.append(Sights(self.desk(watch), _Past(self)))
        return self._sights[-1]

    def ear(self) -> Ear:
        """Return what plays sound, one for this folder; its process runs from the first sound until this is closed."""
        from companion.sound.hearing.ear import Ear

        if self._ear is None:
            self._ear = Ear()
        return self._ear

    def snapshots(self) -> list[Snapshot]:
        """Return the snapshots, newest first."""
        raise NotImplementedError

    def moves(self, pairs: Sequence[tuple[str, str]], watch: Watch = QUIET) -> dict[tuple[str, str], Moved | None]:
        """Return how far each tree moved from another."""
        raise NotImplementedError

    def history_size(self, watch: Watch = QUIET) -> Size:
        """Return what the snapshots weigh."""
        raise NotImplementedError

    def close(self) -> None:
        """Close the cache, every look for pictures, and what plays: no process is left behind."""
        if self._ear:
            self._ear.close()
        for one in self._sights:
            one.close()
        super().close()
