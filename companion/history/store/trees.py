"""What differs between two trees, told by object ids alone: folders that are the same are never opened."""

from typing import Final

from companion.core.folder import OURS
from companion.core.progress import QUIET, Watch
from companion.history.store.objects import FOLDER, joined, tree_entries
from companion.history.store.packs import Packs

Pair = tuple[str | None, str | None]
"""Blob ids (40 hex digits) before and after; None where there is no such file."""

_OURS: Final = OURS.encode()


def _listing(packs: Packs, tree: bytes | None) -> dict[bytes, tuple[bool, bytes]]:
    """Return what lies in one folder by name: whether it is a folder, and its id."""
    if tree is None:
        return {}
    return {entry.name: (entry.mode == FOLDER, entry.id) for entry in tree_entries(packs.read(tree))}


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
        old, new = _listing(packs, old_tree), _listing(packs, new_tree)
        for name in old.keys() | new.keys():
            was, now = old.get(name), new.get(name)
            if was == now or name == _OURS:
                continue
            path = joined(folder, name)
            was_folder = was[1] if was and was[0] else None
            now_folder = now[1] if now and now[0] else None
            if was_folder or now_folder:
                waiting.append((path, was_folder, now_folder))
            was_file = was[1] if was and not was[0] else None
            now_file = now[1] if now and not now[0] else None
            if was_file or now_file:
                found[path] = (was_file.hex() if was_file else None, now_file.hex() if now_file else None)
    return found
