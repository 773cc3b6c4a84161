"""The part of a workshop that takes in players' reports and says what became of them."""

from __future__ import annotations

from abc import abstractmethod
from typing import TYPE_CHECKING

from companion.core.errors import CompanionError
from companion.core.progress import QUIET, Watch
from companion.steps.deeds.folder import OpenFolder

if TYPE_CHECKING:
    from pathlib import Path

    from companion.steps.account.due import Standing
    from companion.steps.deeds.released import ReleaseOut
    from companion.steps.deeds.reports import Edit, ReportView, Subject, Taken
    from companion.steps.drawn.sights import Sights
    from companion.trials.reports import ChangeKind, Known, Report


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

    def report_views(self, watch: Watch = QUIET) -> tuple[ReportView, ...]:
        """Return every report, the open ones first, each with how what it is about stands now."""
        from companion.steps.deeds.reports import views

        return views(self.desk(watch))

    def edit_report(self, name: str, change: Edit, watch: Watch = QUIET) -> Report:
        """Note what a report is about, or what the player has, otherwise than before."""
        from companion.steps.deeds.reports import edit

        desk = self.desk(watch)
        with self._writing("noting what a report is about"):
            return edit(desk, name, change)

    def answer_report(self, name: str, words: str, kind: ChangeKind = "fixed", watch: Watch = QUIET) -> Report:
        """Say what became of a report: the changelog of this version will say it too, with thanks."""
        from companion.steps.deeds.reports import answer

        desk = self.desk(watch)
        with self._writing("answering a report"):
            return answer(desk, name, words, kind)

    @abstractmethod
    def status(self, watch: Watch = QUIET) -> Standing:
        """Return the state of the ten steps."""

    @abstractmethod
    def sights(self, watch: Watch = QUIET) -> Sights:
        """Return a look that draws pictures."""

    def sheet(self, day: str, watch: Watch = QUIET) -> str:
        """Return the sheet of how the instrument stands, as one HTML file. day: ISO 8601."""
        from companion.steps.checks.needs import requirement
        from companion.steps.deeds.sheet import SheetOf, pictures
        from companion.steps.deeds.sheet_page import page
        from companion.steps.looks.controls import trial_views
        from companion.steps.looks.stated import weight_of
        from companion.steps.looks.story import Since

        status = self.status(watch)
        with self.sights(watch) as sights:
            drawn = pictures(sights, status, watch)
        desk = self.desk(watch)
        before, instrument = desk.release_before, self.facts.instrument
        return page(
            SheetOf(
                title=instrument.title.strip(),
                version=instrument.version.strip(),
                maker=instrument.maker.strip(),
                day=day,
                status=status,
                needs=requirement(self.facts, desk.away_here, weight_of(desk)),
                trials=trial_views(desk),
                tests=tuple(desk.away_here),
                pictures=drawn,
                before=before.version if before else "",
                changes=Since.of(desk, before).changes(desk) if before else (),
            )
        )

    def write_sheet(self, out: Path | None, day: str, watch: Watch = QUIET) -> Path:
        """Write the sheet to ``out``, else beside the releases, and return where it lies."""
        from companion.core.files import write_safely

        if out is not None and not out.parent.is_dir():
            raise CompanionError("There is no such folder", str(out.parent), "make it first, or name another")
        stem = self.desk(watch).stem
        target = out or self.places.releases / f"{stem} sheet.html"
        text = self.sheet(day, watch)
        with self._writing("writing the sheet"):
            write_safely(target, text.encode(), root=self.places.root_of(target))
        return target

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
