"""The files of a working folder as plain values."""

from enum import StrEnum

import msgspec


class Kind(StrEnum):
    """What a file is to an instrument. Only facts and names decide; no patch format is known here."""

    PATCH = "patch"
    SAMPLE = "sample"
    IMPULSE = "impulse response"
    SCRIPT = "script"
    PICTURE = "picture"
    DOCUMENT = "document"
    ARCHIVE = "nested archive"
    WORKING = "working file"
    SYSTEM = "system file"
    OTHER = "other file"

    @property
    def audible(self) -> bool:
        """Whether this is audio that players hear."""
        return self in (Kind.SAMPLE, Kind.IMPULSE)

    @property
    def played(self) -> bool:
        """Whether this takes part in how the instrument sounds, looks or behaves."""
        return self in (Kind.PATCH, Kind.SAMPLE, Kind.IMPULSE, Kind.SCRIPT, Kind.PICTURE, Kind.OTHER)


class Entry(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One file of the folder.

    path: relative, forward slashes; bytes that are not UTF-8 stand as lone surrogates (``os.fsdecode``).
    size: bytes. mtime_ns: as the file system tells it. inode: 0 where the system has none.
    sha256, blob: SHA-256 and git's blob id of the content in lower-case hex, from one read; empty for a link, and where
    the file could not be read.
    link: where a symbolic link points, as written in it; None for a file.
    problem: why the file could not be read; empty when it could.

    It holds nothing that could hold it, and there are tens of thousands: the collector of cycles passes them over.
    """

    path: str
    size: int
    mtime_ns: int
    inode: int
    kind: Kind
    sha256: str = ""
    blob: str = ""
    link: str | None = None
    problem: str = ""

    @property
    def name(self) -> str:
        """The last part of the path."""
        return self.path.rpartition("/")[2]

    @property
    def suffix(self) -> str:
        """The extension in lower case with its dot, or an empty string."""
        stem, dot, extension = self.name.rpartition(".")
        return f".{extension.lower()}" if dot and stem else ""


class LeftOut(msgspec.Struct, frozen=True, kw_only=True):
    """A file that stays at home, and why."""

    entry: Entry
    reason: str
