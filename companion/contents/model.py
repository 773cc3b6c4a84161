"""What the Contents and the Paths step judge, as plain values."""

from collections.abc import Mapping
from functools import cached_property, partial
from typing import Final, Literal

import msgspec

from companion.contents.account import Account
from companion.contents.reading.pictures import Picture
from companion.contents.reading.scanned import Scan
from companion.contents.reading.scripts import ScriptText
from companion.contents.references import References
from companion.contents.selection import Selection
from companion.core.entries import Entry, Kind
from companion.core.facts import Facts
from companion.core.portable import utf16_units
from companion.core.rules import rule

contents_rule: Final = partial(rule, step="contents")
paths_rule: Final = partial(rule, step="paths")
MAX_PATH: Final = 260
PLAYERS_FOLDER: Final = 90
"""Characters of a typical folder that players unpack into, such as a library folder below a user's documents."""


class AudioProblem(msgspec.Struct, frozen=True, kw_only=True):
    """An audio file that does not read, and how: ``text`` is for people."""

    kind: Literal["unreadable", "truncated"]
    text: str = ""


class NamesModel(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """Paths as they lie in an archive: forward slashes, lone surrogates for bytes that are not UTF-8.

    top: the folder the archive unpacks to, counted into path lengths; empty where ``paths`` begin with it.
    """

    paths: tuple[str, ...]
    top: str = ""

    @cached_property
    def room(self) -> int:
        """UTF-16 units that a path may have below ``top`` in a typical player's folder.

        MAX_PATH counts a closing zero, and a separator stands behind each folder.
        """
        return MAX_PATH - 1 - PLAYERS_FOLDER - 1 - (utf16_units(self.top) + 1 if self.top else 0)

    @cached_property
    def names(self) -> list[tuple[str, str]]:
        """Every path and every folder on the way to one, once, each with its own name.

        A bad folder name is one fault, not one for each file in it.
        """
        prefixes: dict[str, None] = {}
        for path in self.paths:
            parts = path.split("/")
            prefixes.update(("/".join(parts[:depth]), None) for depth in range(1, len(parts) + 1))
        return [(prefix, prefix.rpartition("/")[2]) for prefix in prefixes]


class ContentsModel(msgspec.Struct, frozen=True, kw_only=True):
    """All that the Contents rules look at. ``top``: the folder the archive unpacks to, counted into path lengths."""

    entries: tuple[Entry, ...]
    selection: Selection
    facts: Facts = Facts()
    references: References = References()
    account: Account = Account()
    scans: Mapping[str, Scan] = {}
    pictures: Mapping[str, Picture] = {}
    audio_problems: Mapping[str, AudioProblem] = {}
    top: str = ""

    @property
    def patch_scans(self) -> list[Scan]:
        """The scan of each patch that ships; of one that was not scanned an empty one, which is not readable."""
        return [self.scans.get(entry.path, Scan()) for entry in self.selection.ships if entry.kind is Kind.PATCH]

    @property
    def patches_readable(self) -> bool:
        """Whether any patch ships, and every one let itself be read; else nobody knows what is in use."""
        scans = self.patch_scans
        return bool(scans) and all(scan.readable for scan in scans)


class PathsModel(msgspec.Struct, frozen=True, kw_only=True):
    """All that the Paths rules look at.

    metadata: (chunk or field, text) pairs of audio files by path; those of pictures come with ``pictures``.
    home: the maker's home folder, user: the maker's user name on this computer; both may be empty.
    """

    selection: Selection
    references: References = References()
    scans: Mapping[str, Scan] = {}
    pictures: Mapping[str, Picture] = {}
    scripts: Mapping[str, ScriptText] = {}
    metadata: Mapping[str, tuple[tuple[str, str], ...]] = {}
    home: str = ""
    user: str = ""
