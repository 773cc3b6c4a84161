"""The part of a workshop that opens looks for pictures, and closes those that nobody closed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from companion.core.progress import QUIET, Watch
from companion.steps.deeds.folder import OpenFolder

if TYPE_CHECKING:
    from pathlib import Path

    from companion.steps.drawn.sights import Sights


class Picturing(OpenFolder):
    """Pictures of one folder. A workshop is one of these."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._sights: list[Sights] = []

    def sights(self, watch: Watch = QUIET) -> Sights:
        """Return a look that draws pictures, to be closed by whoever asked (``with``)."""
        from companion.steps.drawn.sights import Sights

        self._sights = [one for one in self._sights if not one.closed]
        self._sights.append(Sights(self.desk(watch)))
        return self._sights[-1]

    def close(self) -> None:
        """Close the cache, and every look for pictures: no process is left behind."""
        for one in self._sights:
            one.close()
        super().close()
