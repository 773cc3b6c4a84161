"""What was released: one JSON file per release, and one per update archive, beside the archive."""

import json
from pathlib import Path
from typing import Any, Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import read_capped, write_safely
from companion.core.text import visible

SCHEMA: Final = 1
SUFFIX: Final = ".release.json"
UPDATE_SUFFIX: Final = ".update.json"
MOST_BYTES: Final = 64 << 20


class Upload(msgspec.Struct, frozen=True, kw_only=True):
    """A copy that was fetched back and held against the record.

    where: as the maker names the place. at: UTC, ISO 8601. size, sha256: of the copy, which may be damaged.
    """

    where: str
    at: str
    sha256: str
    size: int


class ReleaseRecord(msgspec.Struct, frozen=True, kw_only=True):
    """One release, or one update archive to a release.

    archive: the file's name. size, sha256: of the archive. top: its one folder. files: (path under ``top``, size,
    SHA-256) of each file in it. needs: the requirement as published. snapshot: its number, snapshot_id: its commit.
    facts: the text of ``release.toml`` then. fingerprint: of all that shipped, and of what it was called.
    at: UTC, ISO 8601. order: rises by one with each release, so that a clock set back cannot reorder them. playable:
    fingerprint of what plays, shows or runs in it. since: the version an update archive builds on, else empty; its
    record is written when it is built and counts once its content is released. uploads: copies checked, oldest first.
    """

    title: str
    version: str
    archive: str
    size: int
    sha256: str
    top: str
    files: tuple[tuple[str, int, str], ...]
    needs: dict[str, Any] = {}
    snapshot: int = 0
    snapshot_id: str = ""
    at: str = ""
    order: int = 0
    playable: str = ""
    fingerprint: str = ""
    facts: str = ""
    since: str = ""
    uploads: tuple[Upload, ...] = ()
    schema: int = SCHEMA

    @property
    def manifest(self) -> dict[str, tuple[int, str]]:
        """(size, SHA-256) by name inside the archive: what a proof holds it to."""
        return {f"{self.top}/{path}": (size, sha256) for path, size, sha256 in self.files}

    @property
    def last_upload(self) -> Upload | None:
        """The copy that was checked last."""
        return self.uploads[-1] if self.uploads else None

    @property
    def verified(self) -> bool:
        """Whether the copy that was checked last is the archive, byte for byte."""
        return self.last_upload is not None and self.last_upload.sha256 == self.sha256


def write_record(folder: Path, record: ReleaseRecord) -> Path:
    """Write ``record`` into ``folder``, the ``releases/`` of a working folder, and return where.

    Raises :class:`CompanionError`.
    """
    if record.archive != Path(record.archive).name or record.archive in ("", ".", ".."):
        raise CompanionError("The record names no archive of this folder", record.archive, "pack again")
    suffix = UPDATE_SUFFIX if record.since else SUFFIX
    path = folder / (record.archive.removesuffix(".zip") + suffix)
    write_safely(path, json.dumps(msgspec.to_builtins(record), indent=1).encode("ascii") + b"\n", root=folder.parent)
    return path


def read_records(folder: Path) -> list[ReleaseRecord]:
    """Return the records in ``folder`` in the order of the releases; what does not read is left out."""
    found = [record for _, record in _read(folder) if isinstance(record, ReleaseRecord) and not record.since]
    return sorted(found, key=lambda record: (record.order, record.at, record.archive))


def read_updates(folder: Path) -> list[ReleaseRecord]:
    """Return the records of the update archives in ``folder``, by name; what does not read is left out."""
    return [record for _, record in _read(folder, UPDATE_SUFFIX) if isinstance(record, ReleaseRecord) and record.since]


def damaged_records(folder: Path) -> list[tuple[str, str]]:
    """Return (file name, reason) of each record in ``folder`` that does not read, safe to show."""
    return [(visible(name), problem) for name, problem in _read(folder) if isinstance(problem, str)]


def next_order(folder: Path) -> int:
    """Return the place in the order that the next release takes."""
    return max((record.order for record in read_records(folder)), default=0) + 1


def _read(folder: Path, suffix: str = SUFFIX) -> list[tuple[str, ReleaseRecord | str]]:
    if not folder.is_dir():
        return []
    found: list[tuple[str, ReleaseRecord | str]] = []
    for path in sorted(folder.glob(f"*{suffix}")):
        try:
            record = msgspec.convert(json.loads(read_capped(path, MOST_BYTES, "release record")), ReleaseRecord)
            newer = record.schema > SCHEMA
            found.append((path.name, "a newer companion wrote it" if newer else record))
        except CompanionError as error:
            found.append((path.name, error.what))
        except (ValueError, RecursionError, msgspec.ValidationError) as error:
            found.append((path.name, visible(str(error))))
    return found
