"""Which changes of a working folder are worth a new look, and where they can happen. Reads names only."""

import os
from pathlib import Path
from typing import Final

from companion.core.folder import FACTS_FILE, OURS, RELEASES, Places, linked_folder
from companion.core.walk import leads_elsewhere

MOST_FOLDERS: Final = 4096
"""More are not watched: Linux gives a person 8,192 watches by default (fs.inotify.max_user_watches before 5.11), and
other programs need some of them.
"""


def folders_to_watch(folder: Path) -> list[Path] | None:
    """Return every folder in which a change matters, ``folder`` first, none through a link; None if too many.

    They are watched one by one: a watcher that goes down by itself goes down through links as well, and a stranger's
    folder may link to a whole disk. Raises :class:`OSError` when ``folder`` itself cannot be listed.
    """
    places = Places(folder)
    found, waiting = [folder], _inner(folder)
    if _is_folder(places.ours):
        found += [places.ours, *(place for place in (places.bounces,) if _is_folder(place))]
        waiting += [place for place in (places.evidence,) if _is_folder(place)]
    while waiting:
        if len(found) >= MOST_FOLDERS:
            return None
        found.append(place := waiting.pop())
        try:
            waiting += _inner(place)
        except OSError:
            continue  # gone again, or not ours to read; the look tells of it
    return found


def matters(path: str, folder: Path) -> bool:
    """Tell whether a change at ``path`` (absolute) may change what the steps say of ``folder``.

    What a look writes itself (the cache, the lock) does not, or one look would ask for the next.
    """
    relative = os.path.relpath(path, folder).replace(os.sep, "/")
    first, _, rest = relative.partition("/")
    if first in (".git", ".."):
        return False
    return first != OURS or not rest.startswith(("cache.", "lock", "building", "history", "hidden/"))


def may_be_ours(path: str, folder: Path) -> bool:
    """Tell whether a change at ``path`` (absolute) is at a place that we write to ourselves."""
    relative = os.path.relpath(path, folder).replace(os.sep, "/")
    first, _, rest = relative.partition("/")
    if rest:
        return first in (OURS, RELEASES)
    return first in (OURS, RELEASES, FACTS_FILE) or first.partition(".")[0] in ("README", "CHANGELOG")


def _inner(folder: Path) -> list[Path]:
    with os.scandir(folder) as items:
        return [
            Path(item.path)
            for item in items
            if item.name not in (OURS, ".git") and not leads_elsewhere(item) and item.is_dir(follow_symlinks=False)
        ]


def _is_folder(path: Path) -> bool:
    return path.is_dir() and linked_folder(path) is None
