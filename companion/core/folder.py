"""Where things lie in a maker's folder."""

from pathlib import Path

FACTS_FILE = "release.toml"
OURS = ".companion"
RELEASES = "releases"
TEMPLATES = "release-words"
"""Where a maker puts templates of their own; snapshotted, never shipped."""


class Places:
    """The paths of one working folder; nothing is created by asking."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.facts = folder / FACTS_FILE
        self.ours = folder / OURS
        self.history = self.ours / "history.git"
        self.evidence = self.ours / "evidence"
        self.cache = self.ours / "cache.sqlite3"
        self.drafts = self.ours / "drafts"
        self.lock = self.ours / "lock"
        self.building = self.ours / "building.lock"
        self.restoring = self.ours / "restore.json"
        self.releases = folder / RELEASES
        self.templates = folder / TEMPLATES


def never_ships(path: str) -> bool:
    """Tell whether a relative path belongs to the companion or to version control, and so never ships."""
    first = path.partition("/")[0]
    return first in (OURS, RELEASES, TEMPLATES) or path == FACTS_FILE or ".git" in path.split("/")
