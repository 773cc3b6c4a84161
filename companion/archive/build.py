"""Builds the archive of a plan: the same bytes for the same content, and the old archive stands until the end."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from typing import BinaryIO, Final

import msgspec

from companion.archive import coders
from companion.archive.layout import DEFLATED, STORED
from companion.archive.packing import Piece, Whole, packing, stored_pieces
from companion.archive.plan import Plan
from companion.archive.writer import STAMP, Stamp, Writer
from companion.core.files import beside, clear_leftovers, explain_os_error, sync_folder
from companion.core.progress import Watch

_SYNC_SECONDS: Final = 0.25


class Built(msgspec.Struct, frozen=True, kw_only=True):
    """A finished archive: size in bytes, SHA-256 in lower-case hex, how many members were stored and deflated."""

    path: Path
    size: int
    sha256: str
    members: int
    stored: int
    deflated: int
    unpacked: int
    zip64: bool


class Draft:
    """A finished, synced archive that nobody sees yet: it lies beside its place until it is accepted."""

    def __init__(self, path: Path, built: Built) -> None:
        self.path = path
        self.built = built

    def accept(self) -> Built:
        """Put the draft in its place and its checksum beside it, and return what stands there now.

        Raises :class:`CompanionError`; then the old archive and its checksum stand, unless the disk failed after the
        new one had taken their place: that one is whole, and lies there without a checksum.
        """
        target = self.built.path
        fresh, aside = beside(target), beside(target)
        try:
            # Whatever takes room is written before the old archive goes: what is left to do then is renaming.
            with fresh.open("xb") as stream:
                stream.write(f"{self.built.sha256}  {target.name}\n".encode())
                stream.flush()
                os.fsync(stream.fileno())
            self._take_the_place(target, fresh, aside)
        except OSError as error:
            raise explain_os_error(error, "put the archive in its place", target) from error
        finally:
            for path in (fresh, aside):
                with contextlib.suppress(OSError):
                    path.unlink(missing_ok=True)
        return self.built

    def _take_the_place(self, target: Path, fresh: Path, aside: Path) -> None:
        # The checksum of one archive must never lie beside the other, whenever the power fails.
        checksum = checksum_path(target)
        had = checksum.is_file()
        if had:
            checksum.replace(aside)
        try:
            sync_folder(target.parent)
            self.path.replace(target)
        except OSError:
            if had:
                aside.replace(checksum)
            raise
        sync_folder(target.parent)
        fresh.replace(checksum)
        sync_folder(target.parent)


def checksum_path(archive: Path) -> Path:
    """Return where an archive's checksum lies, in the form that ``sha256sum -c`` reads."""
    return archive.with_name(f"{archive.name}.sha256")


def build(
    plan: Plan,
    target: Path,
    watch: Watch,
    *,
    threads: int = 2,
    prove: Callable[[Path], None] | None = None,
    stamp: Stamp = STAMP,
) -> Built:
    """Build ``plan`` at ``target``, with its checksum beside it.

    prove: called with the finished archive before it takes the old one's place; whatever it raises leaves the old
    one standing and nothing of the new. Raises :class:`CompanionError` for a file that is not what was planned, and
    for what the system refuses; :class:`Cancelled` from ``watch``.
    """
    with drafted(plan, target, watch, threads=threads, stamp=stamp) as draft:
        if prove is not None:
            prove(draft.path)
        return draft.accept()


@contextlib.contextmanager
def drafted(
    plan: Plan, target: Path, watch: Watch, *, threads: int = 2, stamp: Stamp = STAMP
) -> Generator[Draft, None, None]:
    """Build ``plan`` beside ``target`` and hand it over; what is not accepted within the block is removed."""
    temporary = beside(target)
    try:
        try:
            if not target.parent.is_dir():
                target.parent.mkdir(parents=True, exist_ok=True)
                sync_folder(target.parent.parent)
            clear_leftovers(target.parent)
            with temporary.open("xb+") as stream:
                built = _written(plan, target, stream, watch, threads, stamp)
                os.fsync(stream.fileno())
        except OSError as error:
            raise explain_os_error(error, "write the archive", target) from error
        yield Draft(temporary, built)
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


def _written(plan: Plan, target: Path, stream: BinaryIO, watch: Watch, threads: int, stamp: Stamp) -> Built:
    watch.stage("Packing", plan.size, "bytes")
    writer = Writer(stream, stamp)
    stored = 0
    with packing(plan.members, watch, threads) as results, _written_out_meanwhile(stream):
        for part in results:
            if isinstance(part, Whole):
                writer.member(
                    part.member.name,
                    method=part.method,
                    crc=part.crc,
                    size=part.member.size,
                    parts=part.parts,
                    executable=part.program,
                )
                stored += part.method == STORED
                watch.step(part.member.size)
            else:
                stored += _stream(writer, part, results, watch) == STORED
    size, sha256, zip64 = writer.finish()
    return Built(
        path=target,
        size=size,
        sha256=sha256,
        members=len(plan.members),
        stored=stored,
        deflated=len(plan.members) - stored,
        unpacked=plan.size,
        zip64=zip64,
    )


@contextlib.contextmanager
def _written_out_meanwhile(stream: BinaryIO) -> Generator[None, None, None]:
    """Let the disk write while the processor packs, so that the sync at the end has little left to wait for."""
    done = threading.Event()
    failed: list[OSError] = []

    def sync() -> None:
        while not done.wait(_SYNC_SECONDS):
            try:
                os.fsync(stream.fileno())
            except OSError as error:  # a system tells of a lost write once, and it may have been this time
                failed.append(error)
                return

    helper = threading.Thread(target=sync, name="sync", daemon=True)
    helper.start()
    try:
        yield
    finally:
        done.set()
        helper.join()
    if failed:
        raise failed[0]


def _stream(writer: Writer, first: Piece, rest: Iterator[Whole | Piece], watch: Watch) -> int:
    """Write the large member whose first piece is here, and return the method it got."""
    member = first.member

    def pieces() -> Iterator[tuple[list[coders.Bytes], int]]:
        part: Whole | Piece = first
        while True:
            assert isinstance(part, Piece)
            yield part.parts, part.crc
            watch.step(part.size)
            if part.last:
                return
            part = next(rest)

    method = first.method
    packed = writer.streamed(member.name, method=method, size=member.size, pieces=pieces(), executable=first.program)
    if method == DEFLATED and packed > coders.NOT_WORTH_IT * member.size:
        writer.withdraw()
        method = STORED
        again = ((piece.parts, piece.crc) for piece in stored_pieces(member, watch))
        writer.streamed(member.name, method=STORED, size=member.size, pieces=again, executable=first.program)
    return method
