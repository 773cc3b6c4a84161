"""Proves an archive as a stranger would: looks at it, opens it in a fresh place, compares every byte."""

import contextlib
import hashlib
import shutil
from collections.abc import Generator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import chain
from pathlib import Path
from typing import TypeVar

import msgspec

from companion.archive import external
from companion.archive.inspect import inspect
from companion.archive.model import ArchiveModel, Inspection, Opinion
from companion.archive.rules import DANGERS, RULES, findings_of
from companion.archive.unpacking import unpack
from companion.archive.whole_rules import archive_differs, checksum_wrong
from companion.core.errors import CompanionError
from companion.core.files import explained
from companion.core.findings import Finding, ordered
from companion.core.progress import Watch
from companion.core.regular import opened
from companion.core.scratch import pieces
from companion.core.units import decimal_bytes

T = TypeVar("T")


class Proof(msgspec.Struct, frozen=True, kw_only=True):
    """What the proof found.

    members: files in the archive. bytes: unpacked. size, sha256: of the archive. extracted: the folder everything was
    unpacked into; None where the archive was refused before anything was written, or not everything came out.
    checked_with: whose reading agreed.
    """

    findings: tuple[Finding, ...]
    members: int
    bytes: int
    size: int
    sha256: str
    extracted: Path | None
    checked_with: tuple[str, ...]


def prove(
    path: Path,
    *,
    checksum: str = "",
    manifest: Mapping[str, tuple[int, str]] | None = None,
    into: Path,
    limit_bytes: int | None = None,
    watch: Watch,
    threads: int = 2,
) -> Proof:
    """Prove any zip archive and unpack it under ``into``, which must be empty or absent.

    checksum: the SHA-256 it was published with, hex. manifest: (size, SHA-256) of every file by its name inside the
    archive, taken from the files it was made of. limit_bytes: the maker's upload limit. A dangerous archive is refused
    before anything is written. Raises :class:`CompanionError` for what is no zip archive, a folder that is not empty
    and a disk that refuses.
    """
    if into.exists() and (not into.is_dir() or any(into.iterdir())):
        raise CompanionError("The place to unpack into is not empty", str(into), "name a new folder")
    inspection = inspect(path)
    archive = ArchiveModel(inspection=inspection, published=checksum, limit_bytes=limit_bytes)
    findings = {rule.id: findings_of(rule, archive) for rule in RULES if rule is not checksum_wrong}
    extracted, checked_with = None, []
    archive = msgspec.structs.replace(archive, manifest=manifest)
    harmless = not any(findings[rule.id] for rule in DANGERS)
    if harmless:
        _refuse_without_room(inspection, into)
    watch.stage("Opening and comparing", inspection.unpacked if harmless else 0, "bytes")
    with _meanwhile(path, watch, ask=harmless) as (summed, asked):
        if harmless:
            expected = {name: sha256 for name, (_, sha256) in (manifest or {}).items()}
            opened = unpack(path, inspection.members, into, watch, threads, expected, summed=bool(manifest))
            opinions = _waited(asked, watch, "Waiting for what other unpackers say")
            archive = msgspec.structs.replace(archive, opened=tuple(opened), opinions=tuple(opinions))
            if not any(one.problem for one in opened):
                extracted, checked_with = into, ["the companion"]
            checked_with += [opinion.tool for opinion in opinions if not opinion.complaint]
        archive = msgspec.structs.replace(archive, sha256=_waited(summed, watch, "Taking the checksum"))
    for rule in (archive_differs, checksum_wrong):  # now with what came out of it
        findings[rule.id] = findings_of(rule, archive)
    return Proof(
        findings=ordered(chain.from_iterable(findings.values())),
        members=len(inspection.files),
        bytes=inspection.unpacked,
        size=inspection.size,
        sha256=archive.sha256,
        extracted=extracted,
        checked_with=tuple(checked_with),
    )


@contextlib.contextmanager
def _meanwhile(
    path: Path, watch: Watch, *, ask: bool
) -> Generator[tuple[Future[str], Future[list[Opinion]]], None, None]:
    """Take the checksum of an archive, and ask others about it, while the block runs; nothing goes on behind it.

    ask: whether others are asked: no program is shown an archive that is refused. The reading alone counts as progress.
    """
    quiet = Watch()
    with ThreadPoolExecutor(2, thread_name_prefix="prove") as pool:
        try:
            yield pool.submit(checksum_of, path, quiet), pool.submit(external.ask if ask else _nobody, path, quiet)
        finally:
            quiet.cancel()


def _nobody(path: Path, watch: Watch) -> list[Opinion]:
    return []


def _waited(future: Future[T], watch: Watch, what: str) -> T:
    """Return what ``future`` gives. Raises :class:`Cancelled` from ``watch``."""
    if not future.done():
        watch.stage(what)
    while True:
        try:
            return future.result(timeout=0.1)
        except TimeoutError:
            if future.done():
                raise
            watch.step(0)


def checksum_of(path: Path, watch: Watch) -> str:
    """Return the SHA-256 of an archive, lower-case hex. Raises :class:`CompanionError` where it cannot be read."""
    digest = hashlib.sha256()
    with explained("read the archive", path), opened(path) as stream:
        watch.stage("Taking the checksum", path.stat().st_size, "bytes")
        for piece in pieces(stream.fileno()):
            digest.update(piece)
            watch.step(len(piece))
    return digest.hexdigest()


def _refuse_without_room(inspection: Inspection, into: Path) -> None:
    place = into
    while not place.exists() and place != place.parent:
        place = place.parent
    with explained("look for room", place):
        free = shutil.disk_usage(place).free
    if inspection.unpacked > free:
        raise CompanionError(
            f"It unpacks to {decimal_bytes(inspection.unpacked)}, and only {decimal_bytes(free)} are free",
            str(place),
            "free some space, or set TMPDIR to a disk that has it",
        )
