"""The byte layout of a zip archive, as PKWARE's APPNOTE 6.3.10 gives it (section numbers beside each part)."""

import struct
from collections.abc import Iterator
from datetime import date
from typing import Final, NamedTuple

LOCAL: Final = struct.Struct("<4s5H3I2H")  # 4.3.7
CENTRAL: Final = struct.Struct("<4s6H3I5H2I")  # 4.3.12
END: Final = struct.Struct("<4s4H2IH")  # 4.3.16
END64: Final = struct.Struct("<4sQ2H2I4Q")  # 4.3.14
LOCATOR64: Final = struct.Struct("<4sIQI")  # 4.3.15

LOCAL_MARK: Final = b"PK\x03\x04"
CENTRAL_MARK: Final = b"PK\x01\x02"
END_MARK: Final = b"PK\x05\x06"
END64_MARK: Final = b"PK\x06\x06"
LOCATOR64_MARK: Final = b"PK\x06\x07"
DESCRIPTOR_MARK: Final = b"PK\x07\x08"  # 4.3.9.3

STORED: Final = 0
DEFLATED: Final = 8
METHODS: Final = {  # 4.4.5
    0: "stored",
    1: "shrunk",
    **dict.fromkeys(range(2, 6), "reduced"),
    6: "imploded",
    8: "deflated",
    9: "Deflate64",
    12: "bzip2",
    14: "LZMA",
    19: "LZ77",
    20: "Zstandard",
    93: "Zstandard",
    94: "MP3",
    95: "XZ",
    97: "WavPack",
    98: "PPMd",
    99: "AES-encrypted",
}

ENCRYPTED: Final = 1 << 0  # 4.4.4, and the further bits below
DESCRIPTOR: Final = 1 << 3
PATCHED: Final = 1 << 5
STRONG: Final = 1 << 6
UTF8: Final = 1 << 11
MASKED: Final = 1 << 13
SECRET: Final = ENCRYPTED | STRONG | MASKED

MOST16: Final = 0xFFFF
MOST32: Final = 0xFFFFFFFF
"""A field that holds this says that the true value stands in the Zip64 extra (4.4.1.4)."""

ZIP64_EXTRA: Final = 0x0001  # 4.5.3
AES_EXTRA: Final = 0x9901
NAME_EXTRA: Final = 0x7075  # 4.6.9: the name once more, as UTF-8
TIME_EXTRA: Final = 0x5455  # 4.6.1, "extended timestamp" of Info-ZIP
FURTHER_EXTRA: Final = 0x6C78  # 4.6.1, of libarchive: type and permissions in front of a member that is streamed
DOS_FOLDER: Final = 0x10  # of the external attributes
DOS_LABEL: Final = 0x08
UNIX: Final = 3  # 4.4.2: the upper byte of "version made by"
MACOS: Final = 19
AMIGA: Final = 1
PERMITTING: Final = frozenset({2, UNIX, 5, 12, 13, 16, 17, 18, 30})
"""Systems whose members get the permissions that stand in the external attributes, by Info-ZIP's unpacker at least."""
RELETTERING: Final = frozenset({0, 6, 11})
"""Systems whose names Info-ZIP's unpacker turns from their old code page into its own, though flagged as UTF-8."""
NO_MODE: Final = 1 << 2
"""Of the internal attributes (4.4.10): what stands where permissions do is something else."""
PLAIN_VERSION: Final = 20  # 4.4.3.2
ZIP64_VERSION: Final = 45
FIRST_YEAR: Final = 1980
LAST_YEAR: Final = 2107
"""The years that seven bits hold (4.4.6)."""
NO_DAY: Final = (0, 1 << 5 | 1)
"""Time and date of 1980-01-01, the earliest there is."""


def stamp(day: str) -> tuple[int, int]:
    """Return time and date (4.4.6) of midnight of ``day``, ISO 8601; of 1980-01-01 where there is none such.

    Neither says in which time zone it is meant, so the same two numbers are the same day everywhere.
    """
    try:
        then = date.fromisoformat(day)
    except ValueError:
        return NO_DAY
    if not FIRST_YEAR <= then.year <= LAST_YEAR:
        return NO_DAY
    return 0, then.year - FIRST_YEAR << 9 | then.month << 5 | then.day


def extras(data: bytes) -> dict[int, bytes]:
    """Return the extra fields of a header by their id (4.5.1); what does not read as fields is left out."""
    found: dict[int, bytes] = {}
    for mark, field in _fields(data):
        if field is not None:
            found.setdefault(mark, field)
    return found


def extras_problem(data: bytes) -> str:
    """Return why some unpackers refuse a member for its extra fields, or read it otherwise; empty where none does.

    Zeros may fill up what is left behind the last field.
    """
    end = 0
    for mark, field in _fields(data):
        if field is None:
            return "the extra fields in its header run over their end"
        if mark == TIME_EXTRA and not field:
            return "the field for its time holds none"
        if mark == FURTHER_EXTRA:
            return "a further field gives it other attributes, which some unpackers take"
        end += 4 + len(field)
    return "bytes lie behind the extra fields in its header" if any(data[end:]) else ""


def _fields(data: bytes) -> Iterator[tuple[int, bytes | None]]:
    """Return (id, content) of each extra field; None for a content that the header has no room for, and no more."""
    at = 0
    while at + 4 <= len(data):
        mark, size = struct.unpack_from("<2H", data, at)
        whole = at + 4 + size <= len(data)
        yield mark, data[at + 4 : at + 4 + size] if whole else None
        if not whole:
            return
        at += 4 + size


class Header(NamedTuple):
    """What both headers of a member say.

    name: encoded. packed, size: bytes packed and unpacked. when: of :func:`stamp`.
    """

    name: bytes
    method: int
    crc: int
    packed: int
    size: int
    when: tuple[int, int] = NO_DAY

    @property
    def flags(self) -> int:
        """Bit 11 alone, and only where it says anything: the name is UTF-8 (4.4.4, appendix D)."""
        return 0 if self.name.isascii() else UTF8


def local_header(header: Header) -> bytes:
    """Return a local header with its name; from 4 GiB on both sizes go into the extra, as 4.5.3 demands of it."""
    name, method, crc, packed, size, when = header
    # Nothing is written larger than it is, so the content's size alone decides whether 32 bits hold both sizes.
    zip64 = size >= MOST32
    extra = struct.pack("<2H2Q", ZIP64_EXTRA, 16, size, packed) if zip64 else b""
    version = ZIP64_VERSION if zip64 else PLAIN_VERSION
    sizes = (MOST32, MOST32) if zip64 else (packed, size)
    fixed = LOCAL.pack(LOCAL_MARK, version, header.flags, method, *when, crc, *sizes, len(name), len(extra))
    return fixed + name + extra


def central_header(header: Header, *, offset: int, mode: int) -> bytes:
    """Return a central header with its name; only values that do not fit in 32 bits go into a Zip64 extra (4.5.3)."""
    name, method, crc, packed, size, when = header
    large = [value for value in (size, packed, offset) if value >= MOST32]
    extra = struct.pack(f"<2H{len(large)}Q", ZIP64_EXTRA, 8 * len(large), *large) if large else b""
    # A member whose local header has Zip64 sizes needs 4.5 as well, and only its sizes can demand that.
    version = ZIP64_VERSION if large else PLAIN_VERSION
    made = (UNIX << 8 | version, version)
    sizes = (min(packed, MOST32), min(size, MOST32), len(name), len(extra), 0)
    place = (0, 0, mode << 16, min(offset, MOST32))
    return CENTRAL.pack(CENTRAL_MARK, *made, header.flags, method, *when, crc, *sizes, *place) + name + extra


def end_records(count: int, size: int, offset: int) -> bytes:
    """Return what closes an archive whose directory of ``count`` members and ``size`` bytes starts at ``offset``."""
    closing = b""
    if count >= MOST16 or size >= MOST32 or offset >= MOST32:
        closing = END64.pack(
            END64_MARK, END64.size - 12, UNIX << 8 | ZIP64_VERSION, ZIP64_VERSION, 0, 0, count, count, size, offset
        ) + LOCATOR64.pack(LOCATOR64_MARK, 0, offset + size, 1)
    small = min(count, MOST16)
    return closing + END.pack(END_MARK, 0, 0, small, small, min(size, MOST32), min(offset, MOST32), 0)
