"""The part of a workshop that writes the performance, and judges what was bounced of it."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import BLOCK, clear_leftovers, explained, fresh_part
from companion.core.hold import Hold
from companion.core.progress import QUIET, Watch
from companion.core.regular import opened
from companion.steps.deeds.folder import OpenFolder

if TYPE_CHECKING:
    from companion.steps.looks.bounces import PerformanceView
    from companion.steps.looks.coverage import Coverage
    from companion.steps.looks.judging import JudgedBounce
    from companion.steps.looks.performance import Performed
    from companion.trials.performance.midi import Asked


class Performing(OpenFolder):
    """The performance of one folder. A workshop is one of these; every method may raise :class:`CompanionError`."""

    def outline(self, asked: Asked | None = None) -> Performed:
        """Return what the performance covers, how long it is, and what it leaves out; nothing is written."""
        from companion.steps.looks.performance import outline
        from companion.trials.performance.midi import PLAIN

        return outline(self.desk(), asked or PLAIN)

    def performance(self) -> PerformanceView:
        """Return what the performance covers, where it lies, and what bounces of it told or wait to be judged."""
        from companion.steps.looks.bounces import performance_view

        return performance_view(self.desk())

    def perform(self, asked: Asked | None = None, out: Path | None = None, watch: Watch = QUIET) -> Performed:
        """Write the performance as MIDI files into ``out``, else into ``.companion/bounces``."""
        from companion.steps.looks.performance import write_performance
        from companion.trials.performance.midi import PLAIN

        self._refuse_no_facts()
        with self._writing("writing the performance"):
            return write_performance(self.desk(watch), asked or PLAIN, out or self.places.bounces)

    def judge(
        self, bounce: Path, asked: Asked | None = None, watch: Watch = QUIET, *, keep: bool = False
    ) -> JudgedBounce:
        """Judge a bounce of the performance, and keep what it told as evidence for exactly the content there is now.

        asked: of which performance it is; None: of the plain one, or of any whose MIDI file lies beside it. keep: copy
        the bounce into ``.companion/bounces`` as well. A bounce of something else is told so and never kept.
        """
        from companion.steps.looks.judging import judge_bounce

        self._refuse_no_facts()
        desk = self.desk(watch)
        judged, evidence = judge_bounce(desk, bounce, asked)
        if evidence is None:
            return judged
        if moved := desk.moved():
            raise CompanionError("Files changed while the bounce was judged", min(moved), "judge it again")
        with self._writing("keeping what the bounce showed"):
            taken = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
            desk.evidence.keep(msgspec.structs.replace(evidence, taken=taken))
            if keep:
                self._keep_bounce(bounce)
        return judged

    def coverage(self, piece: Path, watch: Watch = QUIET) -> Coverage:
        """Return what a piece of music, a MIDI file, uses of the instrument, and what it never touches."""
        from companion.steps.looks.coverage import coverage_of

        return coverage_of(self.desk(watch), piece)

    def _refuse_no_facts(self) -> None:
        if not self.has_facts:
            raise CompanionError("The folder has no facts yet", str(self.places.facts), "run: companion start FOLDER")

    def _keep_bounce(self, bounce: Path) -> None:
        import shutil

        target, part = self.places.bounces / bounce.name, fresh_part(bounce.name)
        if target.exists() and target.samefile(bounce):
            return
        with explained("keep the bounce", target), Hold(target.parent, self.folder, make=True) as folder:
            clear_leftovers(folder)
            try:
                with opened(bounce) as source, os.fdopen(folder.new(part), "wb") as copy:
                    shutil.copyfileobj(source, copy, BLOCK)
                    copy.flush()
                    os.fsync(copy.fileno())
                folder.move(part, target.name)
                folder.sync()
            finally:
                folder.remove(part)
