"""What a restore has to do, worked out before anything is touched. Pure: no file is opened here."""

from collections.abc import Collection, Mapping
from typing import NamedTuple

from companion.history.model import KeptFile
from companion.history.names import is_within, only_added
from companion.history.store.objects import LINK


class RestorePlan(NamedTuple):
    """Files to write, to mark executable or not, to remove; folders to make and to drop if they are empty by then."""

    write: dict[str, KeptFile]
    mark: dict[str, KeptFile]
    remove: dict[str, KeptFile]
    make: tuple[str, ...]
    drop: tuple[str, ...]
    unchanged: int


def _above(paths: Collection[str]) -> set[str]:
    """Every folder that one of these paths lies in."""
    found: set[str] = set()
    for path in paths:
        parent = path.rpartition("/")[0]
        while parent and parent not in found:
            found.add(parent)
            parent = parent.rpartition("/")[0]
    return found


def plan(
    target: Mapping[str, KeptFile],
    current: Mapping[str, KeptFile],
    target_empty: Collection[str] = (),
    current_empty: Collection[str] = (),
    chosen: tuple[str, ...] = (),
) -> RestorePlan:
    """Return how to get from ``current`` to ``target``, within the chosen paths only.

    Evidence and reports are added where they are missing, never replaced and never removed: what was once found out
    stays found out.
    """
    write: dict[str, KeptFile] = {}
    mark: dict[str, KeptFile] = {}
    unchanged = 0
    for path, wanted in target.items():
        if not is_within(path, chosen):
            continue
        there = current.get(path)
        if (there and (there.blob, there.mode) == (wanted.blob, wanted.mode)) or (there and only_added(path)):
            unchanged += 1
        elif there and there.blob == wanted.blob and LINK not in (there.mode, wanted.mode):
            mark[path] = wanted
        else:
            write[path] = wanted
    remove = {
        path: there
        for path, there in current.items()
        if path not in target and is_within(path, chosen) and not only_added(path)
    }
    kept_folders = _above(target) | _above(target_empty) | set(target_empty)
    doomed = (_above(remove) | _above(current_empty) | set(current_empty)) - kept_folders
    doomed = {path for path in doomed if is_within(path, chosen) and not only_added(path)}
    make = sorted(path for path in target_empty if is_within(path, chosen) and path not in current_empty)
    return RestorePlan(write, mark, remove, tuple(make), tuple(sorted(doomed, reverse=True)), unchanged)
