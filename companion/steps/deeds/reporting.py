"""The part of a workshop that takes in players' reports and says what became of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from companion.core.progress import QUIET, Watch
from companion.steps.deeds.folder import OpenFolder

if TYPE_CHECKING:
    from companion.steps.deeds.released import ReleaseOut
    from companion.steps.deeds.reports import Subject, Taken
    from companion.trials.reports import Known, Report


class Reporting(OpenFolder):
    """Reports of one folder. A workshop is one of these; every method may raise :class:`CompanionError`."""

    def reports(self) -> tuple[Report, ...]:
        """Return every report, by name, also those that were put into the folder by hand."""
        from companion.trials.report_files import reports_in

        return reports_in(self.places)

    def add_report(self, words: str, known: Known, watch: Watch = QUIET) -> Taken:
        """Keep what a player wrote, without what tells who it was."""
        from companion.steps.deeds.reports import take_in

        desk = self.desk(watch)
        with self._writing("taking in a report"):
            return take_in(desk, words, known)

    def report(self, name: str, watch: Watch = QUIET) -> tuple[Report, tuple[Subject, ...]]:
        """Return a report, and how each thing it is about stands now."""
        from companion.steps.deeds.reports import find, subjects

        found = find(self.places, name)
        return found, subjects(self.desk(watch), found)

    def answer_report(self, name: str, words: str, kind: str = "fixed", watch: Watch = QUIET) -> Report:
        """Say what became of a report: the changelog of this version will say it too, with thanks."""
        from companion.steps.deeds.reports import answer

        desk = self.desk(watch)
        with self._writing("answering a report"):
            return answer(desk, name, words, kind)

    def releases_out(self) -> tuple[ReleaseOut, ...]:
        """Return what is out, release by release, the newest version first."""
        from companion.steps.deeds.released import releases_out

        return releases_out(self.places)

    def close_report(self, name: str, why: str, watch: Watch = QUIET) -> Report:
        """Close a report without a line in the changelog, for a reason that is kept."""
        from companion.steps.deeds.reports import close

        desk = self.desk(watch)
        with self._writing("closing a report"):
            return close(desk, name, why)
