"""Names of ours in a repository of somebody's: beside theirs, in files of their own, as git itself would add them.

Git is never asked: it would run the hooks of that repository, and whatever else its configuration names.
"""

from __future__ import annotations

import contextlib
import os
import re
from pathlib import Path
from typing import Final

from companion.core.errors import CompanionError
from companion.core.files import explained, read_capped
from companion.history.store import refs
from companion.history.store.durable import sync_file
from companion.history.store.pack_writer import write_all
from companion.history.store.place import hold

_OTHER_FORMAT: Final = re.compile(r"(?im)^\s*(objectformat|refstorage)\s*=\s*(?!\"?(sha1|files)\b)")
_ID: Final = re.compile(r"[0-9a-f]{40}")
_OURS: Final = ("refs/snapshots", "refs/tags/release")


def refuse_other_formats(repository: Path) -> None:
    """Raise :class:`CompanionError` for a repository whose objects or names are kept in another way than ours."""
    text = ""
    if (repository / "config").is_file():
        text = read_capped(repository / "config", 1 << 20, "configuration").decode("utf-8", "replace")
    if _OTHER_FORMAT.search(text) or (repository / "reftable").exists():
        raise CompanionError(
            "That repository keeps its objects or names in another format",
            str(repository),
            "name a folder for a mirror",
        )


def names(repository: Path) -> refs.Refs:
    """Return the snapshots and releases that a repository names, each in a file of its own or in its one list."""
    listed = refs.look(repository).refs
    loose = {}
    for folder in _OURS:
        for path in sorted((repository / folder).glob("*")):
            if path.is_file() and not path.is_symlink():
                with contextlib.suppress(CompanionError):
                    commit = read_capped(path, 64).decode("ascii", "replace").strip()
                    if _ID.fullmatch(commit):
                        loose[f"{folder}/{path.name}"] = commit
    return listed.joined(refs.parse("".join(f"{commit} {name}\n" for name, commit in loose.items())))


def add_names(repository: Path, wanted: refs.Refs) -> None:
    """Add the names that the repository lacks. Raises :class:`CompanionError` where one stands for something else."""
    there = names(repository).names()
    missing = {name: commit for name, commit in wanted.names().items() if there.get(name) != commit}
    for name, commit in missing.items():
        if name in there:
            raise CompanionError(f"That repository has another {name}", str(repository), "choose another place")
        _add(repository, name, commit)


def _add(repository: Path, name: str, commit: str) -> None:
    folder, _, last = name.rpartition("/")
    lock = f"{last}.lock"  # git's own way to have one writer
    with explained("add a name to that repository", repository / name), hold(repository, folder, make=True) as place:
        handle = place.new(lock, 0o644)
        try:
            try:
                write_all(handle, commit.encode() + b"\n")
                sync_file(handle)
            finally:
                os.close(handle)
            place.move(lock, last)
        except BaseException:
            with contextlib.suppress(OSError):
                place.remove(lock)
            raise
        place.sync()
