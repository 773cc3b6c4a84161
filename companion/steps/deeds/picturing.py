"""The part of a workshop that opens a look for pictures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from companion.core.progress import QUIET, Watch
from companion.steps.deeds.folder import OpenFolder

if TYPE_CHECKING:
    from companion.steps.drawn.sights import Sights


class Picturing(OpenFolder):
    """Pictures of one folder. A workshop is one of these."""

    def sights(self, watch: Watch = QUIET) -> Sights:
        """Return a look that draws pictures, to be closed by whoever asked (``with``)."""
        from companion.steps.drawn.sights import Sights

        return Sights(self.desk(watch))
