"""The list of what ships, what stays and what is asked about: every file of the folder once, with its reason."""

from collections.abc import Iterable
from typing import Literal

import msgspec

from companion.contents.account import Account
from companion.contents.groups import AskedGroup
from companion.contents.inventory import Inventory
from companion.contents.selection import EXCLUDED, LINK, NOT_INCLUDED, OURS, SYSTEM, WORKING, Selection
from companion.core.entries import Entry, Kind
from companion.core.facts import Contents
from companion.core.globs import Globs, folded, globs
from companion.core.text import plural, visible

Fate = Literal["ships", "stays", "asked"]
ASKED = "neither the patch nor a fact accounts for it"


class ListedFile(msgspec.Struct, frozen=True, kw_only=True):
    """One file: what becomes of it and why. group: of what is asked about, the id it is answered by."""

    path: str
    kind: Kind
    bytes: int
    fate: Fate
    why: str
    group: str = ""


class KindTotal(msgspec.Struct, frozen=True, kw_only=True):
    """How many files of a kind there are, and their bytes."""

    kind: Kind
    files: int
    bytes: int


class ShipList(msgspec.Struct, frozen=True, kw_only=True):
    """Every file of a folder, sorted by path. groups: what is asked about; until it is answered nothing is released.

    ships, stays, asked: totals by kind.
    """

    files: tuple[ListedFile, ...]
    groups: tuple[AskedGroup, ...]
    ships: tuple[KindTotal, ...]
    stays: tuple[KindTotal, ...]
    asked: tuple[KindTotal, ...]

    def of(self, *fates: Fate) -> tuple[ListedFile, ...]:
        """Return the files of these fates."""
        return tuple(file for file in self.files if file.fate in fates)


def ship_list(inventory: Inventory, selection: Selection, account: Account, facts: Contents) -> ShipList:
    """Return the list for a folder; what is asked about would ship as things stand."""
    group_of = {path: group.id for group in account.asked for path in group.paths}
    ships = {entry.path: entry for entry in selection.ships}
    stays = {left.entry.path: left.reason for left in selection.left_out}
    excluding = [(visible(pattern), globs((pattern,))) for pattern in facts.exclude]
    files: list[ListedFile] = []
    for entry in inventory.entries:
        path = entry.path
        if (shipped := ships.get(path)) is None:
            files.append(_listed(entry, "stays", _why_stays(entry, stays[path], excluding)))
        elif path in group_of:
            files.append(_listed(shipped, "asked", ASKED, group_of[path]))
        else:
            files.append(_listed(shipped, "ships", account.why[path]))
    return ShipList(
        files=tuple(files),
        groups=account.asked,
        ships=totals(file for file in files if file.fate == "ships"),
        stays=totals(file for file in files if file.fate == "stays"),
        asked=totals(file for file in files if file.fate == "asked"),
    )


def _listed(entry: Entry, fate: Fate, why: str, group: str = "") -> ListedFile:
    return ListedFile(path=entry.path, kind=entry.kind, bytes=entry.size, fate=fate, why=why, group=group)


_STAYS = {
    NOT_INCLUDED: "not among what contents.include lets ship",
    SYSTEM: "a system left it behind",
    WORKING: "its name says it is work in progress",
    LINK: "a link: archives carry none",
    OURS: "the companion’s own",
}


def _why_stays(entry: Entry, reason: str, excluding: Iterable[tuple[str, Globs]]) -> str:
    """Return why a file stays; of what is excluded, by which pattern."""
    if reason == EXCLUDED:
        key = folded(entry.path)
        by = next((pattern for pattern, one in excluding if one.matches_key(key)), "")
        return f"you left it at home: “{by}”"
    return _STAYS[reason]


def totals(files: Iterable[ListedFile]) -> tuple[KindTotal, ...]:
    """Return how many files of each kind there are and their bytes, in the order of the kinds."""
    counted: dict[Kind, tuple[int, int]] = {}
    for file in files:
        count, size = counted.get(file.kind, (0, 0))
        counted[file.kind] = (count + 1, size + file.bytes)
    return tuple(
        KindTotal(kind=kind, files=counted[kind][0], bytes=counted[kind][1]) for kind in Kind if kind in counted
    )


def kinds_text(sums: Iterable[KindTotal]) -> str:
    """Return totals in words: ``1 patch, 36 samples, 2 pictures``."""
    return ", ".join(plural(one.files, one.kind.value, "patches" if one.kind is Kind.PATCH else "") for one in sums)
