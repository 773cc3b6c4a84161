"""What nobody accounts for, in groups that one answer settles: a folder, or what ends alike in one."""

from collections.abc import Iterable
from typing import Final

import msgspec

from companion.contents.kinds import suffix_of
from companion.core.entries import Entry
from companion.core.globs import folded

NO_ENDING: Final = "*."
"""Names, in a group's id, what has no extension."""


class AskedGroup(msgspec.Struct, frozen=True, kw_only=True):
    """Files that are asked about together.

    id: what it is answered by: ``Extras/`` for a folder of which nothing else ships, ``*.pdf`` or ``Samples/*.txt`` for
    what ends alike beside files that ship, a path where there is one file. whole: whether it is such a folder.
    """

    id: str
    paths: tuple[str, ...]
    bytes: int
    whole: bool = False


def grouped(entries: Iterable[Entry], accounted: Iterable[str]) -> tuple[AskedGroup, ...]:
    """Return ``entries`` in groups, in the order of their ids. ``accounted``: the paths of what else ships.

    The topmost folder in which nothing is accounted for is one group. Elsewhere those files are, below each folder at
    the top, that end alike.
    """
    kept = {""}
    for path in accounted:
        folder = path.rpartition("/")[0]
        while folder not in kept:
            kept.add(folder)
            folder = folder.rpartition("/")[0]
    groups: dict[tuple[str, bool], list[Entry]] = {}
    for entry in entries:
        groups.setdefault(_place(entry.path, kept), []).append(entry)
    found = []
    for (name, whole), several in groups.items():
        alone = len(several) == 1 and not whole
        found.append(
            AskedGroup(
                id=several[0].path if alone else name,
                paths=tuple(sorted(entry.path for entry in several)),
                bytes=sum(entry.size for entry in several),
                whole=whole,
            )
        )
    return tuple(sorted(found, key=lambda group: group.id))


def _place(path: str, kept: set[str]) -> tuple[str, bool]:
    """Return the id of the group of a path, and whether that is a whole folder."""
    at = path.find("/")
    while at >= 0:
        if path[:at] not in kept:
            return f"{path[:at]}/", True
        at = path.find("/", at + 1)
    top, slash, _ = path.partition("/")
    suffix = suffix_of(folded(path))
    return f"{f'{top}/' if slash else ''}{f'*.{suffix}' if suffix else NO_ENDING}", False
