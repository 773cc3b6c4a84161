"""Drafts, archives, updates, proofs and records of releases."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from companion.cli.render.checklist import finding_lines
from companion.contents.ships import kinds_text
from companion.core.text import plural, visible
from companion.core.units import both_bytes

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord
    from companion.steps.deeds.update import Updated
    from companion.steps.looks.archive import Packed, StrangerProof
    from companion.steps.looks.words import Draft


def draft_notes(drafted: Draft) -> list[str]:
    """Return what still stands in the way of a draft."""
    lines = [f"Missing: {visible(name)}" for name in drafted.missing]
    return lines + [f"Yours and the draft differ, yours stands: {visible(text)}" for text in drafted.conflicts]


def packed_lines(packed: Packed) -> list[str]:
    """Return what was built, how it was proven, and whether it may go out."""
    if not packed.built:
        return [f"Not built: {visible(packed.path.name)}", *finding_lines(packed.findings), packed.because]
    lines = [
        _built(packed.path, kept=packed.kept),
        f"  {both_bytes(packed.size)}, {plural(packed.members, 'file')}: {kinds_text(packed.holds)}",
        "  why each of them ships: companion contents --all",
        f"  SHA-256 {packed.sha256}",
        f"  opened again with: {', '.join(packed.checked_with)}",
    ]
    lines += finding_lines(packed.findings)
    return [*lines, packed.because]


PAGE_NAMES_IT: Final = "Draft the page again, and it names this archive too: companion draft FOLDER page --write"


def updated_lines(updated: Updated) -> list[str]:
    """Return what an update holds, against the whole."""
    from companion.steps.looks.archive import NOT_BUILT

    if not updated.built:
        return [f"Not built: {visible(updated.path.name)}", *finding_lines(updated.findings), NOT_BUILT]
    replaced = plural(len(updated.changed), "file")
    kept = not any(finding.blocks for finding in updated.findings)
    return [
        _built(updated.path, kept=kept),
        f"  {both_bytes(updated.size)}; the whole version unpacks to {both_bytes(updated.full)}",
        f"  SHA-256 {updated.sha256}",
        f"  {replaced} replaced, {len(updated.added):,} new, {len(updated.removed):,} to delete",
        *finding_lines(updated.findings),
        PAGE_NAMES_IT if kept else "Not fit to publish, and not kept: mend what blocks and build it again.",
    ]


def _built(path: Path, *, kept: bool) -> str:
    return f"Built: {visible(str(path))}" if kept else f"Built, and not kept: {visible(path.name)}"


def proof_lines(proof: StrangerProof) -> list[str]:
    """Return whether a stranger's archive is whole and portable."""
    lines = [f"{visible(proof.path)}: {plural(proof.members, 'file')}, {both_bytes(proof.bytes)} unpacked"]
    lines.append(f"  SHA-256 {proof.sha256}")
    if proof.checked_with:
        lines.append(f"  opened with: {', '.join(proof.checked_with)}")
    return [*lines, *finding_lines(proof.findings), proof.because]


def record_lines(record: ReleaseRecord) -> list[str]:
    """Return what was recorded of a release."""
    kept = f"snapshot {record.snapshot}" if record.snapshot else "no snapshot (none can be kept here)"
    return [
        f"Released: {visible(record.title)} {visible(record.version)}, {kept}",
        f"  {visible(record.archive)}  {both_bytes(record.size)}",
        f"  SHA-256 {record.sha256}",
        "Next: upload it, download your own upload, and run: companion upload FOLDER DOWNLOADED_FILE",
    ]
