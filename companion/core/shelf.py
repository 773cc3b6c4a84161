"""The shelf: which working folders a person wants to see together, kept with what is their own on this computer.

Beside it stands which folders the app was last opened on, so that it can offer them when it is opened on none.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from companion.core.errors import CompanionError
from companion.core.files import read_capped, write_safely
from companion.core.folder import FACTS_FILE
from companion.core.own import HOME, own_folder

_FILE: Final = "shelf.json"
_MOST: Final = 1 << 20
MOST_FOLDERS: Final = 500
"""Folders on a shelf, and folders below one that are looked into."""
MOST_OPENED: Final = 12
"""Folders that are remembered because the app was opened on them."""


def on_the_shelf() -> tuple[Path, ...]:
    """Return the folders that were put on the shelf, in that order; none where the list cannot be read."""
    return _listed("folders")


def known() -> tuple[Path, ...]:
    """Return the folders on the shelf, then those the app was opened on, the last one first."""
    return tuple(dict.fromkeys((*on_the_shelf(), *_listed("opened"))))


def put(folders: Iterable[Path]) -> None:
    """Put folders on the shelf. Raises :class:`CompanionError` where the disk will not have it."""
    _keep((*on_the_shelf(), *folders), _listed("opened"))


def take(folders: Iterable[Path]) -> None:
    """Take folders off the shelf; nothing in them is touched. Raises for one that is not on it."""
    there, gone = on_the_shelf(), list(folders)
    for folder in gone:
        if folder not in there:
            raise CompanionError("That folder is not on the shelf", str(folder), "see which are: companion shelf")
    _keep((folder for folder in there if folder not in gone), (one for one in _listed("opened") if one not in gone))


def opened(folder: Path) -> None:
    """Note that the app was opened on a folder. Where nothing can be kept, nothing is."""
    before = _listed("opened")
    if before[:1] != (folder,):
        with contextlib.suppress(CompanionError):
            _keep(on_the_shelf(), (folder, *(one for one in before if one != folder))[:MOST_OPENED])


def forget(folder: Path) -> None:
    """Know a folder no longer; nothing in it is touched. Raises as :func:`put`."""
    _keep(*((one for one in _listed(key) if one != folder) for key in ("folders", "opened")))


def _listed(key: str) -> tuple[Path, ...]:
    try:
        read = json.loads(read_capped(own_folder() / _FILE, _MOST))
    except (OSError, CompanionError, ValueError, RecursionError):
        return ()
    names = read.get(key, []) if isinstance(read, dict) else []
    kept = (
        [name for name in names if isinstance(name, str) and name and "\0" not in name]
        if isinstance(names, list)
        else []
    )
    return tuple(dict.fromkeys(Path(name) for name in kept[:MOST_FOLDERS]))


def _keep(folders: Iterable[Path], opened: Iterable[Path]) -> None:
    kept, last = list(dict.fromkeys(map(str, folders))), list(map(str, opened))
    if len(kept) > MOST_FOLDERS:
        raise CompanionError("The shelf is full", f"{len(kept):,} folders", "take some off: companion shelf --off DIR")
    place = own_folder()
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        what = f"The shelf cannot be kept: {error.strerror or type(error).__name__}"
        raise CompanionError(what, str(place), f"make that folder writable, or name another one in {HOME}") from error
    told = {"schema": 1, "folders": kept, **({"opened": last} if last else {})}
    write_safely(place / _FILE, json.dumps(told, indent=1).encode() + b"\n")


def working_folders(place: Path) -> tuple[Path, ...]:
    """Return the working folders that ``place`` is or holds, by name. Raises :class:`CompanionError` for no folder.

    Only folders directly in it are looked at, and links among them are passed over: they may lead anywhere.
    """
    try:
        if (place / FACTS_FILE).is_file():
            return (place,)
        there = sorted(one for one in place.iterdir() if one.is_dir() and not one.is_symlink())
    except OSError as error:
        what = f"The folder cannot be looked at: {error.strerror or type(error).__name__}"
        raise CompanionError(what, str(place), "check the name") from error
    return tuple(one for one in there[:MOST_FOLDERS] if (one / FACTS_FILE).is_file())
