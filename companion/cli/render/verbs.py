"""The commands by the work they belong to, and what somebody meant who wrote one that there is not."""

from collections.abc import Collection, Iterable
from difflib import get_close_matches
from typing import Final

GROUPS: Final = {
    "Begin": ("open", "start", "demo", "completion"),
    "Look": ("status", "check", "contents", "show", "play", "measure", "needs", "explain"),
    "Keep": ("snapshot", "snapshots", "compare", "restore", "forget", "mirror", "adopt"),
    "Try": ("trials", "answer", "perform", "judge", "coverage", "away", "kit", "receive"),
    "Write": ("draft", "waive"),
    "Ship": ("pack", "prove", "release"),
    "After": ("upload", "report", "releases", "shelf", "sheet"),
}
"""In the order of the work, and in each group in the order in which one comes to need them."""
FURTHER: Final = "Further"
_MEANT: Final = {
    "build": "pack", "zip": "pack", "archive": "pack", "publish": "release", "ship": "release", "verify": "prove",
    "test": "check", "lint": "check", "scan": "check", "info": "status", "list": "snapshots", "history": "snapshots",
    "log": "snapshots", "commit": "snapshot", "save": "snapshot", "undo": "restore", "back": "restore",
    "revert": "restore", "checkout": "restore", "diff": "compare", "changes": "compare", "backup": "mirror",
    "push": "mirror", "clone": "adopt", "pull": "adopt", "delete": "forget", "init": "start", "new": "start",
    "ignore": "waive", "skip": "waive", "write": "draft", "readme": "draft", "changelog": "draft", "page": "draft",
    "midi": "perform", "bounce": "judge", "rules": "explain", "why": "explain", "example": "demo",
    "hear": "play", "listen": "play",
}  # fmt: skip
"""What people write who know the work by other words."""


def grouped(names: Iterable[str]) -> list[tuple[str, list[str]]]:
    """Return each group that has any of ``names``, with those; what is in none comes last."""
    left = set(names)
    found = [(title, [name for name in group if name in left]) for title, group in GROUPS.items()]
    rest = sorted(left.difference(*GROUPS.values()))
    return [(title, group) for title, group in (*found, (FURTHER, rest)) if group]


def meant(verb: str, names: Collection[str]) -> str:
    """Return the command that was meant by a verb that there is not, or an empty string."""
    lower = verb.lower().lstrip("-")
    if (other := _MEANT.get(lower, lower)) in names:
        return other
    return next(iter(get_close_matches(lower, names, 1, 0.7)), "")
