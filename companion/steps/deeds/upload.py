"""Out: hold a downloaded copy against what was released, and keep how it went."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import real
from companion.core.findings import Finding
from companion.core.text import same_name_key
from companion.steps.desk import Desk

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord


class CheckedUpload(msgspec.Struct, frozen=True, kw_only=True):
    """A copy that was held against the records. archive: the name of the one that it is, or was taken to be meant for.

    findings: why it is not that one; empty when it is, byte for byte.
    """

    archive: str
    findings: tuple[Finding, ...] = ()


def verify_upload(desk: Desk, file: Path, at: str) -> CheckedUpload:
    """Hold a downloaded copy against the record of this content, or of the last release, and against its updates.

    A copy of any other recorded archive is known as well. What was found is kept, good or bad: the last copy counts.
    Raises :class:`CompanionError` where nothing is released yet, and for what is no copy.
    """
    from companion.archive.prove import checksum_of
    from companion.archive.record import Upload, read_updates, write_record
    from companion.archive.whole_rules import checksum_wrong

    record = desk.release_of_this or desk.last_release
    if record is None:
        raise CompanionError("Nothing is released yet", str(desk.folder), "record the release first")
    if not file.is_file():
        raise CompanionError("There is no such file", str(file), "name the copy you fetched from where you uploaded it")
    updates = read_updates(desk.places.releases)
    asked = [record, *(one for one in updates if one.fingerprint == record.fingerprint)]
    known = [*asked, *reversed(desk.records), *updates]
    if any(real(file) == real(desk.places.releases / one.archive) for one in known):
        raise CompanionError(
            "This is the archive itself, which proves nothing about the upload",
            str(file),
            "fetch a copy from where players get it, and name that",
        )
    found, size = checksum_of(file, desk.watch), file.stat().st_size
    meant = next((one for one in known if one.sha256 == found), None) or _meant(asked, file.stem)
    upload = Upload(where=str(file), at=at, sha256=found, size=size)
    write_record(desk.places.releases, msgspec.structs.replace(meant, uploads=(*meant.uploads, upload)))
    if found == meant.sha256:
        return CheckedUpload(archive=meant.archive)
    limit = f"{meant.sha256} ({meant.archive})"
    wrong = checksum_wrong.finding(str(file), value=found, says="SHA-256 {value}", limit=limit)
    return CheckedUpload(archive=meant.archive, findings=(wrong,))


def _meant(records: Sequence[ReleaseRecord], stem: str) -> ReleaseRecord:
    """Return which archive a damaged copy was of, by its name; the first where that does not tell.

    Hosts and browsers change spaces and add numbers: only letters and digits count, and the longest that fits.
    """

    def plain(name: str) -> str:
        return "".join(filter(str.isalnum, same_name_key(name)))

    fitting = [one for one in records if plain(stem).startswith(plain(one.archive.removesuffix(".zip")))]
    return max(fitting, key=lambda one: len(one.archive), default=records[0])
