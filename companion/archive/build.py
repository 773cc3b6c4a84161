"""Builds the archive of a plan: the same bytes for the same content, and the old archive stands until the end."""

import contextlib
import os
import threading
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import BinaryIO, Final, NamedTuple

from companion.archive import coders
from companion.archive.layout import DEFLATED, STORED, Header, stamp
from companion.archive.packing import PackedPart, packing, stored_parts
from companion.archive.plan import ArchivePlan
from companion.archive.writer import Writer
from companion.core.errors import CompanionError
from companion.core.files import beside, clear_leftovers, explained, fresh_part, read_capped
from companion.core.hold import Hold
from companion.core.progress import Watch

_SYNC_SECONDS: Final = 0.25


class PendingArchive(NamedTuple):
    """A finished, synced archive that nobody sees yet: it lies beside its place until it is accepted.

    path: where it lies now. target: its place. size in bytes; sha256 in lower-case hex. folder: where both lie, held.
    """

    path: Path
    target: Path
    size: int
    sha256: str
    folder: Hold

    def accept(self) -> None:
        """Put it in its place, and its checksum beside it.

        Raises :class:`CompanionError`; then the old archive and its checksum stand. Where the disk knows no second
        names for a file, or goes on refusing, the new one may have taken the place: it is whole, without a checksum.
        """
        target, folder = self.target, self.folder
        fresh, aside, old = (fresh_part(target.name) for _ in range(3))
        try:
            # Whatever takes room is written before the old archive goes: what is left to do then is renaming.
            with explained("put the archive in its place", target):
                with os.fdopen(folder.new(fresh), "wb") as stream:
                    stream.write(f"{self.sha256}  {target.name}\n".encode())
                    stream.flush()
                    os.fsync(stream.fileno())
                self._take_the_place(fresh, aside, old)
        finally:
            for name in (fresh, aside, old):
                with contextlib.suppress(OSError):
                    folder.remove(name)

    def _take_the_place(self, fresh: str, aside: str, old: str) -> None:
        # The checksum of one archive must never lie beside the other, whenever the power fails.
        folder, new, target = self.folder, self.path.name, self.target.name
        checksum = checksum_path(self.target).name
        kept = folder.look(target) is None
        with contextlib.suppress(OSError, NotImplementedError):
            folder.link(target, old)
            kept = True
        try:
            if folder.is_file(checksum):
                folder.move(checksum, aside)
            folder.sync()
            folder.move(new, target)
            folder.sync()
            folder.move(fresh, checksum)
            folder.sync()
        except OSError:
            if kept or folder.is_file(new):
                with contextlib.suppress(OSError):
                    self._give_back(fresh, aside, old)
            raise

    def _give_back(self, fresh: str, aside: str, old: str) -> None:
        """Undo what was done of taking the place; what goes wrong first, in the order of its doing, stays as it is."""
        folder, new, target = self.folder, self.path.name, self.target.name
        checksum = checksum_path(self.target).name
        if not folder.is_file(fresh):
            folder.remove(checksum)
        if not folder.is_file(new):
            if folder.is_file(old):
                folder.move(old, target)
            else:  # there was none
                folder.move(target, new)
        if folder.is_file(aside):
            folder.move(aside, checksum)


def checksum_path(archive: Path) -> Path:
    """Return where an archive's checksum lies, in the form that ``sha256sum -c`` reads."""
    return archive.with_name(f"{archive.name}.sha256")


def noted_checksum(archive: Path) -> str:
    """Return the SHA-256 that is noted beside an archive, as far as one can be read; else an empty string."""
    path = checksum_path(archive)
    with contextlib.suppress(OSError, CompanionError):
        if path.is_file():  # a pipe would keep whoever asks waiting
            return read_capped(path, 4096)[:64].decode("ascii", "replace")
    return ""


@contextlib.contextmanager
def pending_archive(
    plan: ArchivePlan, target: Path, watch: Watch, *, threads: int = 2, root: Path | None = None
) -> Generator[PendingArchive, None, None]:
    """Build ``plan`` beside ``target`` and hand it over; what is not accepted within the block is removed.

    root: below it no link is followed on the way to ``target``, as for :func:`write_safely`.
    Raises :class:`CompanionError` for a file that is not what was planned, and for what the system refuses;
    :class:`Cancelled` from ``watch``.
    """
    temporary = beside(target)
    with contextlib.ExitStack() as stack:
        with explained("write the archive", target):
            if root is None:
                target.parent.mkdir(parents=True, exist_ok=True)
            folder = stack.enter_context(Hold(target.parent, root, make=True))
            clear_leftovers(folder)
            stack.callback(_removed, folder, temporary.name)
            with os.fdopen(folder.new(temporary.name, read=True), "w+b") as stream:
                size, sha256 = _write(plan, stream, watch, threads)
                os.fsync(stream.fileno())
        yield PendingArchive(temporary, target, size, sha256, folder)


def _removed(folder: Hold, name: str) -> None:
    with contextlib.suppress(OSError):
        folder.remove(name)


def _write(plan: ArchivePlan, stream: BinaryIO, watch: Watch, threads: int) -> tuple[int, str]:
    """Write the archive and return its size and SHA-256."""
    watch.stage("Packing", plan.size, "bytes")
    writer, when = Writer(stream), stamp(plan.day)
    with packing(plan.members, watch, threads) as results, _synced_meanwhile(stream):
        for part in results:
            if part.size == part.member.size:
                packed = sum(map(len, part.parts))
                header = Header(part.member.name.encode(), part.method, part.crc, packed, part.size, when)
                writer.member(header, part.parts, executable=part.program)
                watch.step(part.size)
            else:
                _stream(writer, part, results, watch, when)
    return writer.finish(watch)


@contextlib.contextmanager
def _synced_meanwhile(stream: BinaryIO) -> Generator[None, None, None]:
    """Let the disk write while the processor packs, so that the sync at the end has little left to wait for."""
    done = threading.Event()
    failed: list[OSError] = []

    def sync() -> None:
        while not done.wait(_SYNC_SECONDS):
            try:
                os.fsync(stream.fileno())
            except OSError as error:  # a system reports a lost write once, and it may have been this time
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


def _stream(writer: Writer, first: PackedPart, rest: Iterator[PackedPart], watch: Watch, when: tuple[int, int]) -> None:
    """Write the large member whose first piece is here; stored, where packing did not pay."""
    member = first.member

    def pieces() -> Iterator[tuple[list[coders.Bytes], int]]:
        part = first
        while True:
            yield part.parts, part.crc
            watch.step(part.size)
            if part.last:
                return
            part = next(rest)

    header = Header(member.name.encode(), first.method, 0, 0, member.size, when)
    packed = writer.streamed(header, pieces(), executable=first.program)
    if first.method == DEFLATED and packed > coders.NOT_WORTH_IT * member.size:
        writer.withdraw()
        again = ((part.parts, part.crc) for part in stored_parts(member, watch))
        writer.streamed(header._replace(method=STORED), again, executable=first.program)
