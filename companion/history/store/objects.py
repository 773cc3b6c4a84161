"""Git's objects as bytes: ids, trees, commits (git's documented object format, SHA-1)."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Mapping
from typing import Final, NamedTuple

COMMIT, TREE, BLOB = 1, 2, 3
"""Type numbers as a pack writes them."""

NAMES: Final = {COMMIT: b"commit", TREE: b"tree", BLOB: b"blob"}
FILE: Final = 0o100644
PROGRAM: Final = 0o100755
LINK: Final = 0o120000
FOLDER: Final = 0o40000
"""Modes as a tree writes them."""

WHO: Final = b"companion <companion@localhost>"


def hasher(kind: int, size: int) -> hashlib._Hash:
    """Return a running SHA-1 that has read the header of an object of ``size`` bytes."""
    return hashlib.sha1(b"%s %d\0" % (NAMES[kind], size), usedforsecurity=False)


def object_id(kind: int, data: bytes | memoryview) -> bytes:
    """Return the 20-byte id of an object."""
    digest = hasher(kind, len(data))
    digest.update(data)
    return digest.digest()


class TreeEntry(NamedTuple):
    """One line of a tree."""

    name: bytes
    mode: int
    id: bytes


def tree_data(entries: Iterable[TreeEntry]) -> bytes:
    """Return a tree object; git orders names as bytes, a folder's as though it ended in a slash."""
    ordered = sorted(entries, key=lambda entry: entry.name + b"/" if entry.mode == FOLDER else entry.name)
    return b"".join(b"%o %s\0%s" % (entry.mode, entry.name, entry.id) for entry in ordered)


def tree_entries(data: bytes) -> Iterator[TreeEntry]:
    """Yield the entries of a tree object. Raises ValueError where it is not one."""
    at = 0
    while at < len(data):
        space = data.index(b" ", at)
        end = data.index(b"\0", space)
        if end + 21 > len(data):
            raise ValueError("the tree ends in the middle of an entry")
        yield TreeEntry(data[space + 1 : end], int(data[at:space], 8), data[end + 1 : end + 21])
        at = end + 21


def build_trees(files: Mapping[str, tuple[bytes, int]]) -> tuple[bytes, dict[bytes, bytes]]:
    """Return the root's id and every tree object by id, from blob ids and modes by path."""
    folders: dict[bytes, list[TreeEntry]] = {b"": []}
    for path, (blob, mode) in files.items():
        parent, _, name = os.fsencode(path).rpartition(b"/")
        folders.setdefault(parent, []).append(TreeEntry(name, mode, blob))
    for folder in list(folders):
        while folder:
            folder = folder.rpartition(b"/")[0]  # noqa: PLW2901
            if folder in folders:
                break
            folders[folder] = []
    trees: dict[bytes, bytes] = {}
    root = b""
    # The deepest first, so that a folder's trees have their ids before it is written itself.
    for folder in sorted(folders, key=lambda one: one.count(b"/") + 1 if one else 0, reverse=True):
        data = tree_data(folders[folder])
        root = object_id(TREE, data)
        trees[root] = data
        if folder:
            parent, _, name = folder.rpartition(b"/")
            folders[parent].append(TreeEntry(name, FOLDER, root))
    return root, trees


def commit_data(tree: bytes, seconds: int, message: bytes) -> bytes:
    """Return a commit object without parents: a snapshot stands alone, so that any other can be forgotten."""
    stamp = b"%s %d +0000" % (WHO, seconds)
    return b"tree %s\nauthor %s\ncommitter %s\n\n%s" % (tree.hex().encode(), stamp, stamp, message)


def joined(parent: str, name: bytes) -> str:
    """Return the path of ``name`` in the folder ``parent`` (empty: the root)."""
    text = os.fsdecode(name)
    return f"{parent}/{text}" if parent else text
