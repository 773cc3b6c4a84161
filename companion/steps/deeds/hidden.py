"""Originals out of the way, and back: moved by renames alone, under a journal, and never onto anything.

Each name at the top of the working folder is moved whole into ``.companion/hidden`` of the same folder, by one rename
on one disk. The journal is written and synced before the first one; it goes when the last is back. So whatever ends a
run (a kill, a power cut, another program), each original is at its place or at the same name in ``.companion/hidden``,
and :func:`bring_back` needs nothing but to look there. Where something new lies in an original's place, both stay.
"""

from __future__ import annotations

import contextlib
import json
import os
import stat
from collections.abc import Sequence
from pathlib import Path
from typing import Final, NoReturn

import msgspec

from companion.core import below
from companion.core.errors import CompanionError
from companion.core.files import explained, read_capped, write_safely
from companion.core.folder import FACTS_FILE, OURS, RELEASES, TEMPLATES, Places, linked_folder
from companion.core.hold import Hold
from companion.core.patience import why

STAYS: Final = frozenset({OURS, RELEASES, TEMPLATES, FACTS_FILE, ".git", ".hg", ".svn"})
"""Names at the top that are never moved: ours, the archives, the facts, and what keeps the folder's versions."""
BACK_IN_PLACE: Final = "The originals were hidden for an away test; they are back in their places."
"""What is said where opening a folder brought them back."""
_LEFT_BY_SYSTEMS: Final = frozenset({".DS_Store", "Thumbs.db", "desktop.ini", ".directory"})
"""Files that a system puts into any folder it shows, and makes again: of two, the one that was hidden goes."""
_MOST_JOURNAL: Final = 16 << 20
_NOTE: Final = "Where the originals are.txt"
_SAYS: Final = """For an away test, the originals of this instrument were moved into “hidden”, the folder beside this.

Nothing is lost. Any start of the companion on this folder brings them back; this one does only that:

    companion away back FOLDER

By hand: close the engine, then move all that lies in “hidden” into the instrument’s folder.
"""


class HidingJournal(msgspec.Struct, frozen=True, kw_only=True):
    """Originals on their way. names: at the top of the folder; copy: what is tested meanwhile; at: UTC, ISO 8601."""

    names: tuple[str, ...] = ()
    copy: str = ""
    at: str = ""


class BroughtBack(msgspec.Struct, frozen=True, kw_only=True):
    """What was put back. names: at the top of the folder. kept: what still lies in ``.companion/hidden``, since
    something else has taken its place. copy: what was tested meanwhile.
    """

    names: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()
    copy: str = ""


def is_hidden(places: Places) -> bool:
    """Tell whether originals are hidden, or were when a run was killed."""
    return os.path.lexists(places.hiding) or bool(_listed(places.hidden))


def refuse_hidden(places: Places) -> None:
    """Raise where originals are hidden: a look at what is left would find everything missing."""
    if not is_hidden(places):
        return
    if doubled := [name for name in _listed(places.hidden) if os.path.lexists(places.folder / name)]:
        raise CompanionError(
            f"“{doubled[0]}” was hidden for an away test, and something else lies in its place now",
            str(places.hidden / doubled[0]),
            "both are kept: move the one you do not want out of the folder, then run: companion away back FOLDER",
        )
    raise CompanionError(
        "The originals are hidden for an away test",
        str(places.hidden),
        "close the engine, then run: companion away back FOLDER",
    )


def hide(places: Places, names: Sequence[str], copy: Path, at: str) -> None:
    """Move ``names`` out of the way; all of them or, where one cannot be moved, none.

    Raises :class:`CompanionError` for a name that is a link or lies on another disk, before anything is moved, and for
    one that another program holds, after what was moved is back.
    """
    refuse_hidden(places)
    refuse_unsafe(places, names)
    journal = HidingJournal(names=tuple(names), copy=str(copy), at=at)
    plain = json.dumps({"schema": 1, **msgspec.to_builtins(journal)}, ensure_ascii=True)
    write_safely(places.hiding, plain.encode("ascii") + b"\n", root=places.folder, ours=True)
    try:
        with explained("make the place for the originals", places.hidden), _held(places.ours, places) as ours:
            ours.make(places.hidden.name)
            ours.sync()
        with contextlib.suppress(CompanionError):
            write_safely(places.ours / _NOTE, _SAYS.encode(), root=places.folder, ours=True)
        with (
            explained("hide the originals", places.folder),
            _held(places.folder, places) as home,
            _held(places.hidden, places) as away,
        ):
            for name in names:
                _move_away(home, away, name)
            away.sync()
            home.sync()
    except BaseException:
        bring_back(places)
        raise


def bring_back(places: Places) -> BroughtBack:
    """Move every original back that is hidden; what lies in the place of one is never touched.

    May be called at any time, and again after a kill. Raises :class:`CompanionError` where the system refuses; what is
    not back then is still hidden, and the journal stands.
    """
    for link in (places.ours, places.hidden):
        if refused := linked_folder(link):
            raise refused
    journal = _read(places)
    names: list[str] = []
    kept: list[str] = []
    with explained("bring the originals back", places.folder):
        if _is_folder(places.hidden):
            with _held(places.folder, places) as home, _held(places.hidden, places) as away:
                for name in sorted(away.names()):
                    # One that always stays we never moved.
                    left = [name] if name in STAYS else _put_back(away, home, name)
                    kept += left
                    names += [] if name in left else [name]
                home.sync()
                away.sync()
        if not kept and _is_folder(places.ours):
            with _held(places.ours, places) as ours:
                if _folder_there(ours.look(places.hidden.name)):
                    ours.remove_folder(places.hidden.name)
                ours.remove(places.hiding.name)
                ours.remove(_NOTE)
                ours.sync()
    return BroughtBack(names=tuple(names), kept=tuple(kept), copy=journal.copy)


def _read(places: Places) -> HidingJournal:
    """Return the journal; an empty one where it is missing or does not read: what is hidden is told by the place."""
    with contextlib.suppress(CompanionError, ValueError, RecursionError, msgspec.ValidationError):
        return msgspec.convert(json.loads(read_capped(places.hiding, _MOST_JOURNAL)), HidingJournal)
    return HidingJournal()


def copy_of(places: Places) -> Path | None:
    """Return the folder that is tested while originals are hidden; None where none are, or nobody noted it."""
    noted = _read(places).copy if is_hidden(places) else ""
    return Path(noted).resolve() if noted and "\0" not in noted else None


def refuse_unsafe(places: Places, names: Sequence[str]) -> None:
    """Raise where one of ``names`` cannot be hidden by a rename, or would not be hidden by it."""
    if not names:
        raise CompanionError("There is nothing to hide", str(places.folder), "see: companion check FOLDER contents")
    disk = places.folder.lstat().st_dev
    for name in names:
        path = places.folder / name
        if name in STAYS or name in ("", ".", "..") or Path(name).name != name:
            raise CompanionError("That is not hidden", name, "only names at the top of the folder are")
        with explained("look at an original", path):
            status = path.lstat()
        if stat.S_ISLNK(status.st_mode) or linked_folder(path):
            refuse_link(path)
        if not (stat.S_ISDIR(status.st_mode) or stat.S_ISREG(status.st_mode)):
            raise CompanionError("This is neither a file nor a folder", str(path), "take it out of the folder")
        if status.st_dev != disk:
            raise CompanionError(
                "This lies on another disk, and cannot be moved in one step", str(path), "test on another computer"
            )


def refuse_link(path: Path) -> NoReturn:
    """Raise that ``path``, a link, cannot be hidden."""
    raise CompanionError(
        "This is a link, and what it leads to would stay where the patch finds it",
        str(path),
        "hide that by hand, or test on another computer",
    )


def _held(folder: Path, places: Places) -> Hold:
    return Hold(folder, places.folder)


def _move_away(home: Hold, away: Hold, name: str) -> None:
    try:
        if away.look(name) is not None:
            raise FileExistsError(17, "something of that name is hidden already", str(away.path / name))
        below.move_new(home.at(name), away.at(name))
    except OSError as error:
        reason = why(error)
        raise CompanionError(
            f"“{name}” could not be moved, so nothing is hidden: {reason}",
            str(home.path / name),
            "close the engine and whatever else may have it open, then try again",
        ) from error


def _put_back(away: Hold, home: Hold, name: str) -> list[str]:
    """Move what is hidden to its place, folder into folder where there is one again; return what has to stay."""
    try:
        hidden, standing = away.look(name), home.look(name)
        if standing is None:
            below.move_new(away.at(name), home.at(name))
            return []
        if name in _LEFT_BY_SYSTEMS and not _folder_there(hidden):
            away.remove(name)
            return []
        if not (_folder_there(hidden) and _folder_there(standing)):
            return [name]
        with away.inner(name) as one, home.inner(name) as other:
            stayed = [inside for part in sorted(one.names()) for inside in _put_back(one, other, part)]
            left = [os.fspath(Path(name, inside)) for inside in stayed]
            other.sync()
        if not left:
            away.remove_folder(name)
        return left
    except OSError as error:
        reason = why(error)
        raise CompanionError(
            f"“{name}” could not be brought back yet: {reason}",
            str(away.path / name),
            "close the engine and whatever else may have it open, then run: companion away back FOLDER",
        ) from error


def _folder_there(status: os.stat_result | None) -> bool:
    return status is not None and stat.S_ISDIR(status.st_mode) and not below.is_link(status)


def _listed(folder: Path) -> list[str]:
    """Return the names in a real folder, sorted; those that are not UTF-8 with lone surrogates."""
    return sorted(os.listdir(folder)) if _is_folder(folder) else []  # noqa: PTH208


def _is_folder(path: Path) -> bool:
    """Tell whether ``path`` is a real folder, no link to one and no junction."""
    with contextlib.suppress(OSError):
        return stat.S_ISDIR(path.lstat().st_mode) and linked_folder(path) is None
    return False
