"""Where things lie in a maker's folder."""

import stat
from pathlib import Path

from companion.core.errors import CompanionError

FACTS_FILE = "release.toml"
OURS = ".companion"
RELEASES = "releases"
TEMPLATES = "release-words"
"""Where a maker puts templates of their own; snapshotted, never shipped."""
FORMAT = 1
"""Of all that lies below ``.companion`` and ``releases``, and of the facts. A companion that changes it so that those
before could misread it, or lose something by writing, raises this and writes ``.companion/format.json``:
``{"format": 2, "companion": "2.0.0"}``. Where there is no such file, the format is 1.
"""


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
        self.kits = self.ours / "kits"
        self.reports = self.ours / "reports"
        self.drafts = self.ours / "drafts"
        self.lock = self.ours / "lock"
        self.building = self.ours / "building.lock"
        self.restoring = self.ours / "restore.json"
        self.hiding = self.ours / "hidden.json"
        self.hidden = self.ours / "hidden"
        self.format = self.ours / "format.json"
        self.releases = folder / RELEASES
        self.templates = folder / TEMPLATES

    @property
    def restore_begun(self) -> bool:
        """Whether a restore was begun and not ended; what is no file there was put there by nobody of ours."""
        try:
            return stat.S_ISREG(self.restoring.lstat().st_mode)
        except OSError:
            return False

    def root_of(self, path: Path) -> Path | None:
        """Return the working folder for a path in it: below it nothing is followed; None for a person's own place."""
        return self.folder if path.is_relative_to(self.folder) else None

    def newer(self) -> CompanionError | None:
        """Return the error for whoever would write here though a newer companion has, or None."""
        try:
            if not stat.S_ISREG(self.format.lstat().st_mode):
                return None
        except OSError:
            return None
        import json  # all of which nobody needs who opens a folder of this format

        from companion.core.files import read_capped
        from companion.core.text import visible

        try:
            told = json.loads(read_capped(self.format, 4096))
            if not isinstance(told, dict) or not isinstance(told["format"], int) or told["format"] <= FORMAT:
                return None
        except (OSError, CompanionError, ValueError, RecursionError, KeyError):
            return None
        version = f" ({visible(str(told['companion'])[:40])})" if "companion" in told else ""
        what = f"A newer companion{version} has written this folder, and this one opens it read-only"
        return CompanionError(what, str(self.folder), "update the companion to change anything")

    def refusal(self) -> CompanionError | None:
        """Return why nothing may be written here, or None.

        A folder may come from a stranger, and whatever is written below a folder that is a link of theirs lands where
        they say. A file that is a link is replaced, or refused, by whoever would write it.
        """
        if newer := self.newer():
            return newer
        inside = ("objects", "objects/pack", "objects/info", "refs", "refs/snapshots")
        written = (
            self.ours,
            self.evidence,
            self.drafts,
            self.bounces,
            self.kits,
            self.reports,
            self.history,
            self.hidden,
            self.releases,
        )
        for folder in (*written, *(self.history / name for name in inside)):
            if refused := linked_folder(folder):
                return refused
        return None


def linked_folder(folder: Path) -> CompanionError | None:
    """Return why nothing is written below ``folder``, where it is a link or a junction."""
    from companion.core.below import is_link  # whoever only lists snapshots needs none of it

    try:
        if is_link(folder.lstat()) and folder.is_dir():
            what, advice = "Nothing is written here: this folder is a link", "put the folder itself in its place"
            return CompanionError(what, str(folder), advice)
    except OSError:
        pass  # not there, or not to be looked at: nothing is written there either
    return None


def never_ships(path: str) -> bool:
    """Tell whether a relative path belongs to the companion or to version control, and so never ships.

    What the companion keeps of a folder inside this one, which once was worked in by itself, is that folder's.
    """
    first, *others = path.split("/")
    inside = OURS in others[:-1] or ".git" in (first, *others)
    return first in (OURS, RELEASES, TEMPLATES) or path == FACTS_FILE or inside
