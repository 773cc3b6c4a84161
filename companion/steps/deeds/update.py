"""Update archives: only what changed since a recorded release, proven to make the new version of the old one."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.findings import Finding
from companion.core.text import listed, plural, same_name_key, visible
from companion.core.versions import instrument_version
from companion.steps.desk import Desk

if TYPE_CHECKING:
    from companion.archive.build import PendingArchive
    from companion.archive.plan import ArchivePlan
    from companion.archive.record import ReleaseRecord
    from companion.archive.update import UpdateInfo

_SAMPLES: Final = (".wav", ".aif", ".aiff", ".flac", ".ogg")


class Updated(msgspec.Struct, frozen=True, kw_only=True):
    """An update archive. changed, added, removed: paths under the top folder. full: bytes of the whole new version.

    built: nothing that is judged before the building blocks; else there is no archive, and size and sha256 are empty.
    """

    path: Path
    size: int
    sha256: str
    since: str
    changed: tuple[str, ...]
    added: tuple[str, ...]
    removed: tuple[str, ...]
    full: int
    findings: tuple[Finding, ...]
    built: bool = True


def pack_update(desk: Desk, since: str, judge_first: Callable[[], tuple[Finding, ...]]) -> Updated:
    """Build the update from release ``since`` to what would ship now; kept only when it is proven.

    judge_first: returns what blocks of what is cheap to judge; nothing is built then.

    Raises :class:`CompanionError` for a version there is no record or no archive of, when nothing changed, and for
    what no archive can be made of.
    """
    from companion.archive.build import pending_archive
    from companion.archive.plan import archive_name, plan, top_folder
    from companion.archive.prove import checksum_of
    from companion.archive.update import plan_update, prove_update
    from companion.steps.looks.archive import refuse_unfit

    instrument = desk.facts.instrument
    old = _released(desk, since)
    before = desk.places.releases / old.archive
    if not before.is_file():
        raise CompanionError("The old archive is not there to prove the update with", str(before), "put it back")
    if not _higher(instrument.version, since):
        raise CompanionError("An update needs a higher version", "instrument.version", "raise it first")
    refuse_unfit(desk)
    if checksum_of(before, desk.watch) != old.sha256:
        raise CompanionError(
            "The old archive is not the one that was released", str(before), "put that back: it is what players have"
        )
    files = [(e.path, desk.folder / e.path, e.size, e.sha256) for e in desk.ships]
    _, info = plan_update(plan(top_folder(instrument.title), files), old)
    note = "\n".join(note_lines(info, instrument.version)) + "\n"
    whole = plan(top_folder(instrument.title), files, {note_name(e.path for e in desk.ships): note.encode()}, desk.day)
    update, _ = plan_update(whole, old)
    target = desk.places.releases / archive_name(instrument.title, instrument.version, since)
    if blocking := judge_first():
        return _updated(target, info, since, blocking)
    with pending_archive(update, target, desk.watch, root=desk.folder) as new:
        findings = prove_update(before, new.path, whole.manifest, removed=info.removed, watch=desk.watch)
        if not any(finding.blocks for finding in findings):
            new.accept()
            _record(desk, update, new, since)
    return _updated(target, info, since, findings, new)


def _record(desk: Desk, update: ArchivePlan, new: PendingArchive, since: str) -> None:
    """Record what the update is, so that a downloaded copy can be held against it; copies checked of it still count."""
    from companion.archive.record import ReleaseRecord, read_updates, write_record

    instrument, archive = desk.facts.instrument, new.target.name
    before = [one for one in read_updates(desk.places.releases) if (one.archive, one.sha256) == (archive, new.sha256)]
    record = ReleaseRecord(
        title=instrument.title,
        version=instrument.version,
        archive=archive,
        size=new.size,
        sha256=new.sha256,
        top=update.top,
        files=tuple((one.name.partition("/")[2], one.size, one.sha256) for one in update.members),
        fingerprint=desk.mark("out"),
        since=since,
        uploads=before[0].uploads if before else (),
    )
    write_record(desk.places.releases, record)


def _updated(
    path: Path, info: UpdateInfo, since: str, findings: tuple[Finding, ...], new: PendingArchive | None = None
) -> Updated:
    return Updated(
        path=path,
        size=new.size if new else 0,
        sha256=new.sha256 if new else "",
        since=since,
        changed=info.changed,
        added=info.added,
        removed=info.removed,
        full=info.full_bytes,
        findings=findings,
        built=new is not None,
    )


def _released(desk: Desk, version: str) -> ReleaseRecord:
    from companion.archive.record import damaged_records

    old = next((record for record in reversed(desk.records) if record.version == version and not record.since), None)
    if old is not None:
        return old
    known = listed([visible(record.version) for record in desk.records], 10) or "none yet"
    damaged = "".join(f"; {name} does not read: {why}" for name, why in damaged_records(desk.places.releases)[:1])
    raise CompanionError(f"There is no release {version}", "", f"the recorded ones: {known}{damaged}")


def _higher(version: str, since: str) -> bool:
    now, then = instrument_version(version), instrument_version(since)
    return now > then if now and then else version != since


def note_name(paths: Iterable[str]) -> str:
    """Return the name of the update's own readme: ``UPDATE.txt``, or the next that no file or folder bears."""
    taken = {same_name_key(path.partition("/")[0]) for path in paths}
    names = (f"UPDATE{f' {number}' if number else ''}.txt" for number in count())
    return next(name for name in names if same_name_key(name) not in taken)


def note_lines(info: UpdateInfo, version: str) -> list[str]:
    """Return the update's own readme: what to delete, what to unpack over what, what need not be fetched again.

    What is to go goes first: where case does not count, the old ``A.wav`` and the new ``a.wav`` are one file, and
    where a folder became a file, the file finds no place.
    """
    samples = [path for path in (*info.changed, *info.added) if path.lower().endswith(_SAMPLES)]
    need = f"You need version {visible(info.since)}. Its samples need not be downloaded again"
    steps = [need + (f", but for the {plural(len(samples), 'sample')} in here." if samples else ".")]
    if info.renamed_from:
        steps.append(f"Rename your folder “{visible(info.renamed_from)}” to “{visible(info.top)}”.")
    if info.removed:
        gone = "".join(f"\n   {visible(path)}" for path in _to_delete(info))
        steps.append(f"Delete what this version no longer has, before you unzip:{gone}")
    steps.append(f"Unzip this archive into the folder that “{visible(info.top)}” lies in, and let it replace files.")
    return [
        f"Update from {visible(info.since)} to {visible(version)}",
        "",
        *(f"{number}. {step}" for number, step in enumerate(steps, 1)),
        "",
        f"Replaced: {len(info.changed):,}. New: {len(info.added):,}. Deleted: {len(info.removed):,}.",
    ]


def _to_delete(info: UpdateInfo) -> list[str]:
    """Return what was removed; a folder in whose place a file stands now, in place of what lay in it."""
    files = {same_name_key(path) for path in info.added}
    gone: dict[str, None] = {}
    for path in info.removed:
        parts = path.split("/")
        above = ("/".join(parts[:depth]) for depth in range(1, len(parts)))
        folder = next((folder for folder in above if same_name_key(folder) in files), "")
        gone[f"{folder} (the folder)" if folder else path] = None
    return list(gone)
