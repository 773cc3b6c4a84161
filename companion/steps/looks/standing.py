"""Whether the archive that was proven is the one that lies in its place, and when it was read last."""

from __future__ import annotations

import hashlib
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import msgspec

from companion.core.cache import Table
from companion.core.errors import CompanionError
from companion.core.evidence import Evidence
from companion.core.files import explained
from companion.steps.desk import Desk

NOT_THERE: Final = "the archive that was proven is not in its place"
OTHER: Final = "the archive in its place is damaged or another one: its SHA-256 is not that of the one that was proven"


class ArchiveRead(msgspec.Struct, frozen=True):
    """What reading an archive to its end showed. at: when, UTC, to the minute."""

    sha256: str
    at: str


def archive_gone(desk: Desk, evidence: Evidence) -> str:
    """Return why a proof counts no longer, though it was found: the archive that was proven is not at its place.

    Packed, changed, packed again and restored, the evidence of the first content is found again, but not its archive.
    One that blocks was not kept to begin with.
    """
    from companion.archive.build import noted_checksum

    path = _proven_archive(desk, evidence)
    if path is None:
        return ""
    try:
        noted, proven = noted_checksum(path), evidence.details.get("sha256")
        if noted != proven or not path.is_file() or path.stat().st_size != evidence.details.get("size"):
            return NOT_THERE
        return "" if archive_read(desk, path).sha256 == proven else OTHER
    except OSError as error:
        return f"the archive that was proven cannot be read: {error.strerror or type(error).__name__}"
    except CompanionError as error:
        return f"the archive that was proven cannot be read: {error.what}"


def not_read_since(desk: Desk, evidence: Evidence) -> str:
    """Return since when the archive was not read: what became of its bytes on the disk, no cheap look can tell."""
    path = _proven_archive(desk, evidence)
    try:
        return f"not read since {archive_read(desk, path).at}" if path else ""
    except (OSError, CompanionError):  # it went meanwhile: the next look will tell
        return ""


def archive_read(desk: Desk, path: Path) -> ArchiveRead:
    """Return what is remembered of an archive; it is read where its size, one of its times or its inode is another.

    Raises OSError and :class:`CompanionError` where it cannot be read.
    """
    from companion.archive.prove import checksum_of

    before = path.stat()
    if known := _table(desk).get(_key(path, before)):
        return known
    sha256 = checksum_of(path, desk.watch)
    if _key(path, before) != _key(path, path.stat()):
        with explained("read the archive", path):
            raise OSError("it is being written to")
    return remember_read(desk, path, sha256)


def remember_read(desk: Desk, path: Path, sha256: str) -> ArchiveRead:
    """Remember that the archive, as it lies there, was read to its end just now."""
    read = ArchiveRead(sha256, f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC")
    with explained("look at the archive", path):
        _table(desk).put([(_key(path, path.stat()), read)])
    return read


def _table(desk: Desk) -> Table[ArchiveRead]:
    return Table(desk.cache, "archives", 1, ArchiveRead)


def _key(path: Path, status: os.stat_result) -> bytes:
    seen = (path.name, status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)
    return hashlib.sha256(repr(seen).encode("utf-8", "surrogatepass")).digest()


def _proven_archive(desk: Desk, evidence: Evidence) -> Path | None:
    if "archive" not in evidence.details or any(one.blocks for one in desk.applied("archive", evidence.findings)):
        return None
    return desk.places.releases / str(evidence.details["archive"])
