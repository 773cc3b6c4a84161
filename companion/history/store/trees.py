"""What differs between two trees, told by object ids alone: folders that are the same are never opened."""

from collections.abc import Iterator
from typing import Final

from companion.core.folder import OURS
from companion.core.progress import QUIET, Watch
from companion.history.store.objects import FOLDER, joined, tree_entries
from companion.history.store.packs import Packs

Pair = tuple[str | None, str | None]
"""Blob ids (40 hex digits) before and after; None where there is no such file."""

_OURS: Final = OURS.encode()


def _listing(packs: Packs, tree: bytes | None) -> tuple[dict[bytes, bytes], dict[bytes, bytes]]:
    """Return the folders that lie in one folder, and the files: their ids by name."""
    entries = list(tree_entries(packs.read(tree))) if tree else []
    folders = {entry.name: entry.id for entry in entries if entry.mode == FOLDER and entry.name != _OURS}
    return folders, {entry.name: entry.id for entry in entries if entry.mode != FOLDER and entry.name != _OURS}


def differing(packs: Packs, before: str, after: str, watch: Watch = QUIET) -> dict[str, Pair]:
    """Return the files that differ between two trees (40 hex digits; empty: no tree at all) by path.

    Content alone counts, not the executable bit. What lies in a ``.companion`` is left out: every look adds evidence,
    and that is no work of the maker's. Raises :class:`Damaged`, or ValueError for an object that is no tree.
    """
    found: dict[str, Pair] = {}
    waiting = [("", bytes.fromhex(before) or None, bytes.fromhex(after) or None)]
    while waiting:
        folder, old_tree, new_tree = waiting.pop()
        watch.check()
        (old_folders, old_files), (new_folders, new_files) = _listing(packs, old_tree), _listing(packs, new_tree)
        for name, was, now in _changed(old_folders, new_folders):
            waiting.append((joined(folder, name), was, now))
        for name, was, now in _changed(old_files, new_files):
            found[joined(folder, name)] = (was.hex() if was else None, now.hex() if now else None)
    return found


def _changed(old: dict[bytes, bytes], new: dict[bytes, bytes]) -> Iterator[tuple[bytes, bytes | None, bytes | None]]:
    for name in old.keys() | new.keys():
        if (was := old.get(name)) != (now := new.get(name)):
            yield name, was, now
