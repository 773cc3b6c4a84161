"""Reads the directory at the end of an archive (APPNOTE 6.3.10, 4.3.12–4.3.16)."""

import stat
import struct
from typing import BinaryIO, Final

import msgspec

from companion.archive import layout
from companion.archive.coders import crc32
from companion.archive.layout import CENTRAL, END, END64, LOCATOR64, MOST16, MOST32, UTF8, extras, extras_problem
from companion.archive.model import DefectKind, Defects, ZipMember
from companion.core.text import plural, visible

MOST_MEMBERS: Final = 1_000_000
MOST_BYTES: Final = 256 << 20
"""Bytes of directory that are read; a million members of ordinary names fit in half of it."""


class Ending(msgspec.Struct, frozen=True, kw_only=True):
    """Where the directory lies. shift: bytes in front of the archive that its own offsets do not count."""

    count: int
    start: int
    size: int
    shift: int
    zip64: bool


def find_ending(stream: BinaryIO, length: int, defects: Defects) -> Ending | None:
    """Return where the directory of an archive of ``length`` bytes is, or None when it has no end record."""
    tail_start = max(0, length - END.size - MOST16)
    stream.seek(tail_start)
    tail = stream.read(END.size + MOST16)
    found = _end_record(tail)
    if found is None:
        return None
    at, fields, comment = found
    end_at = tail_start + at
    _judge_comment(tail[at + END.size :], comment, length, defects)
    disk, first_disk, here, count, size, start = fields
    behind, parted = end_at, disk or first_disk or here != count
    zip64 = _zip64_record(stream, end_at, defects)
    if zip64 is not None:
        behind, (count64, size64, start64) = zip64
        if count not in (count64, MOST16) or size not in (size64, MOST32) or start not in (start64, MOST32):
            defects.add(DefectKind.DISAGREES, "its two end records differ", byte=end_at)
        parted = disk not in (0, MOST16) or first_disk not in (0, MOST16) or here != count
        count, size, start = count64, size64, start64
    elif count == MOST16 or MOST32 in (size, start):
        defects.add(DefectKind.TRUNCATED, "the Zip64 end record is missing", byte=end_at)
        parted = False
    if parted:
        defects.add(DefectKind.DISAGREES, "it is one part of several, or its count of members is wrong", byte=end_at)
    shift = behind - size - start
    if shift > 0:
        uncounted = f"{shift:,} bytes in front of it, or inside it, that it does not count"
        defects.add(DefectKind.UNCLAIMED, uncounted, byte=0)
    elif shift < 0:
        defects.add(DefectKind.TRUNCATED, f"{-shift:,} bytes are missing in front of its directory", byte=end_at)
    return Ending(count=count, start=max(0, behind - size), size=size, shift=shift, zip64=zip64 is not None)


_MOST_COMMENT: Final = (16 << 10) - END.size
"""Bytes of a closing comment: one of the four readers looks for the end no further back than 16 KiB."""


def _judge_comment(behind: bytes, size: int, length: int, defects: Defects) -> None:
    """Judge what stands ``behind`` the end record, which announces a comment of ``size`` bytes."""
    excess = len(behind) - size
    if excess > 0:
        defects.add(DefectKind.UNCLAIMED, f"{excess:,} bytes behind its end", byte=length - excess)
    elif excess < 0:
        defects.add(DefectKind.TRUNCATED, f"{-excess:,} bytes of its closing comment are missing", byte=length)
    if size > _MOST_COMMENT:
        long = f"its closing comment of {size:,} bytes hides its end from some unpackers"
        defects.add(DefectKind.DISAGREES, long, byte=length - len(behind))
    if layout.END_MARK in behind[:size]:
        # Who looks for the end from behind meets that one first, and may find quite another archive.
        second = "its closing comment holds a second end, which others may take"
        defects.add(DefectKind.DISAGREES, second, byte=length - len(behind))


def _end_record(tail: bytes) -> tuple[int, tuple[int, ...], int] | None:
    """Return (position, fields, comment length) of the end record: the one that ends the file, else the last one."""
    last = None
    at = tail.rfind(layout.END_MARK)
    while at >= 0:
        if at + END.size <= len(tail):
            _, *fields, comment = END.unpack_from(tail, at)
            last = last or (at, tuple(fields), comment)
            if at + END.size + comment == len(tail):
                return at, tuple(fields), comment
        at = tail.rfind(layout.END_MARK, 0, at + len(layout.END_MARK) - 1)
    return last


def _zip64_record(stream: BinaryIO, end_at: int, defects: Defects) -> tuple[int, tuple[int, int, int]] | None:
    """Return (position, (count, size, start)) of the Zip64 end record, or None when there is none."""
    if end_at < LOCATOR64.size + END64.size:
        return None
    stream.seek(end_at - LOCATOR64.size)
    mark, disk, pointed, disks = LOCATOR64.unpack(stream.read(LOCATOR64.size))
    if mark != layout.LOCATOR64_MARK:
        return None
    # Where the locator points first; where bytes were put in front of the archive, the record lies just before it.
    for at in (pointed, end_at - LOCATOR64.size - END64.size):
        if 0 <= at <= end_at - LOCATOR64.size - END64.size:
            stream.seek(at)
            record = END64.unpack(stream.read(END64.size))
            if record[0] == layout.END64_MARK:
                if disk or disks != 1 or record[4] or record[5] or record[6] != record[7]:
                    defects.add(DefectKind.DISAGREES, "it is one part of several, or its count is wrong", byte=at)
                if at != pointed:
                    defects.add(DefectKind.DISAGREES, "it does not say where its Zip64 end record is", byte=end_at)
                # What else such a record may hold (4.3.14.2) nobody writes, and another directory hides well in it.
                if at + END64.size != end_at - LOCATOR64.size or record[1] != END64.size - 12:
                    defects.add(DefectKind.UNCLAIMED, "bytes lie between its end records", byte=at)
                return at, (record[7], record[8], record[9])
    defects.add(DefectKind.TRUNCATED, "the Zip64 end record is not where it should be", byte=end_at)
    return None


def read_directory(stream: BinaryIO, ending: Ending, defects: Defects) -> list[ZipMember]:
    """Return the members the directory lists, as far as it reads."""
    if ending.count > MOST_MEMBERS or ending.size > MOST_BYTES:
        defects.add(DefectKind.TOO_MUCH, f"{ending.count:,} members in a directory of {ending.size:,} bytes")
        return []
    stream.seek(ending.start)
    data = stream.read(ending.size)
    members: list[ZipMember] = []
    at = 0
    while at < len(data) and len(members) < MOST_MEMBERS:
        if at + CENTRAL.size > len(data) or not data.startswith(layout.CENTRAL_MARK, at):
            defects.add(DefectKind.DISAGREES, "its directory cannot be read on from here", byte=ending.start + at)
            break
        fields = CENTRAL.unpack_from(data, at)
        name_end = at + CENTRAL.size + fields[10]
        extra_end = name_end + fields[11]
        after = extra_end + fields[12]
        if after > len(data):
            defects.add(DefectKind.TRUNCATED, "its directory is cut short", byte=ending.start + at)
            break
        raw, extra = data[at + CENTRAL.size : name_end], data[name_end:extra_end]
        member = _member(fields, raw, extras(extra), ending.shift, defects)
        if problem := extras_problem(extra):
            defects.add(DefectKind.DISAGREES, problem, member.name, ending.start + at)
        members.append(member)
        at = after
    if len(members) != ending.count:
        announced = plural(ending.count, "member")
        defects.add(DefectKind.DISAGREES, f"its end says {announced}, its directory lists {len(members):,}")
    return members


def _member(fields: tuple[int, ...], raw: bytes, extra: dict[int, bytes], shift: int, defects: Defects) -> ZipMember:
    _, made_by, version, flags, method, _, _, crc, packed, size, _, _, _, disk, internal, external, offset = fields
    name, readable = decoded(raw, flags)
    large = [value == MOST32 for value in (size, packed, offset)]
    if any(large):
        wide = extra.get(layout.ZIP64_EXTRA, b"")
        if len(wide) < 8 * sum(large):
            defects.add(DefectKind.DISAGREES, "its size or place does not fit, and no Zip64 field gives it", name)
        else:
            values = iter(struct.unpack_from(f"<{sum(large)}Q", wide))
            size, packed, offset = (
                next(values) if wanted else value for wanted, value in zip(large, (size, packed, offset), strict=True)
            )
    if disk == MOST16:  # the Zip64 field has it, behind what else it has (4.5.3)
        behind = 8 * sum(large)
        disk = int.from_bytes(extra.get(layout.ZIP64_EXTRA, b"")[behind : behind + 4].ljust(4, b"\xff"), "little")
    if disk:
        defects.add(DefectKind.DISAGREES, "it lies on another disk of a set", name)
    mode = external >> 16
    system = made_by >> 8
    unix = system in (layout.UNIX, layout.MACOS)
    own = size or (packed if method == layout.STORED else 0)
    if name.endswith("/") and own:
        defects.add(DefectKind.DISAGREES, f"a folder with {own:,} bytes of its own, which nobody unpacks", name)
    elif not name.endswith("/") and (external & layout.DOS_FOLDER or (unix and stat.S_ISDIR(mode))):
        defects.add(DefectKind.DISAGREES, "it has a file's name and is marked as a folder", name)
    if external & layout.DOS_LABEL and not unix:
        defects.add(DefectKind.DISAGREES, "it is marked as the name of a disk, which is left out by some", name)
    alias = other_name(raw, extra)
    if readable and alias not in ("", name):
        defects.add(DefectKind.DISAGREES, f"many unpackers would call it “{visible(alias)}”", name)
    return ZipMember(
        name=name,
        raw=raw,
        flags=flags,
        method=method,
        crc=crc,
        packed=packed,
        size=size,
        offset=max(0, offset + shift),
        # A link is made by one unpacker or another whichever system the archive says it comes from.
        mode=mode if unix or stat.S_ISLNK(mode) else 0,
        zip64=any(large),
        encrypted=bool(flags & layout.SECRET) or layout.AES_EXTRA in extra or method == 99,
        readable=readable,
        alias=alias,
        version=version & 0xFF,
        relettered=readable and not raw.isascii() and system in layout.RELETTERING,
        locked=_locked(system, 0 if internal & layout.NO_MODE else mode, folder=name.endswith("/")),
    )


def _locked(system: int, mode: int, *, folder: bool) -> bool:
    """Tell whether the permissions let not even the owner read a file, or look into a folder."""
    needed = stat.S_IRUSR | stat.S_IXUSR if folder else stat.S_IRUSR
    if system == layout.AMIGA:  # which keeps them three bits wide, one to the left
        mode = (mode >> 1 & 0o7) << 6
    return (system == layout.AMIGA or system in layout.PERMITTING) and mode & needed != needed


def other_name(raw: bytes, extra: dict[int, bytes]) -> str:
    """Return the name that the Unicode Path field (4.6.9) gives in place of ``raw``, or an empty string."""
    field = extra.get(layout.NAME_EXTRA, b"")
    if len(field) < 6 or field[0] != 1 or int.from_bytes(field[1:5], "little") != crc32(raw):
        return ""
    return field[5:].decode("utf-8", "surrogateescape")


def decoded(raw: bytes, flags: int) -> tuple[str, bool]:
    """Return a name and whether it reads the same everywhere (4.4.4 bit 11; IBM code page 437 by appendix D.1)."""
    if flags & UTF8:
        try:
            return raw.decode("utf-8"), True
        except UnicodeDecodeError:
            return raw.decode("utf-8", "surrogateescape"), False
    return (raw.decode("ascii"), True) if raw.isascii() else (raw.decode("cp437"), False)
