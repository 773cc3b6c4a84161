"""Out: record a release."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import msgspec

from companion.core.errors import CompanionError
from companion.core.text import listed
from companion.history.names import is_within
from companion.steps.checks.needs import requirement
from companion.steps.deeds.facts_file import read_text
from companion.steps.desk import Desk
from companion.steps.looks.stated import weight_of

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord
    from companion.history.history import History
    from companion.history.snapshot import Snapshot


def release(desk: Desk, history: History | None, at: str) -> ReleaseRecord:
    """Record what would ship as released: a snapshot of it, the record, then the snapshot's tag.

    What was recorded when a run ended before the tag is finished first. history: None where no snapshots can be kept;
    the record then names none. Raises :class:`CompanionError` while a step before is not settled, when the archive
    that was proven is not the one that lies there, and for a version that was released from another snapshot.
    """
    from companion.archive.plan import top_folder
    from companion.archive.prove import checksum_of
    from companion.archive.record import ReleaseRecord, next_order, write_record
    from companion.steps.status import status_of

    finished = _tag_recorded(desk.records, history)
    if record := desk.release_of_this:
        if record.version in finished:
            return record
        raise CompanionError(
            f"{record.version} is recorded already ({record.at[:10]})", record.archive, "nothing is left to do"
        )
    status = status_of(desk)
    left = [
        f"{step.title} ({step.state.value})" for step in status.steps if step.id != "out" and not step.state.settled
    ]
    if left:
        raise CompanionError(f"Not every step is proven: {listed(left, 10)}", "", "settle those first")
    details = status.step("archive").details
    archive = desk.places.releases / details["archive"]
    if checksum_of(archive, desk.watch) != details["sha256"]:
        raise CompanionError("The archive is not the one that was proven", str(archive), "build it again")
    version = desk.facts.instrument.version
    snapshot = history.take(f"Release {version}", kind="release", watch=desk.watch) if history else None
    if snapshot and not snapshot.whole:
        _refuse_half_kept(snapshot, {entry.path for entry in desk.ships})
    if history and snapshot:
        held = history.release_snapshot(version)
        if held and held.id != snapshot.id:
            raise CompanionError(f"Version {version} is released already, from another snapshot", "", "raise it")
    lines = requirement(desk.facts, desk.away_here, weight_of(desk))
    record = ReleaseRecord(
        title=desk.facts.instrument.title,
        version=version,
        archive=archive.name,
        size=details["size"],
        sha256=details["sha256"],
        top=top_folder(desk.facts.instrument.title),
        files=tuple((entry.path, entry.size, entry.sha256) for entry in desk.ships),
        needs={"lines": msgspec.to_builtins(lines)},
        facts=read_text(desk.places.facts),
        snapshot=snapshot.number if snapshot else 0,
        snapshot_id=snapshot.id if snapshot else "",
        fingerprint=desk.mark("out"),
        at=at,
        order=next_order(desk.places.releases),
        playable=desk.marks.playable,
    )
    write_record(desk.places.releases, record)
    if history and snapshot:
        history.tag_release(snapshot.number, version)
    return record


def _refuse_half_kept(snapshot: Snapshot, ships: set[str]) -> None:
    """Raise :class:`CompanionError` where the snapshot of a release lacks something that ships, or holds half of it."""
    out = tuple("" if path == "." else path for path, _ in snapshot.left_out)
    lacks = sorted(path for path in ships if path in snapshot.changed_while_read or (out and is_within(path, out)))
    if lacks:
        raise CompanionError(
            f"The snapshot could not keep what ships: {listed(lacks)}",
            "",
            "see that nothing writes to it, and release again",
        )


def _tag_recorded(records: Iterable[ReleaseRecord], history: History | None) -> set[str]:
    """Tag what is recorded and lost its tag to a kill or a full disk, and return those versions.

    The tag is what keeps a released snapshot from being forgotten unasked.
    """
    if history is None:
        return set()
    kept = {snapshot.id: snapshot.number for snapshot in history.snapshots()}
    missing = [
        record
        for record in records
        if record.snapshot_id in kept and not record.since and not history.release_snapshot(record.version)
    ]
    for record in missing:
        history.tag_release(kept[record.snapshot_id], record.version)
    return {record.version for record in missing}
