"""What an archive says about itself, as plain values."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Final

import msgspec

MOST_DEFECTS: Final = 1_000
"""Contradictions kept; an archive with more is no better understood by listing them."""


class Kind(StrEnum):
    """The ways in which an archive can be at odds with itself."""

    TRUNCATED = "cut short"
    DISAGREES = "contradicts itself"
    UNCLAIMED = "bytes that belong to no member"
    OVERLAPS = "members share bytes"
    TOO_MUCH = "more members than can be"


class Defect(msgspec.Struct, frozen=True):
    """One contradiction. name: of the member, or empty for the archive. where: the place, as people read it."""

    kind: Kind
    detail: str
    name: str = ""
    where: str = ""


class Seen(msgspec.Struct, frozen=True, kw_only=True):
    """One member as the directory describes it.

    name: decoded, a trailing slash marks a folder. raw: its bytes. packed, size: bytes packed and unpacked.
    offset: of the local header in the file. data: where the packed bytes begin, or -1 where that cannot be told.
    mode: Unix type and permissions, 0 where the archive was made by a system without them.
    readable: whether the name reads the same everywhere: plain ASCII, or flagged and valid UTF-8.
    version: of the format that unpacking it needs, times ten.
    alias: another name that an extra field gives it, and that many unpackers take; empty where there is none.
    """

    name: str
    raw: bytes
    flags: int
    method: int
    crc: int
    packed: int
    size: int
    offset: int
    data: int = -1
    mode: int = 0
    zip64: bool = False
    encrypted: bool = False
    readable: bool = True
    alias: str = ""
    version: int = 20

    @property
    def folder(self) -> bool:
        """Whether this is a folder, not a file."""
        return self.name.endswith("/")


class Inspection(msgspec.Struct, frozen=True, kw_only=True):
    """What an archive of ``size`` bytes says about itself. zip64: whether any part of it has the Zip64 form."""

    path: Path
    size: int
    members: tuple[Seen, ...]
    defects: tuple[Defect, ...]
    zip64: bool

    @property
    def unpacked(self) -> int:
        """Bytes of all members unpacked, as the directory claims."""
        return sum(member.size for member in self.members)

    @property
    def files(self) -> tuple[Seen, ...]:
        """The members that are files."""
        return tuple(member for member in self.members if not member.folder)


class Defects:
    """Collects contradictions, up to a limit."""

    def __init__(self) -> None:
        self.found: list[Defect] = []

    def add(self, kind: Kind, detail: str, name: str = "", at: int | None = None) -> None:
        """Note a contradiction at byte ``at`` of the archive."""
        if len(self.found) < MOST_DEFECTS:
            self.found.append(Defect(kind, detail, name, "" if at is None else f"byte {at:,}"))
