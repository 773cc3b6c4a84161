"""Update archives: only what changed since a recorded release, proven to make the new version of the old one."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.findings import Finding
from companion.core.text import listed, plural, visible
from companion.steps.desk import Desk

NOTE: Final = "UPDATE.txt"


class Updated(msgspec.Struct, frozen=True, kw_only=True):
    """An update archive. changed, added, removed: paths under the top folder. full: bytes of the whole new version."""

    path: Path
    size: int
    sha256: str
    since: str
    changed: tuple[str, ...]
    added: tuple[str, ...]
    removed: tuple[str, ...]
    full: int
    findings: tuple[Finding, ...]


def pack_update(desk: Desk, since: str) -> Updated:
    """Build the update from release ``since`` to what would ship now; kept only when it is proven.

    Raises :class:`CompanionError` for a version there is no record or no archive of, when nothing changed, and for
    what no archive can be made of.
    """
    from companion.archive.build import drafted
    from companion.archive.plan import archive_name, plan, top_folder
    from companion.archive.update import plan_update, prove_update
    from companion.steps.archive import refuse_unfit

    instrument = desk.facts.instrument
    old = next((record for record in reversed(desk.records) if record.version == since and not record.since), None)
    if old is None:
        known = listed([visible(record.version) for record in desk.records], 10) or "none yet"
        raise CompanionError(f"There is no release {since}", "", f"the recorded ones: {known}")
    before = desk.places.releases / old.archive
    if not before.is_file():
        raise CompanionError("The old archive is not there to prove the update with", str(before), "put it back")
    if instrument.version == since:
        raise CompanionError("An update needs a higher version", "instrument.version", "raise it first")
    refuse_unfit(desk)
    files = [(e.path, desk.folder / e.path, e.size, e.sha256, e.executable) for e in desk.ships if e.path != NOTE]
    _, info = plan_update(plan(top_folder(instrument.title), files), old)
    note = (
        "\n".join(note_lines(info.changed, info.added, info.removed, old.version, instrument.version, info.top)) + "\n"
    )
    whole = plan(top_folder(instrument.title), files, {NOTE: note.encode()})
    update, _ = plan_update(whole, old)
    target = desk.places.releases / archive_name(instrument.title, instrument.version, since)
    with drafted(update, target, desk.watch) as new:
        findings = prove_update(before, new.path, whole.manifest, removed=info.removed, watch=desk.watch)
        built = new.built
        if not any(finding.blocks for finding in findings):
            new.accept()
    return Updated(
        path=built.path,
        size=built.size,
        sha256=built.sha256,
        since=since,
        changed=info.changed,
        added=info.added,
        removed=info.removed,
        full=info.full_bytes,
        findings=findings,
    )


def note_lines(
    changed: tuple[str, ...], added: tuple[str, ...], removed: tuple[str, ...], old: str, new: str, top: str
) -> list[str]:
    """Return the update's own readme: what to unpack over what, what to delete, what need not be fetched again."""
    samples = [path for path in (*changed, *added) if path.lower().endswith((".wav", ".aif", ".aiff", ".flac", ".ogg"))]
    lines = [
        f"Update from {visible(old)} to {visible(new)}",
        "",
        f"1. You need version {visible(old)}. Its samples need not be downloaded again"
        + (f", but for the {plural(len(samples), 'sample')} in here." if samples else "."),
        f"2. Unzip this archive over the folder “{visible(top)}” you have, and let it replace files.",
    ]
    if removed:
        lines += ["3. Delete what this version no longer has:", *(f"   {visible(path)}" for path in removed)]
    lines += ["", f"Replaced: {len(changed):,}. New: {len(added):,}. Deleted: {len(removed):,}."]
    return lines
