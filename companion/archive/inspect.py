"""Reads what an archive says about itself, twice: in its directory and in front of each member.

Nothing is unpacked and nothing written. Any bytes may come in: what does not read is a defect in the result, not an
exception, and time and memory are bounded by the size of the file.
"""

import struct
from pathlib import Path
from typing import BinaryIO, Final

import msgspec

from companion.archive import layout
from companion.archive.directory import find_ending, other_name, read_directory
from companion.archive.layout import (
    DEFLATED,
    DESCRIPTOR,
    LOCAL,
    LOCAL_MARK,
    MOST16,
    MOST32,
    SECRET,
    UTF8,
    extras,
    extras_problem,
)
from companion.archive.model import DefectKind, Defects, Inspection, ZipMember
from companion.core.errors import CompanionError
from companion.core.files import BLOCK, explained
from companion.core.regular import buffered


def inspect(path: Path) -> Inspection:
    """Return what the zip archive at ``path`` says about itself.

    Raises :class:`CompanionError` for a file that cannot be read or is no zip archive at all.
    """
    with explained("read the archive", path):
        if not path.is_file():
            path.stat()
            raise CompanionError("This is not a file", str(path), "name the archive itself")
        with buffered(path) as stream:
            return _inspected(path, stream, path.stat().st_size)


def _inspected(path: Path, stream: BinaryIO, length: int) -> Inspection:
    defects = Defects()
    ending = find_ending(stream, length, defects)
    if ending is None:
        stream.seek(0)
        head = stream.read(BLOCK)
        if not head.startswith(b"PK") and not (LOCAL_MARK in head and layout.CENTRAL_MARK in head):
            raise CompanionError(
                "This is not a zip archive", str(path), "check that it is the right file, and that all of it is there"
            )
        defects.add(DefectKind.TRUNCATED, "it begins as a zip archive and has no directory at its end", byte=length)
        return Inspection(size=length, members=(), defects=tuple(defects.found), zip64=False)
    listed = read_directory(stream, ending, defects)
    members, spans = _with_locals(stream, listed, length, defects)
    _judge_spans(spans, ending.start, max(0, ending.shift), defects)
    return Inspection(
        size=length,
        members=tuple(members),
        defects=tuple(defects.found),
        zip64=ending.zip64 or any(member.zip64 for member in members),
    )


_SPEED: Final = 0b110
"""How hard the coder tried (4.4.4 bits 1 and 2), which some writers say in one of the two places."""
_OTHERS: Final = MOST16 & ~(SECRET | UTF8 | DESCRIPTOR)
Span = tuple[int, int, str]
"""(first byte, byte behind the last, name) of a member with its header."""


def _with_locals(
    stream: BinaryIO, listed: list[ZipMember], length: int, defects: Defects
) -> tuple[list[ZipMember], list[Span]]:
    """Return the members with the place of their bytes, and their spans; compare each with its local header."""
    members, spans = [], []
    read = 0
    for number, member in enumerate(listed):
        # Headers that share no bytes cannot be longer together than the file: a hostile one would be read for ever.
        if read > length:
            defects.add(DefectKind.OVERLAPS, "the headers of its members are longer than the archive", member.name)
            members += listed[number:]
            break
        found = _local(stream, member, length, defects)
        if found is None:
            members.append(member)
            continue
        data, zip64 = found
        read += data - member.offset
        end = data + member.packed
        if member.flags & DESCRIPTOR:
            end += _descriptor(stream, member, end, length, defects)
        members.append(msgspec.structs.replace(member, data=data, zip64=member.zip64 or zip64))
        spans.append((member.offset, end, member.name))
    return members, spans


def _local(stream: BinaryIO, member: ZipMember, length: int, defects: Defects) -> tuple[int, bool] | None:
    """Return (where the packed bytes begin, whether the header has Zip64 sizes), or None when it does not read."""
    stream.seek(min(member.offset, length))  # what a hostile one says may be farther than any file goes
    head = stream.read(LOCAL.size)
    if len(head) < LOCAL.size or not head.startswith(LOCAL_MARK):
        kind = DefectKind.TRUNCATED if len(head) < LOCAL.size else DefectKind.DISAGREES
        defects.add(kind, "the directory points to where no member begins", member.name, member.offset)
        return None
    _, _, flags, method, _, _, crc, packed, size, name_size, extra_size = LOCAL.unpack(head)
    raw = stream.read(name_size)
    extra = stream.read(extra_size)
    fields = extras(extra)
    wide = fields.get(layout.ZIP64_EXTRA, b"")
    zip64 = packed == size == MOST32 and len(wide) >= 16  # both or none stand in the extra of this header (4.5.3)
    if zip64:
        size, packed = struct.unpack_from("<2Q", wide)
    others = _OTHERS & ~_SPEED if method == DEFLATED else _OTHERS
    compared: list[tuple[str, object, object]] = [
        ("name", raw, member.raw),
        ("method", method, member.method),
        ("encryption", flags & SECRET, member.flags & SECRET),
        ("encryption", layout.AES_EXTRA in fields and not member.encrypted, False),
        ("UTF-8 flag", flags & UTF8, member.flags & UTF8),
        ("data descriptor flag", flags & DESCRIPTOR, member.flags & DESCRIPTOR),
        ("flags", flags & others, member.flags & others),
    ]
    sums = [("CRC-32", crc, member.crc), ("packed size", packed, member.packed), ("size", size, member.size)]
    # What was not known when the header was written stands behind the member, and is 0, or marked as Zip64, here.
    unknown = ((0, "CRC-32"), *((none, what) for none in (0, MOST32) for what in ("packed size", "size")))
    alias = other_name(raw, fields)
    if alias and (member.readable or member.alias):
        compared.append(("further name", alias, member.alias or member.name))
    differing = list(dict.fromkeys(what for what, here, there in compared if here != there))
    differing += [
        what for what, here, there in sums if here != there and not (flags & DESCRIPTOR and (here, what) in unknown)
    ]
    if differing:
        problem = f"its own header and the directory differ in {', '.join(differing)}"
        defects.add(DefectKind.DISAGREES, problem, member.name, member.offset)
    if len(extra) < extra_size:
        defects.add(DefectKind.TRUNCATED, "its header is cut short", member.name, member.offset)
        return None
    if misread := extras_problem(extra):
        defects.add(DefectKind.DISAGREES, misread, member.name, member.offset)
    return member.offset + LOCAL.size + name_size + extra_size, zip64


def _descriptor(stream: BinaryIO, member: ZipMember, at: int, length: int, defects: Defects) -> int:
    """Return the length of the data descriptor at byte ``at`` (4.3.9), which must repeat what the directory says."""
    stream.seek(min(at, length))
    data = stream.read(24)
    for mark in (layout.DESCRIPTOR_MARK, b""):
        for form in ("<I2Q", "<3I"):
            try:
                wanted = mark + struct.pack(form, member.crc, member.packed, member.size)
            except struct.error:
                continue
            if data.startswith(wanted):
                return len(wanted)
    defects.add(DefectKind.DISAGREES, "the data descriptor behind it and the directory differ", member.name, at)
    return 0


def _judge_spans(spans: list[Span], directory: int, first: int, defects: Defects) -> None:
    """Note where members share bytes, and where bytes lie between them that none of them claims."""
    reached = first
    for start, end, name in sorted(spans):
        if start < reached:
            defects.add(DefectKind.OVERLAPS, f"{reached - start:,} bytes belong to another member too", name, start)
        elif start > reached:
            defects.add(DefectKind.UNCLAIMED, f"{start - reached:,} bytes in front of this member", name, reached)
        if end > directory:
            defects.add(DefectKind.TRUNCATED, f"{end - directory:,} of its bytes are missing", name, start)
        reached = max(reached, end)
    if reached < directory and spans:
        defects.add(DefectKind.UNCLAIMED, f"{directory - reached:,} bytes behind the last member", byte=reached)
