"""One walk over a working folder: what is there, without reading a byte of it and without following a link."""

import os
import stat
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from companion.core.below import REPARSE_POINT
from companion.core.files import explain_os_error
from companion.core.folder import OURS
from companion.core.patience import why
from companion.core.progress import Watch

Found = tuple[str, os.stat_result]
"""A file or link: its path, relative and with forward slashes (bytes that are not UTF-8 as lone surrogates), and what
the system tells of it. A plain tuple, since there are tens of thousands."""

_SPECIAL = (
    (stat.S_ISFIFO, "a pipe, not a file"),
    (stat.S_ISSOCK, "a socket, not a file"),
    (stat.S_ISBLK, "a device, not a file"),
    (stat.S_ISCHR, "a device, not a file"),
)


class Walk:
    """Yields the files in a folder, in no order; the rest is known at the end.

    links: symbolic links, and the junctions of Windows. empty: folders in which nothing but what was skipped lies.
    repositories: folders that hold a ``.git`` of the maker's own (``.`` is the folder itself). problems: path and
    reason of what is neither file, link nor folder, and of what could not be looked at.
    """

    def __init__(self, folder: Path, watch: Watch, skips: Callable[[str], Callable[[str], bool] | None]) -> None:
        """skips(parent): what tells of a name in that folder (relative; empty: the root) whether to pass over it, with
        all that lies in it; None: nothing there is. ``.git`` is passed over anyway.
        """
        self._folder, self._watch, self._skips = folder, watch, skips
        self._root = os.path.join(folder, "")  # noqa: PTH118 -- 20,000 Paths are slow
        self._waiting = [""]
        self.links: list[Found] = []
        self.empty: list[str] = []
        self.repositories: list[str] = []
        self.problems: list[tuple[str, str]] = []

    def __iter__(self) -> Iterator[Found]:
        """Walk. Raises :class:`CompanionError` when the folder itself cannot be listed, and :class:`Cancelled`."""
        self._watch.stage("Looking through the folder")
        while self._waiting:
            prefix = self._waiting.pop()
            try:
                with os.scandir(self._root + prefix) as items:
                    yield from self._one_folder(items, prefix)
            except OSError as error:
                if not prefix:
                    raise explain_os_error(error, "look through the folder", self._folder) from error
                self.problems.append((prefix[:-1], f"the folder could not be opened: {_reason(error)}"))

    def _one_folder(self, items: Iterable[os.DirEntry[str]], prefix: str) -> Iterator[Found]:
        parent, count = prefix[:-1], 0
        skips = self._skips(parent)
        for item in items:
            name = item.name
            if name == ".git":  # a folder, or a submodule's file that tells where its repository lies
                self.repositories.append(parent or ".")
                continue
            if skips and skips(name):
                continue
            count += 1
            try:
                if item.is_file(follow_symlinks=False):
                    yield prefix + name, item.stat(follow_symlinks=False)
                else:
                    self._no_file(item, prefix + name)
            except OSError as error:
                self.problems.append((prefix + name, f"could not be looked at: {_reason(error)}"))
        if not count and prefix and parent.rpartition("/")[2] != OURS:
            self.empty.append(parent)
        self._watch.step(count)

    def _no_file(self, item: os.DirEntry[str], path: str) -> None:
        if leads_elsewhere(item):
            self.links.append((path, item.stat(follow_symlinks=False)))
        elif item.is_dir(follow_symlinks=False):
            self._waiting.append(path + "/")
        else:
            mode = item.stat(follow_symlinks=False).st_mode
            special = next((reason for test, reason in _SPECIAL if test(mode)), "no file, link or folder")
            self.problems.append((path, special))


def leads_elsewhere(item: os.DirEntry[str]) -> bool:
    """Tell whether this is a link, or a junction: a folder to Python, and a way out of this one to Windows."""
    if item.is_symlink():
        return True
    return os.name == "nt" and bool(getattr(item.stat(follow_symlinks=False), "st_file_attributes", 0) & REPARSE_POINT)


def _reason(error: OSError) -> str:
    return why(error).lower()
