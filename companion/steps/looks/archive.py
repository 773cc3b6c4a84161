"""Archive: build it, open it as a stranger would in another place, and judge what comes out there."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import tempfile
import zlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from companion.contents.ships import KindTotal, ListedFile
from companion.core.cache import Cache
from companion.core.errors import CompanionError
from companion.core.files import process_alive
from companion.core.findings import Finding, ordered, tally
from companion.core.folder import RELEASES, Places
from companion.core.progress import Watch
from companion.core.text import plural
from companion.core.units import both_bytes, decimal_bytes
from companion.steps.desk import Desk
from companion.steps.looks.savings import with_savings
from companion.steps.looks.standing import remember_read
from companion.steps.model import Look, Status

if TYPE_CHECKING:
    from companion.archive.prove import Proof
    from companion.core.census import Ids


NOT_BUILT: Final = "Nothing was built, since this blocks: mend it, or waive it with a reason, and build it then."

FIRST: Final = ("contents", "paths")
"""Steps that are judged before anything is built, and again in the opened copy: they cost seconds, a build minutes."""


class Packed(msgspec.Struct, frozen=True, kw_only=True):
    """An archive that was built and opened again.

    built: nothing that is judged before the building blocks; else there is no archive, and size and sha256 are empty.
    kept: nothing blocks, so it took the place of the one before. candidate: some step is not settled yet. holds: what
    is in it by kind; files: each file with the reason why it ships.
    """

    path: Path
    size: int
    sha256: str
    members: int
    checked_with: tuple[str, ...]
    findings: tuple[Finding, ...]
    built: bool = True
    kept: bool = True
    candidate: bool = True
    because: str = ""
    holds: tuple[KindTotal, ...] = ()
    files: tuple[ListedFile, ...] = ()

    def with_status(self, status: Status) -> Packed:
        """Return this with what the checklist says about publishing it."""
        left = [step.title for step in status.steps if step.id != "out" and not step.state.settled]
        if not self.built:
            because = NOT_BUILT
        elif not self.kept:
            because = "Not fit to publish, and not kept: mend what blocks and build it again."
        elif left:
            because = f"A candidate, good for away tests; not proven yet: {', '.join(left)}."
        else:
            because = "Proven. Record the release."
        return msgspec.structs.replace(self, candidate=bool(left), because=because)


class StrangerProof(msgspec.Struct, frozen=True, kw_only=True):
    """What opening any archive showed."""

    path: str
    members: int
    bytes: int
    sha256: str
    checked_with: tuple[str, ...]
    findings: tuple[Finding, ...]

    @property
    def because(self) -> str:
        """Whether it is whole and portable, in one sentence that never says more than the findings."""
        counts = tally(self.findings)
        if counts["blocks"]:
            return "Not fit to publish."
        if warnings := counts["warns"]:
            return f"Whole. Portable but for {plural(warnings, 'warning')} above."
        return "Whole and portable."


@contextlib.contextmanager
def proof_place(near: Path, needed: int) -> Iterator[Path]:
    """Give a fresh empty folder outside the working folder with room for ``needed`` bytes; it is removed afterwards.

    Outside, so that a path that climbs out of the opened copy cannot reach the originals and look well.
    """
    prefix = f"companion-proof-{zlib.crc32(socket.gethostname().encode()):08x}-"
    bases = (Path(tempfile.gettempdir()), near.parent)
    for base in bases:  # all of them: what was killed may have had no room in the first
        _clear_proofs(base, prefix)
    for base in bases:
        try:
            if shutil.disk_usage(base).free < needed * 1.1 + (16 << 20):
                continue
            place = tempfile.TemporaryDirectory(prefix=f"{prefix}{os.getpid()}-", dir=base, ignore_cleanup_errors=True)
        except OSError:
            continue
        with place as name:
            yield Path(name)
        return
    raise CompanionError(
        f"There is no room to open the archive and prove it: it takes {decimal_bytes(needed)}",
        tempfile.gettempdir(),
        "free some space, or set TMPDIR to a disk that has it",
    )


def _clear_proofs(base: Path, prefix: str) -> None:
    """Remove what proofs on this computer left behind that were killed: whole copies of instruments."""
    with contextlib.suppress(OSError):
        for place in base.glob(f"{prefix}*-*"):
            pid = place.name.removeprefix(prefix).partition("-")[0]
            if pid.isascii() and pid.isdigit() and not process_alive(int(pid)):
                shutil.rmtree(place, ignore_errors=True)


def refuse_unfit(desk: Desk) -> None:
    """Raise :class:`CompanionError` where no archive can be made: one without a name, of nothing, of an unread file."""
    instrument = desk.facts.instrument
    for key, value in (("title", instrument.title), ("version", instrument.version)):
        if not value.strip():
            raise CompanionError(
                f"The archive has no name: instrument.{key} is missing", "release.toml", "state it first"
            )
    if not desk.ships:
        raise CompanionError("Nothing would ship", str(desk.folder), "see what contents.include and exclude leave out")
    unread = [entry for entry in desk.ships if entry.problem]
    if unread:
        raise CompanionError(f"A file cannot be read: {unread[0].problem}", unread[0].path, "mend or exclude it first")


def judge_first(desk: Desk) -> dict[str, Look]:
    """Return the looks at the steps of :data:`FIRST` that there is no evidence of yet, by id."""
    looks = {step: desk.steps[step].look(desk, dict) for step in FIRST if not desk.found(step)}
    return {step: look for step, look in looks.items() if look}


def blocking_first(desk: Desk, looks: Mapping[str, Look]) -> tuple[Finding, ...]:
    """Return what blocks in the steps of :data:`FIRST`, by their evidence or the looks just taken."""
    return ordered(
        finding for step in FIRST for finding in desk.applied(step, _found_by(desk, step, looks)) if finding.blocks
    )


def _found_by(desk: Desk, step: str, looks: Mapping[str, Look] = {}) -> tuple[Finding, ...]:
    """Return what a step of :data:`FIRST` finds in the content as it is, whether or not it was ever run."""
    if step in looks:
        return looks[step].findings
    if evidence := desk.found(step):
        return evidence.findings
    look = desk.steps[step].look(desk, dict)
    return look.findings if look else ()


def refused(desk: Desk, findings: tuple[Finding, ...]) -> Packed:
    """Return the archive that is not built, since the content it would hold blocks."""
    return Packed(
        path=_target(desk), size=0, sha256="", members=0, checked_with=(), findings=findings, built=False, kept=False
    )


def _target(desk: Desk) -> Path:
    from companion.archive.plan import archive_name

    instrument = desk.facts.instrument
    return desk.places.releases / archive_name(instrument.title, instrument.version)


def pack(desk: Desk) -> tuple[Packed, Look]:
    """Build the archive of what ships and prove it; the archive that stood before is replaced only by a whole one.

    Nothing of what :func:`refuse_unfit`, :func:`refuse_over_released` and :func:`judge_first` look for is in the way.
    """
    from companion.archive.build import pending_archive
    from companion.archive.plan import plan, top_folder
    from companion.contents.ships import kinds_text, totals
    from companion.steps.looks.contents import ships_of

    instrument = desk.facts.instrument
    files = [(e.path, desk.folder / e.path, e.size, e.sha256) for e in desk.ships]
    planned = plan(top_folder(instrument.title), files, day=desk.day)
    target = _target(desk)
    with (
        proof_place(desk.folder, planned.size) as place,
        pending_archive(planned, target, desk.watch, root=desk.folder) as new,
    ):
        proof, findings = _proven(desk, new.path, planned.manifest, place)
        kept = not any(finding.blocks for finding in findings)
        if kept:
            _keep_what_players_have(desk, target, new.sha256)
            new.accept()
            remember_read(desk, target, proof.sha256)
    listed = ships_of(desk).of("ships", "asked")
    packed = Packed(
        path=target,
        size=new.size,
        sha256=new.sha256,
        members=len(planned.members),
        checked_with=proof.checked_with,
        findings=findings,
        kept=kept,
        holds=totals(listed),
        files=listed,
    )
    details = {
        "because": f"{plural(packed.members, 'file')}, {both_bytes(new.size)}, opened again byte for byte",
        "archive": target.name,
        "size": new.size,
        "sha256": new.sha256,
        "members": packed.members,
        "checked_with": list(proof.checked_with),
        "holds": kinds_text(packed.holds),
    }
    return packed, Look(findings=packed.findings, details=details)


def refuse_over_released(desk: Desk) -> None:
    """Keep what was released: it is what players have, and what the next update is proven with.

    Whoever waived that the version was not raised has said that nobody has it.
    """
    from companion.steps.checks.facts import FactsModel, version_not_raised

    target = _target(desk)
    record = next((record for record in reversed(desk.records) if record.archive == target.name), None)
    if record is None or desk.release_of_this or not target.is_file():
        return
    not_raised = version_not_raised(FactsModel(facts=desk.facts, released=record.version, same_content=False))
    if any(finding.blocks for finding in desk.applied("facts", tuple(not_raised))):
        raise CompanionError(
            f"{record.version} is released, and this would take the place of what players have",
            str(target),
            "raise instrument.version first",
        )


def _keep_what_players_have(desk: Desk, target: Path, sha256: str) -> None:
    """Refuse to put other bytes in the place of a released archive of the same content.

    One companion may pack otherwise than another, and what is in players' hands is what a report is about.
    """
    from companion.archive.build import noted_checksum

    record = desk.release_of_this
    if record and record.archive == target.name and sha256 != record.sha256 == noted_checksum(target):
        raise CompanionError(
            f"{record.version} is released, and built anew its bytes would not be those that players have",
            str(target),
            "the released archive stays; raise instrument.version to build another",
        )


def _proven(
    desk: Desk, archive: Path, manifest: Mapping[str, tuple[int, str]], place: Path, checksum: str = ""
) -> tuple[Proof, tuple[Finding, ...]]:
    """Open an archive of what ships in ``place`` and judge it, and what comes out there."""
    from companion.archive.plan import top_folder
    from companion.archive.prove import prove
    from companion.archive.whole_rules import archive_differs

    proof = prove(
        archive,
        checksum=checksum,
        manifest=manifest,
        into=place / "a player’s folder",
        limit_bytes=desk.facts.limits.upload_bytes,
        watch=desk.watch,
    )
    findings = list(proof.findings)
    if proof.extracted is not None:
        top = top_folder(desk.facts.instrument.title)
        same = not any(finding.rule == archive_differs.id for finding in findings)
        findings += judge_opened(desk, proof.extracted / top, _ids_of(desk, manifest, top) if same else {})
    return proof, ordered(with_savings(desk, findings, archive))


def _ids_of(desk: Desk, manifest: Mapping[str, tuple[int, str]], top: str) -> dict[str, Ids]:
    """Return what the files of an opened copy hold, for those of the working folder's files that it was held to."""
    from companion.core.census import Ids

    return {
        path: Ids(bytes.fromhex(sha256), bytes.fromhex(entry.blob), size)
        for path, entry in desk.by_path.items()
        for size, sha256 in [manifest.get(f"{top}/{path}", (0, ""))]
        if sha256 and sha256 == entry.sha256
    }


def judge_opened(desk: Desk, opened: Path, proven: Mapping[str, Ids]) -> list[Finding]:
    """Return what Contents and Paths block on in the opened copy that they do not find in the working folder.

    proven: what files in it were just found to hold, by path, so that they need not be read once more for it.

    The copy lies under another path, so whatever only resolved because of where the maker works shows here. What they
    find in the folder too is theirs to tell, whether they were ever run or not.
    """
    from companion.core.census import Census

    there = Desk(Places(opened), desk.facts, Cache(None), desk.watch, steps=desk.steps)
    Census(there.cache).vouch(opened, proven)
    found = []
    for step in FIRST:
        known = {(f.rule, f.path, f.where) for f in _found_by(desk, step)}
        found += [
            finding
            for finding in there.applied(step, _found_by(there, step))
            if finding.blocks and (finding.rule, finding.path, finding.where) not in known
        ]
    return found


def look_archive(desk: Desk) -> Look | None:
    """Prove the archive that was built of this content again, whoever judged it then; None while there is none."""
    from companion.archive.plan import top_folder
    from companion.archive.whole_rules import archive_differs

    built = [
        one.details for one in desk.evidence.of_content("archive", desk.mark("archive")) if "archive" in one.details
    ]
    if not built:
        return None
    details = built[-1]
    path = desk.places.releases / details["archive"]
    if not path.is_file():
        gone = archive_differs.finding(f"{RELEASES}/{path.name}", value="it is not there any more")
        return Look(findings=(gone,), details=details)
    top = top_folder(desk.facts.instrument.title)
    manifest = {f"{top}/{entry.path}": (entry.size, entry.sha256) for entry in desk.ships}
    with proof_place(desk.folder, sum(entry.size for entry in desk.ships)) as place:
        proof, findings = _proven(desk, path, manifest, place, details["sha256"])
    remember_read(desk, path, proof.sha256)
    return Look(findings=findings, details=details)


def _room_for(archive: Path) -> int:
    """Return the bytes that opening an archive takes: none where it is refused, whatever it claims to hold."""
    from companion.archive.inspect import inspect
    from companion.archive.model import ArchiveModel
    from companion.archive.rules import dangers

    inspection = inspect(archive)
    return 0 if dangers(ArchiveModel(inspection=inspection)) else inspection.unpacked


def prove_stranger(archive: Path, checksum: str, watch: Watch) -> StrangerProof:
    """Open any archive as a stranger would: its structure, every byte, and its names on every system."""
    from companion.archive.prove import prove
    from companion.contents.rules import check_names

    if archive.is_dir():
        raise CompanionError("This is a folder, not an archive", str(archive), "name the archive itself")
    if not archive.is_file():
        raise CompanionError("There is no such archive", str(archive), "check the name")
    with proof_place(archive.resolve(), _room_for(archive)) as place:
        proof = prove(archive, checksum=checksum, into=place, watch=watch)
        findings = list(proof.findings)
        if proof.extracted is not None:
            names = sorted(
                path.relative_to(proof.extracted).as_posix() for path in proof.extracted.rglob("*") if path.is_file()
            )
            findings += check_names(names)
    return StrangerProof(
        path=str(archive),
        members=proof.members,
        bytes=proof.bytes,
        sha256=proof.sha256,
        checked_with=proof.checked_with,
        findings=ordered(findings),
    )
