"""Proves an archive as a stranger would: looks at it, opens it in a fresh place, compares every byte."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec

from companion.archive import checks, strangers
from companion.archive.inspect import inspect
from companion.archive.rules import ARCHIVE_DIFFERS
from companion.archive.seen import Inspection
from companion.archive.unpacking import Opened, unpack
from companion.core.errors import CompanionError
from companion.core.files import BLOCK, explain_os_error
from companion.core.findings import Finding, ordered
from companion.core.progress import Watch
from companion.core.text import visible
from companion.core.units import decimal_bytes


class Proof(msgspec.Struct, frozen=True, kw_only=True):
    """What the proof found.

    members: files in the archive. bytes: unpacked. size, sha256: of the archive. files: (name, size, SHA-256) of each
    file that came out whole. extracted: the folder everything was unpacked into; None where the archive was refused
    before anything was written, or not everything came out. checked_with: whose reading agreed.
    """

    findings: tuple[Finding, ...]
    members: int
    bytes: int
    size: int
    sha256: str
    files: tuple[tuple[str, int, str], ...] = ()
    extracted: Path | None = None
    checked_with: tuple[str, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether everything came out and nothing blocks."""
        return self.extracted is not None and not any(finding.blocks for finding in self.findings)


def prove(
    path: Path,
    *,
    checksum: str = "",
    manifest: Mapping[str, tuple[int, str]] | None = None,
    into: Path,
    limit_bytes: int | None = None,
    watch: Watch,
    threads: int = 2,
    ask_others: bool = True,
) -> Proof:
    """Prove any zip archive and unpack it under ``into``, which must be empty or absent.

    checksum: the SHA-256 it was published with, hex. manifest: (size, SHA-256) of every file by its name inside the
    archive, taken from the files it was made of. limit_bytes: the maker's upload limit. ask_others: also run the
    unpackers installed here. A dangerous archive is refused before anything is written. Raises
    :class:`CompanionError` for what is no zip archive, a folder that is not empty and a disk that refuses.
    """
    if into.exists() and (not into.is_dir() or any(into.iterdir())):
        raise CompanionError("The place to unpack into is not empty", str(into), "name a new folder")
    seen = inspect(path)
    sha256 = checksum_of(path, watch)
    findings = checks.checksum_wrong(sha256, checksum) + checks.size_over_limit(seen, limit_bytes)
    dangers = [finding for check in checks.DANGERS for finding in check(seen)]
    findings += dangers + [finding for check in checks.BLEMISHES for finding in check(seen)]
    proof = Proof(findings=(), members=len(seen.files), bytes=seen.unpacked, size=seen.size, sha256=sha256)
    if dangers:
        if manifest is not None:
            findings += _names_against(manifest, seen)
        return msgspec.structs.replace(proof, findings=ordered(findings))

    _refuse_without_room(seen, into)
    watch.stage("Opening and comparing", seen.unpacked, "bytes")
    expected = {name: sha256 for name, (_, sha256) in (manifest or {}).items()}
    opened = unpack(path, seen.members, into, watch, threads, expected)
    findings += _damages(opened)
    if manifest is not None:
        findings += _names_against(manifest, seen) + against(manifest, opened)
    agreeing = ["the companion"] if not any(one.trouble for one in opened) else []
    if ask_others:
        opinions = strangers.ask(path, watch)
        findings += strangers.disagreements(opinions)
        agreeing += [opinion.tool for opinion in opinions if opinion.agrees]
    return msgspec.structs.replace(
        proof,
        findings=ordered(findings),
        files=tuple((one.name, one.size, one.sha256) for one in opened if not one.trouble),
        extracted=None if any(one.trouble for one in opened) else into,
        checked_with=tuple(agreeing),
    )


def against(manifest: Mapping[str, tuple[int, str]], opened: Sequence[Opened]) -> list[Finding]:
    """archive-differs: a file that came out whole but is not the one that went in."""
    return [
        ARCHIVE_DIFFERS.finding(one.name, measured=f"SHA-256 {one.sha256}", limit=f"SHA-256 {manifest[one.name][1]}")
        for one in opened
        if not one.trouble and one.name in manifest and manifest[one.name] != (one.size, one.sha256)
    ]


def _names_against(manifest: Mapping[str, tuple[int, str]], seen: Inspection) -> list[Finding]:
    inside = {member.name for member in seen.files}
    missing = [
        ARCHIVE_DIFFERS.finding(name, measured="not in the archive") for name in sorted(manifest.keys() - inside)
    ]
    extra = [
        ARCHIVE_DIFFERS.finding(name, measured="in the archive, and not among the files it was made of")
        for name in sorted(inside - manifest.keys())
    ]
    return (missing + extra)[: checks.MOST_FINDINGS]


def _damages(opened: Sequence[Opened]) -> list[Finding]:
    return [ARCHIVE_DIFFERS.finding(one.name, measured=visible(one.trouble)) for one in opened if one.trouble]


def checksum_of(path: Path, watch: Watch) -> str:
    """Return the SHA-256 of an archive, lower-case hex. Raises :class:`CompanionError` where it cannot be read."""
    digest = hashlib.sha256()
    try:
        watch.stage("Taking the checksum", path.stat().st_size, "bytes")
        with path.open("rb", buffering=0) as stream:
            while block := stream.read(BLOCK):
                digest.update(block)
                watch.step(len(block))
    except OSError as error:
        raise explain_os_error(error, "read the archive", path) from error
    return digest.hexdigest()


def _refuse_without_room(seen: Inspection, into: Path) -> None:
    place = into
    while not place.exists() and place != place.parent:
        place = place.parent
    try:
        free = shutil.disk_usage(place).free
    except OSError as error:
        raise explain_os_error(error, "look for room", place) from error
    if seen.unpacked > free:
        raise CompanionError(
            f"It unpacks to {decimal_bytes(seen.unpacked)}, and {decimal_bytes(free)} are free",
            str(place),
            "free some space, or name a folder on another disk",
        )
