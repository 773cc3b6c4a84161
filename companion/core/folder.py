"""Where things lie in a maker's folder."""

import os
import stat
from pathlib import Path

from companion.core.errors import CompanionError

FACTS_FILE = "release.toml"
OURS = ".companion"
RELEASES = "releases"
TEMPLATES = "release-words"
"""Where a maker puts templates of their own; snapshotted, never shipped."""
REPARSE_POINT = 0x400
"""FILE_ATTRIBUTE_REPARSE_POINT: a junction is a folder to Python, and a way out of this one to Windows."""


class Places:
    """The paths of one working folder; nothing is created by asking."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.facts = folder / FACTS_FILE
        self.ours = folder / OURS
        self.history = self.ours / "history.git"
        self.evidence = self.ours / "evidence"
        self.cache = self.ours / "cache.sqlite3"
        self.bounces = self.ours / "bounces"
        self.drafts = self.ours / "drafts"
        self.lock = self.ours / "lock"
        self.building = self.ours / "building.lock"
        self.restoring = self.ours / "restore.json"
        self.releases = folder / RELEASES
        self.templates = folder / TEMPLATES

    def refusal(self) -> CompanionError | None:
        """Return why nothing may be written here, or None.

        A folder may come from a stranger, and whatever is written below a folder that is a link of theirs lands where
        they say. A file that is a link is replaced, or refused, by whoever would write it.
        """
        linked = _linked_folder(self.ours, deep=True) or _linked_folder(self.releases, deep=False)
        what, advice = "Nothing is written here: this folder is a link", "put the folder itself in its place"
        return CompanionError(what, str(linked), advice) if linked else None


def _linked_folder(place: Path, *, deep: bool) -> Path | None:
    """Return ``place``, or with ``deep`` the first folder below it, that is a link or a junction; else None."""
    try:
        status = place.lstat()
        if not place.is_dir():
            return None
        if stat.S_ISLNK(status.st_mode) or getattr(status, "st_file_attributes", 0) & REPARSE_POINT:
            return place
        if not deep:
            return None
        with os.scandir(place) as entries:
            below = [Path(entry.path) for entry in entries if not entry.is_file(follow_symlinks=False)]
    except OSError:
        return None  # not there, or not to be looked into: nothing is written there either
    return next((found for path in below if (found := _linked_folder(path, deep=True))), None)


def never_ships(path: str) -> bool:
    """Tell whether a relative path belongs to the companion or to version control, and so never ships."""
    first = path.partition("/")[0]
    return first in (OURS, RELEASES, TEMPLATES) or path == FACTS_FILE or ".git" in path.split("/")
