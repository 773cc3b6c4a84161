"""What is out, release by release: where its archive lies, what it needs and builds on, and whether it is current."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import msgspec

from companion.core.facts import facts_from_toml
from companion.core.versions import base_of, engine_version, instrument_version

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord
    from companion.core.folder import Places

Standing = Literal["current", "last of its line", "followed by", "tried before"]


class UpdateOut(msgspec.Struct, frozen=True, kw_only=True):
    """An update archive. since: the release it is unzipped over. upload: as of :class:`ReleaseOut`."""

    since: str
    archive: str
    size: int
    sha256: str
    upload: str


class ReleaseOut(msgspec.Struct, frozen=True, kw_only=True):
    """A release. at: the day, ISO 8601. here: whether its archive lies in ``releases/`` with the size it had.

    base: the release it is compared with; empty for a first one. minimum: of the engine, as it was stated then.
    upload: ``verified``, ``damaged`` or ``not checked``, by the copy that was checked last, and its day behind a blank.
    standing: whether players should have it; beside: the release that follows it, or that it was tried before. stay:
    for whom an older release is the right one, in words; empty where it is for nobody.
    """

    version: str
    at: str
    archive: str
    size: int
    sha256: str
    here: bool
    base: str
    engine: str
    minimum: str
    upload: str
    updates: tuple[UpdateOut, ...]
    standing: Standing
    beside: str
    stay: str


def releases_out(places: Places) -> tuple[ReleaseOut, ...]:
    """Return every recorded release, the newest version first; what cannot be compared by its version comes last."""
    from companion.archive.record import read_records, read_updates

    records = read_records(places.releases)
    updates = read_updates(places.releases)
    found = [_release(one, records, updates, places.releases) for one in records]

    def newest(one: ReleaseOut) -> tuple[bool, object]:
        version = instrument_version(one.version)
        return (version is not None, version or one.at)

    known = sorted((one for one in found if newest(one)[0]), key=lambda one: newest(one)[1], reverse=True)  # type: ignore[arg-type,return-value]
    return tuple(known) + tuple(one for one in found if not newest(one)[0])


def _release(
    record: ReleaseRecord, records: Sequence[ReleaseRecord], updates: Sequence[ReleaseRecord], folder: Path
) -> ReleaseOut:
    engine, minimum = _engine(record)
    standing, beside = _standing(record, records)
    return ReleaseOut(
        version=record.version,
        at=record.at[:10],
        archive=record.archive,
        size=record.size,
        sha256=record.sha256,
        here=_is_there(folder / record.archive, record.size),
        base=base_of(record.version, [one.version for one in records if one.order < record.order]),
        engine=engine,
        minimum=minimum,
        upload=_upload(record),
        updates=tuple(
            UpdateOut(since=one.since, archive=one.archive, size=one.size, sha256=one.sha256, upload=_upload(one))
            for one in updates
            if one.version == record.version
        ),
        standing=standing,
        beside=beside,
        stay=_stay(record, records),
    )


def _is_there(path: Path, size: int) -> bool:
    try:
        return not path.is_symlink() and path.is_file() and path.stat().st_size == size
    except OSError:
        return False


def _upload(record: ReleaseRecord) -> str:
    last = record.last_upload
    return f"{'verified' if record.verified else 'damaged'} {last.at[:10]}" if last else "not checked"


def _engine(record: ReleaseRecord) -> tuple[str, str]:
    try:
        engine = facts_from_toml(record.facts).engine
    except Exception:
        return "", ""
    return engine.name.strip(), engine.minimum.strip() or engine.saved_with.strip()


def _standing(record: ReleaseRecord, records: Sequence[ReleaseRecord]) -> tuple[Standing, str]:
    """Return whether players should have a release, and which one stands beside it.

    The highest final is current. A pre-release was tried before its final, or before what is yet to come. Of an older
    line (1.1, where 1.2 is out) the highest is its last; any other is followed by the next final above it.
    """
    own = instrument_version(record.version)
    known = {found: one.version for one in records if (found := instrument_version(one.version))}
    if own is None:
        return "current", ""
    finals = sorted(version for version in known if not version.is_prerelease)
    if own.is_prerelease:
        later = [version for version in known if version > own]
        return ("tried before", known[min(later)]) if later else ("tried before", "")
    if own == finals[-1]:
        return "current", ""
    line = [version for version in finals if version.release[:2] == own.release[:2]]
    if own == line[-1] and len({version.release[:2] for version in finals}) > 1:
        return "last of its line", known[finals[-1]]
    return "followed by", known[next(version for version in finals if version > own)]


def _stay(record: ReleaseRecord, records: Sequence[ReleaseRecord]) -> str:
    """Return for whom a release that is not the newest is the right one: whose engine the newer ones leave behind."""
    own, (name, needs) = instrument_version(record.version), _engine(record)
    least = engine_version(needs)
    if own is None or own.is_prerelease or least is None:
        return ""
    above = [
        (version, minimum)
        for one in records
        if (version := instrument_version(one.version)) and version > own and not version.is_prerelease
        if (minimum := engine_version(_engine(one)[1])) is not None
    ]
    if not above or any(minimum <= least for _, minimum in above):
        return ""
    following = min(above)[0]
    limit = next(_engine(one)[1] for one in records if instrument_version(one.version) == following)
    return f"on {name or 'the engine'} from {needs} up to before {limit}, stay with {record.version}"
