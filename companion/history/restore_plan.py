"""What a restore has to do, worked out before anything is touched. Pure: no file is opened here."""

from collections.abc import Collection, Mapping
from typing import NamedTuple, Self

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

    def without(self, paths: Collection[str]) -> Self:
        """Return the plan without these files, and without dropping a folder that one of them lies in."""
        if not paths:
            return self
        stay = _above(paths)
        write, mark, remove = (
            {path: kept for path, kept in part.items() if path not in paths}
            for part in (self.write, self.mark, self.remove)
        )
        drop = tuple(folder for folder in self.drop if folder not in stay)
        return self._replace(write=write, mark=mark, remove=remove, drop=drop)


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


def edited_since(todo: RestorePlan, current: Mapping[str, KeptFile], before: Mapping[str, KeptFile]) -> tuple[str, ...]:
    """Return the paths of ``todo`` that somebody changed since a restore was cut off, which began at ``before``.

    A file is either as it was then, or as the restore leaves it, and then it is not in ``todo``; anything else is
    somebody's work: other content, a file that was added, and one that was taken away.
    """

    def touched(path: str) -> bool:
        there, was = current.get(path), before.get(path)
        return (there and (there.blob, there.mode)) != (was and (was.blob, was.mode))

    return tuple(sorted(path for path in (*todo.write, *todo.mark, *todo.remove) if touched(path)))
