"""What was read of an archive, as plain values: what it says about itself, what came out, what other programs said."""

from collections.abc import Mapping
from enum import StrEnum
from functools import partial
from typing import Final

import msgspec

from companion.core.rules import Measure, rule

MOST_DEFECTS: Final = 1_000
"""Contradictions kept; an archive with more is no better understood by listing them."""

HEADERS: Final = Measure("archive-headers", version=2)
"""Raised whenever the same archive may give another :class:`Inspection`."""
MEMBERS: Final = Measure("archive-members", version=2)
"""Raised whenever the same archive may unpack to something else."""

archive_rule: Final = partial(rule, step="archive", rests_on=(HEADERS,))
"""Makes a rule of this room, on what an archive says about itself unless it rests on something else."""


class DefectKind(StrEnum):
    """The ways in which an archive can be at odds with itself."""

    TRUNCATED = "cut short"
    DISAGREES = "contradicts itself"
    UNCLAIMED = "bytes that belong to no member"
    OVERLAPS = "members share bytes"
    TOO_MUCH = "too many members"


class Defect(msgspec.Struct, frozen=True):
    """One contradiction. name: of the member, or empty for the archive. byte: where in the archive, if known."""

    kind: DefectKind
    detail: str
    name: str = ""
    byte: int | None = None


class Defects:
    """Collects contradictions, up to a limit."""

    def __init__(self) -> None:
        self.found: list[Defect] = []

    def add(self, kind: DefectKind, detail: str, name: str = "", byte: int | None = None) -> None:
        """Note a contradiction."""
        if len(self.found) < MOST_DEFECTS:
            self.found.append(Defect(kind, detail, name, byte))


class ZipMember(msgspec.Struct, frozen=True, kw_only=True):
    """One member as the directory describes it.

    name: decoded, a trailing slash marks a folder. raw: its bytes. packed, size: bytes packed and unpacked.
    offset: of the local header in the file. data: where the packed bytes begin, or -1 where that is not known.
    mode: Unix type and permissions, 0 where the archive was made by a system without them.
    readable: whether the name reads the same everywhere: plain ASCII, or flagged and valid UTF-8.
    version: of the format that unpacking it needs, times ten.
    alias: another name that an extra field gives it, and that many unpackers take; empty where there is none.
    relettered: whether a common unpacker gives it other letters, flagged though it is.
    locked: whether unpackers that set permissions make it a file, or a folder, that its owner cannot read.
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
    relettered: bool = False
    locked: bool = False

    @property
    def folder(self) -> bool:
        """Whether this is a folder, not a file."""
        return self.name.endswith("/")


class Inspection(msgspec.Struct, frozen=True, kw_only=True):
    """What an archive of ``size`` bytes says about itself. zip64: whether any part of it has the Zip64 form."""

    size: int
    members: tuple[ZipMember, ...]
    defects: tuple[Defect, ...]
    zip64: bool

    @property
    def unpacked(self) -> int:
        """Bytes of all members unpacked, as the directory claims."""
        return sum(member.size for member in self.members)

    @property
    def files(self) -> tuple[ZipMember, ...]:
        """The members that are files."""
        return tuple(member for member in self.members if not member.folder)


class Opened(msgspec.Struct, frozen=True, kw_only=True):
    """What came out of one member. problem: why it is not whole; empty when it is. sha256: of the bytes read back."""

    name: str
    size: int
    sha256: str = ""
    problem: str = ""


class Opinion(msgspec.Struct, frozen=True, kw_only=True):
    """What another program said of the archive.

    complaint: what it found, safe to show; empty where it agrees. doubtful: it only warned, or did not come to an end.
    """

    tool: str
    complaint: str = ""
    doubtful: bool = False


class ArchiveModel(msgspec.Struct, frozen=True, kw_only=True):
    """All that is known of an archive when it is judged.

    sha256: of the archive; published: the one it was published with, as given; either may be empty. limit_bytes: the
    maker's upload limit. manifest: (size, SHA-256) of every file by its name inside the archive, taken from the files
    it was made of. opened, opinions: empty where it was refused, or is judged before it is opened.
    """

    inspection: Inspection
    sha256: str = ""
    published: str = ""
    limit_bytes: int | None = None
    manifest: Mapping[str, tuple[int, str]] | None = None
    opened: tuple[Opened, ...] = ()
    opinions: tuple[Opinion, ...] = ()
