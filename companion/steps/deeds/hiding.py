"""The away test on the maker's own computer: a proven copy elsewhere, and the originals out of every path meanwhile."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.entries import Kind
from companion.core.errors import CompanionError
from companion.core.files import explained, is_inside
from companion.core.lock import held
from companion.core.progress import QUIET, Watch
from companion.steps.deeds import hidden, open_files
from companion.steps.deeds.folder import OpenFolder
from companion.steps.deeds.hidden import BroughtBack
from companion.trials.away import HUSH

if TYPE_CHECKING:
    from companion.archive.prove import Proof
    from companion.steps.desk import Desk

_PREFIX: Final = "companion-away-"
_READ: Final = frozenset({Kind.DOCUMENT, Kind.SYSTEM})
"""What no instrument opens: a name that holds nothing else stays where it is."""


class HiddenAway(msgspec.Struct, frozen=True, kw_only=True):
    """Originals hidden for a test. copy: the folder whose patch is opened meanwhile; patches: those in it.

    archive: what the copy was opened from; empty where none is proven, and what ships was packed for the test.
    names: at the top of the working folder, out of the way now.
    """

    copy: Path
    patches: tuple[Path, ...]
    archive: str
    names: tuple[str, ...]
    caution: str = HUSH


class Hiding(OpenFolder):
    """Hides the originals of one working folder, and brings them back."""

    def hide(self, at: str, to: Path | None = None, watch: Watch = QUIET) -> HiddenAway:
        """Open a copy of what ships in ``to`` (else in a new folder among the temporary ones), then hide the originals.

        Nothing is moved before the copy is whole, byte for byte. Raises :class:`CompanionError` with every original at
        its place where the copy cannot be made, and where one is a link, on another disk or open in another program.
        """
        if not self.has_facts:
            raise CompanionError("The folder has no facts yet", str(self.places.facts), "run: companion start FOLDER")
        doing = "hiding the originals"
        with self._building(doing), held(self.places.ours / "history.lock", doing):
            desk = self.desk(watch, rehash=True)
            tops = (entry.path.partition("/")[0] for entry in desk.inventory.entries if entry.kind not in _READ)
            names = tuple(name for name in dict.fromkeys(tops) if name not in hidden.STAYS)
            hidden.refuse_unsafe(self.places, names)
            _refuse_links(desk, names)
            _refuse_unreadable(desk)
            open_files.refuse_open(self.folder, names)
            place = self._place(to)
            try:
                copy, archive = _copy(desk, place)
                if moved := desk.moved():
                    raise CompanionError("Files changed while the copy was made", min(moved), "try again")
                watch.check()
                open_files.refuse_open(self.folder, names)
                with self._writing(doing):
                    hidden.hide(self.places, names, copy, at)
            except BaseException:
                if to is None:  # made here, and of no use without the rest
                    import shutil

                    shutil.rmtree(place, ignore_errors=True)
                raise
        patches = tuple(copy / entry.path for entry in desk.ships if entry.kind is Kind.PATCH)
        return HiddenAway(copy=copy, patches=patches, archive=archive, names=names)

    def bring_back(self) -> BroughtBack | None:
        """Bring the originals back, if any are hidden; what opening this folder brought back is told as well."""
        if not hidden.is_hidden(self.places):
            return self.brought_back
        with self._writing("bringing the originals back"):
            return hidden.bring_back(self.places)

    def _place(self, to: Path | None) -> Path:
        if to is None:
            import tempfile

            with explained("make a place for the copy", Path(tempfile.gettempdir())):
                return Path(tempfile.mkdtemp(prefix=_PREFIX))
        to = to.absolute()
        if is_inside(self.folder, to) or is_inside(to, self.folder):
            raise CompanionError(
                "The copy has to lie elsewhere: there the patch could still reach the originals",
                str(to),
                "name a new folder outside the working folder",
            )
        return to


def _refuse_links(desk: Desk, names: tuple[str, ...]) -> None:
    for entry in desk.inventory.entries:
        if entry.link is not None and entry.path.partition("/")[0] in names:
            hidden.refuse_link(desk.folder / entry.path)


def _refuse_unreadable(desk: Desk) -> None:
    for entry in desk.ships:
        if entry.problem:
            raise CompanionError(
                f"This ships and cannot be read ({entry.problem})",
                str(desk.folder / entry.path),
                "take it away, or mend it",
            )


def _copy(desk: Desk, place: Path) -> tuple[Path, str]:
    """Open what ships under ``place``, an empty folder or one to be made; return its folder and the archive's name."""
    import tempfile

    from companion.archive.build import pending_archive
    from companion.archive.plan import plan, top_folder
    from companion.archive.prove import prove
    from companion.steps.looks.standing import archive_gone

    top = top_folder(desk.facts.instrument.title)
    planned = plan(top, [(e.path, desk.folder / e.path, e.size, e.sha256) for e in desk.ships])
    evidence = desk.found("archive")
    if evidence and "archive" in evidence.details and not archive_gone(desk, evidence):
        archive = desk.places.releases / str(evidence.details["archive"])
        return _opened(prove(archive, manifest=planned.manifest, into=place, watch=desk.watch), top), archive.name
    with (
        tempfile.TemporaryDirectory(prefix=_PREFIX, ignore_cleanup_errors=True) as packed,
        pending_archive(planned, Path(packed) / "packed.zip", desk.watch) as new,
    ):
        return _opened(prove(new.path, manifest=planned.manifest, into=place, watch=desk.watch), top), ""


def _opened(proof: Proof, top: str) -> Path:
    faults = [finding for finding in proof.findings if finding.rule == "archive-differs"]
    if proof.extracted is None or faults:
        first = next(iter(faults or proof.findings), None)
        why = f"{first.rule}: {first.measured}" if first else "it did not open"
        raise CompanionError(f"The copy is not what ships ({why})", "", "run: companion check FOLDER archive")
    return proof.extracted / top
