"""Unpacks members, in several threads, and holds every byte to what was promised of it.

Only what :data:`companion.archive.rules.DANGERS` found harmless comes here: names stay inside the folder, no two are
one, no member is a link. The folder is new and empty, so no link of anyone else's lies in it either.
"""

import contextlib
import errno
import hashlib
import os
import threading
from collections.abc import Iterator, Mapping, Sequence
from io import FileIO
from pathlib import Path
from typing import Final, NoReturn

from companion.archive.coders import BEHIND, STREAM, Bytes, crc32, strict_inflater, unpacked
from companion.archive.layout import DEFLATED
from companion.archive.model import Opened, ZipMember
from companion.core.crew import share
from companion.core.files import BLOCK, explain_os_error, explained, read_into, sha256_of
from companion.core.patience import why
from companion.core.progress import Watch
from companion.core.regular import opened
from companion.core.scratch import Scratch

WHOLE: Final = 8 << 20
"""Members up to this size are unpacked in memory, larger ones block by block."""
_GROUP: Final = 1 << 20
_SLICE: Final = 256 << 10
_OF_THE_DISK: Final = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO, errno.EMFILE)

_packed, _whole, _mine = Scratch(_GROUP), Scratch(_GROUP), threading.local()


class DamagedMember(Exception):
    """A member's bytes are not what its header promises."""


def unpack(
    archive: Path,
    members: Sequence[ZipMember],
    into: Path | None,
    watch: Watch,
    threads: int = 2,
    expected: Mapping[str, str] | None = None,
    *,
    summed: bool = True,
) -> list[Opened]:
    """Unpack ``members`` under ``into``, read every file back, and return what came out, in the order of ``members``.

    into: an empty folder; None: nothing is written, the bytes are only judged. expected: SHA-256 by name, where it is
    known; a file that reads back with it needs no further sum. summed: whether every SHA-256 is wanted; else those of
    small members, held to what was written byte by byte, stay empty. Raises :class:`CompanionError` when the disk
    refuses, and :class:`Cancelled` from ``watch``.
    """
    if into is not None:
        for folder in (into / member.name for member in members if member.folder):
            with explained("make a folder to unpack into", folder):
                folder.mkdir(parents=True, exist_ok=True)
    files = [member for member in members if not member.folder]
    found: dict[int, Opened] = {}

    def work(share_of_files: Iterator[tuple[int, ZipMember]]) -> None:
        with explained("read the archive", archive), opened(archive) as stream:
            for number, member in share_of_files:
                found[number] = _opened(
                    stream, member, into, watch, (expected or {}).get(member.name, ""), summed=summed
                )

    share(enumerate(files), work, threads, "unpack")
    return [found[number] for number in range(len(files))]


def _opened(
    stream: FileIO, member: ZipMember, into: Path | None, watch: Watch, expected: str, *, summed: bool
) -> Opened:
    watch.check()
    path = into / member.name if into is not None else None
    try:
        if max(member.size, member.packed) <= WHOLE:
            content = _content(stream, member, ours=bool(expected))
            sha256 = _written(path, content, member, expected) if path is not None else ""
            if summed and not sha256:
                sha256 = hashlib.sha256(content).hexdigest()
            watch.step(member.size)
        else:
            sha256 = _streamed(stream, member, path, watch)
    except DamagedMember as damage:
        return Opened(name=member.name, size=member.size, problem=str(damage))
    except OSError as error:
        if path is None or error.errno in _OF_THE_DISK:
            raise explain_os_error(error, "unpack", path or Path(member.name)) from error
        return Opened(name=member.name, size=member.size, problem=f"it cannot be written here: {why(error)}")
    return Opened(name=member.name, size=member.size, sha256=sha256)


def _content(stream: FileIO, member: ZipMember, *, ours: bool) -> Bytes:
    """Return the content of a small member; good until this thread's next.

    ours: our own coders packed it. A stranger's goes through zlib: the quick coders also read sets of codes and length
    symbols that RFC 1951 (3.2.6, 3.2.7) forbids and that other unpackers refuse.
    """
    room = _packed.take(STREAM + member.packed + BEHIND)
    packed = room[STREAM:-BEHIND]
    stream.seek(member.data)
    if read_into(stream, packed) < member.packed:
        raise DamagedMember("its bytes end too early")
    data: Bytes = packed
    if member.method == DEFLATED:
        if ours and (whole := unpacked(room, member.size, member.crc)) is not None:
            return whole
        data = _inflated(packed, member)  # it is a stranger's, or damaged, and the slower coder finds out how
    if len(data) != member.size:
        _refuse_length(member, len(data), True)
    if crc32(data) != member.crc:
        raise DamagedMember("its CRC-32 is wrong: its bytes are damaged")
    return data


def _inflated(packed: memoryview, member: ZipMember) -> Bytes:
    """Return what a raw deflate stream unpacks to, as zlib reads it; good until this thread's next.

    The coder gets the stream in slices, and what comes out is laid into one buffer: a sixth quicker than all at once.
    """
    room = _whole.take(member.size + 1)
    (coder, refusal), got, taken = strict_inflater(), 0, 0
    try:
        while not coder.eof and taken < len(packed) and got <= member.size:
            # One byte of room more than promised: a member that unpacks to more is caught, and goes no further.
            block = coder.decompress(packed[taken : taken + _SLICE], member.size + 1 - got)
            room[got : got + len(block)] = block
            got, taken = got + len(block), taken + _SLICE
    except refusal:
        raise DamagedMember("its packed bytes are damaged") from None
    if not coder.eof or coder.unused_data or taken < len(packed):
        _refuse_length(member, got, coder.eof)
    return room[:got]


def _refuse_length(member: ZipMember, got: int, ended: bool) -> NoReturn:
    if got > member.size:
        raise DamagedMember(f"it unpacks to more than the {member.size:,} bytes it promises")
    if ended and got == member.size:
        raise DamagedMember("bytes lie behind its end")
    raise DamagedMember(f"it unpacks to {got:,} of the {member.size:,} bytes it promises")


def _written(path: Path, content: Bytes, member: ZipMember, expected: str) -> str:
    """Write a file and read it back, which must give the content; return its SHA-256 where one is ``expected``."""
    with _new_file(path, member) as target:
        _put(target, content)
    if expected:
        back = sha256_of(path)
        if back != expected and back != hashlib.sha256(content).hexdigest():
            raise DamagedMember("what was written reads back differently")
        return back
    # With nothing to hold a sum against, comparing takes a tenth of the time of a second sum.
    if not _reads_back(path, content):
        raise DamagedMember("what was written reads back differently")
    return ""


def _reads_back(path: Path, content: Bytes) -> bool:
    """Return whether a file holds exactly ``content``.

    It is read in pieces that stay in the processor's cache, and compared with a bytearray at the left: a view there is
    compared item by item, which takes longer than a sum.
    """
    piece: bytearray = getattr(_mine, "piece", bytearray())
    if not piece:
        piece = _mine.piece = bytearray(_SLICE)
    view, at = memoryview(content), 0
    with opened(path) as stream:
        while got := read_into(stream, memoryview(piece)):
            same = view[at : at + got]
            if len(same) != got or (piece if got == len(piece) else piece[:got]) != same:
                return False
            at += got
    return at == len(view)


def _put(target: FileIO, data: Bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[target.write(view) :]


def _new_file(path: Path, member: ZipMember) -> FileIO:
    mode = 0o777 if member.mode & 0o100 else 0o666
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)
    try:
        handle = os.open(path, flags, mode)
    except FileNotFoundError:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, flags, mode)
    return FileIO(handle, "wb")


def _streamed(stream: FileIO, member: ZipMember, path: Path | None, watch: Watch) -> str:
    """Unpack a large member block by block and return the SHA-256 of the file as it reads back."""
    digest = hashlib.sha256()
    with contextlib.ExitStack() as stack:
        target = stack.enter_context(_new_file(path, member)) if path is not None else None
        for block in _blocks(stream, member):
            digest.update(block)
            if target is not None:
                _put(target, block)
            watch.step(len(block))
    if path is not None and sha256_of(path, watch.check) != digest.hexdigest():
        raise DamagedMember("what was written reads back differently")
    return digest.hexdigest()


def _blocks(stream: FileIO, member: ZipMember) -> Iterator[bytes]:
    """Return the content of a large member in blocks; nothing beyond the promised size is ever returned."""
    crc = done = 0
    for block in _unpacked(stream, member):
        done += len(block)
        if done > member.size:
            _refuse_length(member, done, False)
        crc = crc32(block, crc)
        yield block
    if done != member.size:
        _refuse_length(member, done, True)
    if crc != member.crc:
        raise DamagedMember("its CRC-32 is wrong: its bytes are damaged")


def _unpacked(stream: FileIO, member: ZipMember) -> Iterator[bytes]:
    stream.seek(member.data)
    left = member.packed
    coder, refusal = strict_inflater() if member.method == DEFLATED else (None, DamagedMember)
    while left:
        data = stream.read(min(BLOCK, left))
        if not data:
            raise DamagedMember("its bytes end too early")
        left -= len(data)
        if coder is None:
            yield data
            continue
        try:
            while True:
                block = coder.decompress(data, BLOCK)
                yield block
                data = coder.unconsumed_tail
                # A full block may have more behind it that the coder holds back, though it has taken all its input.
                if coder.eof or (not data and len(block) < BLOCK):
                    break
        except refusal:
            raise DamagedMember("its packed bytes are damaged") from None
        if coder.eof and (coder.unused_data or left):
            raise DamagedMember("bytes lie behind its end")
    if coder is not None and not coder.eof:
        raise DamagedMember("its packed bytes end too early")
