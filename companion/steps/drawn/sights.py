"""One look for pictures of a folder."""

from __future__ import annotations

from collections.abc import Sequence

from companion.core.errors import CompanionError
from companion.core.progress import QUIET, Watch
from companion.drawing.checked import drawable
from companion.drawing.shapes import Drawing
from companion.steps.drawn.drawers import DRAWERS, HELP
from companion.steps.drawn.heard import Hearing, hearing_of
from companion.steps.drawn.source import Source
from companion.steps.drawn.which import Sight


class Sights(Source):
    """Draws pictures of one folder. Open as a context, or close it: a process may run until then."""

    def draw(self, sight: Sight, watch: Watch = QUIET) -> Drawing:
        """Return the picture that was asked for."""
        self.desk.watch = watch
        kind = sight.kind or next(iter(self.kinds(sight)), None)
        if kind is None:
            raise CompanionError("There is no picture of that", sight.place, HELP)
        try:
            return drawable(DRAWERS[kind](self, sight, watch))
        except (ValueError, OverflowError, ZeroDivisionError) as error:  # of evidence that is a stranger's
            what = "The numbers of this finding make no picture"
            raise CompanionError(what, sight.place, "look again: companion check FOLDER") from error

    def hearing(self, sight: Sight, beside: Sequence[str] = (), watch: Watch = QUIET) -> Hearing:
        """Return what is heard of a sight, and of the files ``beside`` it."""
        self.desk.watch = watch
        return hearing_of(self, sight, beside, watch)
