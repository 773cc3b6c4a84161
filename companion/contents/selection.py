"""What ships and what stays at home."""

import re
from collections.abc import Callable, Iterable
from typing import Final

import msgspec

from companion.contents.inventory import Inventory
from companion.contents.kinds import natural_kind
from companion.core.entries import Entry, Kind, LeftOut
from companion.core.facts import Contents
from companion.core.folder import never_ships
from companion.core.globs import folded, globs, is_plain

SYSTEM: Final = "system file"
WORKING: Final = "working file"
LINK: Final = "link"
EXCLUDED: Final = "excluded by the facts"
NOT_INCLUDED: Final = "not among what the facts include"
OURS: Final = "belongs to the companion or to version control"


class Selection(msgspec.Struct, frozen=True, kw_only=True):
    """The files that ship and those that stay, each with its reason; both sorted by path."""

    ships: tuple[Entry, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def paths(self) -> frozenset[str]:
        """The paths that ship."""
        return frozenset(entry.path for entry in self.ships)


def select(inventory: Inventory, facts: Contents, *, referenced: frozenset[str] = frozenset()) -> Selection:
    """Return what ships under these facts.

    ``include`` empty means everything; ``documents`` ship besides what is included; ``exclude`` wins over all.
    System files and links stay, and so do working files, unless a path of ``include`` names the very file or
    something that ships refers to it (``referenced``): it then counts as what its extension says. Nested archives
    and unreadable files ship, so that they are found.
    """
    include, exclude, documents = globs(facts.include), globs(facts.exclude), globs(facts.documents)
    named = _full_names(facts.include)
    ships: list[Entry] = []
    left: list[LeftOut] = []
    plain = not (include or exclude)  # then no path need be prepared for comparing, which is most of the work
    for entry in inventory.entries:
        key = "" if plain else folded(entry.path)
        reason = ""
        if never_ships(entry.path):
            reason = OURS
        elif exclude and exclude.matches_key(key):
            reason = EXCLUDED
        elif entry.link is not None:
            reason = LINK
        elif entry.kind is Kind.SYSTEM:
            reason = SYSTEM
        elif include and not (include.matches_key(key) or documents.matches_key(key)):
            reason = NOT_INCLUDED
        elif entry.kind is Kind.WORKING and not named(key) and entry.path not in referenced:
            reason = WORKING
        if reason:
            left.append(LeftOut(entry=entry, reason=reason))
        elif entry.kind is Kind.WORKING:
            ships.append(msgspec.structs.replace(entry, kind=natural_kind(entry.path)))
        else:
            ships.append(entry)
    return Selection(ships=tuple(ships), left_out=tuple(left))


def _full_names(patterns: Iterable[str]) -> Callable[[str], bool]:
    """Return what tells whether a folded path is the very file that one of ``patterns`` names; ``?`` is any sign."""
    keys = [folded(pattern.replace("\\", "/")) for pattern in patterns if "*" not in pattern]
    exact = {key for key in keys if is_plain(key)}
    wide = [re.compile(re.escape(key).replace(r"\?", "[^/]")) for key in keys if not is_plain(key)]
    return lambda path: path in exact or any(one.fullmatch(path) for one in wide)
