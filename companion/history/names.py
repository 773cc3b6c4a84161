"""Which paths of a working folder a snapshot holds, and which names git cannot hold at all.

Paths are relative with forward slashes; a name that is not UTF-8 carries lone surrogates (``os.fsdecode``).
"""

import os
import re
from pathlib import Path
from typing import Final

from companion.core.folder import OURS, Places
from companion.core.portable import reserved_device

KEPT_OF_OURS: Final = ("evidence", "reports")
"""What is kept of ``.companion``: what was found and judged. Everything else in it can be made again."""

_OURS: Final = frozenset(path.name for path in vars(Places(Path())).values() if path.parent.name == OURS)
_BESIDE: Final = re.compile(r"cache\.sqlite3-.*|restore-aside|.*lock(\.holder)?|\..*\.part")
"""What else of ours lies in ``.companion``, and what comes and goes beside it."""


_HIDDEN: Final = Places(Path()).hidden.name


def told_of(path: str) -> str:
    """Return why something in a ``.companion`` is not kept, where somebody would miss it; else an empty string."""
    parent, _, name = path.rpartition("/")
    if parent != OURS:
        return "it belongs to a working folder inside this one: take a snapshot of that one too"
    if name == _HIDDEN:
        return "originals that are hidden for an away test: bring them back first"
    ours = name in _OURS or _BESIDE.fullmatch(name)
    return "" if ours else "nothing of yours is kept in the companion's own folder: move it out"


# Code points that HFS+ ignores when it compares names (Unicode Default_Ignorable as git's own fsck lists them).
_IGNORED: Final = re.compile("[\u200c-\u200f\u202a-\u202e\u206a-\u206f\ufeff]")


def only_added(path: str) -> bool:
    """Tell whether a restore may add this file but never replace or remove it: evidence and reports are not undone."""
    return path.partition("/")[0] == OURS


def cannot_be_held(name: str) -> bool:
    """Tell whether git cannot hold a file or folder called ``name``, since some systems take it for its own.

    Source: git's own ``fsck`` (hasDotgit), which refuses every name that some system would take for ``.git``: in other
    case, with characters HFS+ ignores, with trailing dots and spaces or a stream name (NTFS), or as ``git~1``.
    """
    lowered = name.lower()
    if "git" not in lowered and name.isascii():
        return False
    parts = _IGNORED.sub("", lowered).split("\\")
    return any(part.partition(":")[0].rstrip(". ") in (".git", "git~1") for part in parts)


def is_within(path: str, chosen: tuple[str, ...]) -> bool:
    """Tell whether ``path`` is or lies in one of the chosen paths; nothing chosen, or an empty path: everything."""
    return not chosen or any(not one or path == one or path.startswith(one + "/") for one in chosen)


def unsafe_to_write(path: str) -> str:
    """Return why a path out of a history must not be written to disk, or an empty string.

    A history may have come from elsewhere, so nothing in it is trusted to stay in the folder.
    """
    for part in path.split("/"):
        if part in ("", ".", "..") or cannot_be_held(part):
            return "the name leads out of the folder or into a version-control folder"
        if os.name == "nt" and ("\\" in part or ":" in part or part.rstrip(". ") != part or reserved_device(part)):
            return "Windows cannot hold a file of that name"
    return ""
