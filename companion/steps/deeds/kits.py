"""Test kits: one file for a helper, who needs no companion.

A kit is a zip: what to do, a form, the proven archive, and the test performance. What it was made of is noted under
``.companion/kits``, so that a form that comes back weeks later counts for the content and the engine it was sent for,
and for no other.
"""

from __future__ import annotations

import contextlib
import secrets
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.entries import Kind
from companion.core.errors import CompanionError
from companion.core.files import explained, sha256_of
from companion.core.units import note_name
from companion.steps.desk import Desk
from companion.steps.grounds import away_marks
from companion.steps.looks.standing import archive_gone
from companion.trials.away import refuse_name
from companion.trials.kit_files import KitRecord, keep
from companion.trials.kit_texts import KitAbout, form_text, guide_text

if TYPE_CHECKING:
    from companion.archive.build import PendingArchive

FORM: Final = "Form.txt"
GUIDE: Final = "Read me first.txt"


class Kit(msgspec.Struct, frozen=True, kw_only=True):
    """A kit as it lies there to be sent. without: why it holds no performance; empty when it does."""

    path: Path
    code: str
    size: int
    archive: str
    music: tuple[str, ...]
    without: str = ""


def make_kit(desk: Desk, who: str, out: Path, at: str) -> Kit:
    """Make a kit of the proven archive of what ships now, in the folder ``out``, and note it.

    Raises :class:`CompanionError` where no archive of this content is proven, and for more than a first name.
    """
    from companion.archive.build import pending_archive
    from companion.archive.plan import plan, top_folder

    if problem := refuse_name(who):
        raise problem
    evidence = desk.found("archive")
    if evidence is None or "archive" not in evidence.details or archive_gone(desk, evidence):
        raise CompanionError(
            "There is no proven archive of this content to send",
            str(desk.places.releases),
            "run: companion pack FOLDER",
        )
    archive = desk.places.releases / str(evidence.details["archive"])
    if sha256_of(archive, desk.watch.check) != evidence.details["sha256"]:
        raise CompanionError("The archive is not the one that was proven", str(archive), "run: companion pack FOLDER")
    digits = secrets.token_hex(6)
    code = f"{digits[:4]}-{digits[4:8]}-{digits[8:]}"
    with tempfile.TemporaryDirectory(prefix="companion-kit-", ignore_cleanup_errors=True) as place:
        music, seconds, without = _performance(desk, Path(place))
        about = about_of(desk, archive.name, tuple(path.name for path in music), seconds)
        form, guide = form_text(about, code), guide_text(about, form=FORM)
        files = [
            (path.name, path, path.stat().st_size, sha256_of(path, desk.watch.check)) for path in (*music, archive)
        ]
        made = {FORM: for_editors(form), GUIDE: for_editors(guide)}
        target = out / f"{desk.stem} test kit {code}.zip"
        planned = plan(top_folder(f"{desk.facts.instrument.title} test kit"), files, made)
        with pending_archive(planned, target, desk.watch, root=desk.places.root_of(out)) as new:
            record = KitRecord(
                code=code,
                who=who.strip(),
                at=at,
                version=desk.facts.instrument.version,
                engine=desk.facts.engine.name,
                content=away_marks(desk.marks)["another player"],
                sounding=desk.marks.sounding,
                archive=archive.name,
                sha256=str(evidence.details["sha256"]),
                music=tuple(path.name for path in music),
            )
            keep(desk.places, record)
            put_new(new)
    return Kit(path=target, code=code, size=new.size, archive=archive.name, music=record.music, without=without)


def for_editors(text: str) -> bytes:
    """Return a text as every editor opens it: line ends of Windows, and a mark that it is UTF-8."""
    return b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode()


def about_of(desk: Desk, archive: str, music: tuple[str, ...], seconds: float) -> KitAbout:
    """Return what the texts of a kit tell of this instrument."""
    from companion.steps.looks.performance import playable_of

    facts, keys = desk.facts, ""
    with contextlib.suppress(CompanionError):  # neither facts nor names say which keys play
        played = playable_of(desk)
        low, high = played.keys[0], played.keys[-1]
        named = f"{note_name(low, played.middle_c)} to {note_name(high, played.middle_c)}"
        keys = f"{named}, MIDI notes {low} to {high}"
    return KitAbout(
        title=facts.instrument.title,
        version=facts.instrument.version,
        engine=facts.engine.name,
        minimum=facts.engine.minimum or facts.engine.saved_with,
        archive=archive,
        patches=tuple(entry.path for entry in desk.ships if entry.kind is Kind.PATCH),
        readme=any(entry.path.casefold().startswith("readme") for entry in desk.ships),
        keys=keys,
        controls=() if "controls" in facts.instrument.without else tuple(one.name for one in facts.controls),
        music=music,
        seconds=seconds,
    )


def put_new(new: PendingArchive) -> None:
    """Put a finished zip in its place, and nothing beside it: one file is what is sent.

    Raises :class:`CompanionError` where something of that name lies there.
    """
    folder, name = new.folder, new.target.name
    with explained("put the zip in its place", new.target):
        if folder.look(name) is not None:
            raise CompanionError("Something of that name lies there", str(new.target), "name another place: --out DIR")
        folder.move(new.path.name, name)
        folder.sync()


def _performance(desk: Desk, place: Path) -> tuple[list[Path], float, str]:
    from companion.steps.looks.performance import write_performance
    from companion.trials.performance.midi import PLAIN

    try:
        files = write_performance(desk, PLAIN, place).files
    except CompanionError as error:
        return [], 0.0, error.line
    return [Path(file.file) for file in files], sum(file.seconds for file in files), ""
