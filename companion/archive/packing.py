"""Members packed by several threads, handed over in the order of the plan.

The order, and every packed byte, is the same with one thread or ten. Memory stays bounded: a few pieces are under way
at a time, whatever the size of a member.
"""

import contextlib
import hashlib
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from io import BytesIO, FileIO
from pathlib import Path
from typing import Final

import msgspec

from companion.archive import coders
from companion.archive.coders import CHUNK, Bytes, crc32
from companion.archive.layout import DEFLATED, STORED
from companion.archive.plan import PlannedMember
from companion.core.errors import CompanionError
from companion.core.files import explained, read_into
from companion.core.progress import Watch
from companion.core.regular import opened
from companion.core.scratch import Scratch

_GROUP: Final = 1 << 20
"""Small members go to a thread together, up to this many bytes: handing over costs more than packing them."""

_HELD: Final = 16 << 20
"""Bytes of content that may be under way for each thread; with what they pack to, all stays well under 150 MB."""

_BEGINNINGS: Final = (
    b"#!",  # a script that names what runs it (execve(2))
    b"\x7fELF",  # System V ABI, chapter 4
    b"\xfe\xed\xfa\xce",  # Mach-O, 32 and 64 bits, either byte order, and for several processors (loader.h, fat.h)
    b"\xfe\xed\xfa\xcf",
    b"\xce\xfa\xed\xfe",
    b"\xcf\xfa\xed\xfe",
    b"\xca\xfe\xba\xbe",
)


class PackedPart(msgspec.Struct, frozen=True):
    """A whole member or, of a large one, a part of it.

    parts: the packed bytes. crc: of the member's content up to the end of this part. size: of this part's content, in
    bytes. last: nothing of the member comes after it. program: of the first part, whether the member may be run.
    """

    member: PlannedMember
    method: int
    crc: int
    parts: list[Bytes]
    size: int
    last: bool
    program: bool


_mine = Scratch(CHUNK + 1)
PackJob = tuple[int, Callable[[], list[PackedPart]]]
"""The bytes of content it holds, and what gives its parts."""


@contextlib.contextmanager
def packing(
    members: Iterable[PlannedMember], watch: Watch, threads: int
) -> Generator[Iterator[PackedPart], None, None]:
    """Hand over the parts of ``members`` in order while ``threads`` threads pack what comes next.

    Raises :class:`CompanionError` naming a file that cannot be read or is not what was planned.
    """
    pool = ThreadPoolExecutor(max(1, threads), thread_name_prefix="pack")
    try:
        yield _results(pool, _jobs(members, watch), max(1, threads))
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def is_program(content: bytes | bytearray | memoryview) -> bool:
    """Tell from the beginning of a file whether it is a script or a program, which players may run.

    The disk it lies on is not asked: Windows and memory sticks know no bit for it, or set it for every file, and the
    same content has to give the same archive.
    """
    return bytes(content[:4]).startswith(_BEGINNINGS)


def stored_parts(member: PlannedMember, watch: Watch) -> Iterator[PackedPart]:
    """Return the parts of a large member as they are."""
    for data, crc, last in _blocks(member, watch):
        yield PackedPart(member, STORED, crc, [data], len(data), last, is_program(data))


def _results(pool: ThreadPoolExecutor, jobs: Iterator[PackJob], threads: int) -> Iterator[PackedPart]:
    """Yield parts in order while two jobs more than there are threads, if not too heavy, are under way."""
    waiting: deque[tuple[int, Future[list[PackedPart]]]] = deque()
    for held, job in jobs:
        while len(waiting) >= threads + 2 or (waiting and held + sum(one for one, _ in waiting) > threads * _HELD):
            yield from waiting.popleft()[1].result()
        waiting.append((held, pool.submit(job)))
    while waiting:
        yield from waiting.popleft()[1].result()


def _jobs(members: Iterable[PlannedMember], watch: Watch) -> Iterator[PackJob]:
    group: list[PlannedMember] = []
    for member in members:
        if member.size <= CHUNK:
            group.append(member)
            if sum(each.size for each in group) < _GROUP and len(group) < 200:
                continue
        if group:
            yield _group_job(group, watch)
            group = []
        if member.size > CHUNK:
            yield from _part_jobs(member, watch)
    if group:
        yield _group_job(group, watch)


def _group_job(group: list[PlannedMember], watch: Watch) -> PackJob:
    def job() -> list[PackedPart]:
        done = []
        for member in group:
            watch.check()
            content = _content(member)
            done.append(_whole(member, content, *coders.packed(content)))
        return done

    return sum(member.size for member in group), job


def _whole(member: PlannedMember, content: Bytes, method: int, parts: list[Bytes]) -> PackedPart:
    return PackedPart(member, method, crc32(content), parts, len(content), True, is_program(content))


def _part_jobs(member: PlannedMember, watch: Watch) -> Iterator[PackJob]:
    with _opened(member) as stream:
        samples = coders.shares([_read_at(stream, *place, member) for place in coders.probes(member.size)])
    if member.size <= coders.WHOLE and coders.packs_well(samples):
        yield member.size, partial(_packed_whole, member, sum(samples) / len(samples))
    elif coders.seems_packable(samples):
        for data, crc, last in _blocks(member, watch):
            yield len(data), partial(_packed_part, member, data, crc, last)
    else:
        for part in stored_parts(member, watch):
            yield part.size, partial(list, (part,))


def _packed_whole(member: PlannedMember, share: float) -> list[PackedPart]:
    content = _content(member, memoryview(bytearray(member.size + 1)))
    return [_whole(member, content, *coders.packed_better(content, share))]


def _packed_part(member: PlannedMember, data: Bytes, crc: int, last: bool) -> list[PackedPart]:
    return [PackedPart(member, DEFLATED, crc, coders.packed_piece(data, last), len(data), last, is_program(data))]


def _content(member: PlannedMember, room: memoryview | None = None) -> Bytes:
    """Return the whole content of a member, held to its size and SHA-256.

    It lies in ``room``, or else where this thread's next will.
    """
    if member.data is not None:
        content: Bytes = member.data
    else:
        room = _mine.take(member.size + 1) if room is None else room
        with _opened(member) as stream:
            content = _filled(room[: member.size + 1], stream, member)
    if len(content) != member.size or hashlib.sha256(content).hexdigest() != member.sha256:
        raise changed(member)
    return content


def _blocks(member: PlannedMember, watch: Watch) -> Iterator[tuple[Bytes, int, bool]]:
    """Return (content, CRC-32 so far, whether it is the last) of a large member, held to its size and SHA-256."""
    digest = hashlib.sha256()
    crc = done = 0
    with _opened(member) as stream:
        while done < member.size:
            watch.check()
            data = _read_at(stream, done, min(CHUNK, member.size - done), member)
            if not data:
                raise changed(member)
            digest.update(data)
            crc = crc32(data, crc)
            done += len(data)
            last = done >= member.size
            if last and (_read_at(stream, done, 1, member) or digest.hexdigest() != member.sha256):
                raise changed(member)
            yield data, crc, last


class MemberChanged(CompanionError):
    """A file is not what was planned."""


def changed(member: PlannedMember) -> MemberChanged:
    """Return the error for a file that is not what was planned."""
    return MemberChanged(
        "This file changed while the archive was being made",
        str(member.source or member.name),
        "let whatever writes to it finish, and pack again",
    )


def _opened(member: PlannedMember) -> FileIO | BytesIO:
    if member.source is None:
        return BytesIO(member.data or b"")
    with explained("read a file to pack", member.source):
        return opened(member.source)


def _read_at(stream: FileIO | BytesIO, offset: int, size: int, member: PlannedMember) -> Bytes:
    """Return ``size`` bytes from ``offset``, or fewer at the end of the file."""
    stream.seek(offset)
    return _filled(memoryview(bytearray(size)), stream, member)


def _filled(view: memoryview, stream: FileIO | BytesIO, member: PlannedMember) -> memoryview:
    """Fill ``view`` from ``stream`` and return the part of it that was filled before the file ended."""
    with explained("read a file to pack", Path(member.source or member.name)):
        return view[: read_into(stream, view)]
