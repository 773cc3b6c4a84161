"""How a member's bytes are packed: a pure function of the bytes, the same on every machine and with any thread count.

isal's level 1 (measured on 24-bit audio: 400 MB/s a core, 0.4 % larger than zlib's level 6) packs nearly everything.
Its level 3 gives other bytes on other processors and level 0 makes audio larger, so neither is used. What packs well,
such as one channel recorded twice, is packed again by libdeflate, which wins a fifth there; its levels above 2 win no
more on audio and take half as long again, and of what packs less well level 1 makes less in two thirds of the time. It
is deterministic for one version, while the zlib that comes with Python differs from build to build.

libdeflate also unpacks a third faster than the others (measured on the same audio), and so opens what fits in memory.
"""

import struct
from typing import Any, Final, cast

from companion.archive.layout import DEFLATED, STORED

LEVEL: Final = 1
PACKS_WELL: Final = 0.75
"""Below this share of itself a member is packed again."""
_BETTER_LEVEL: Final = 2
_LESS_WELL: Final = 0.65
"""Above this share libdeflate's level 1 packs smaller than 2."""
NOT_WORTH_IT: Final = 0.995
"""A member that packs to more than this share of itself is stored: opening it is then a mere copy."""

CHUNK: Final = 8 << 20
"""Bytes packed at a time. Members up to this size are packed whole; larger ones in pieces, so that memory is bounded
and two threads can share one file."""
WHOLE: Final = 16 << 20
"""libdeflate's streams cannot be laid end to end: members up to this size that pack well are packed by it whole."""
_PROBE: Final = 1 << 20
_SLICE: Final = 256 << 10
"""Bytes the coder gets at a time: what comes out of them needs no fresh memory from the system (a quarter quicker)."""
_GZIP_HEAD: Final = b"\x1f\x8b\x08\0\0\0\0\0\0\xff"
_GZIP_TAIL: Final = struct.Struct("<2I")
STREAM: Final = len(_GZIP_HEAD)
BEHIND: Final = _GZIP_TAIL.size
"""Bytes of room that :func:`unpacked` needs before and behind a stream."""

Bytes = bytes | bytearray | memoryview


def packed(data: Bytes) -> tuple[int, list[Bytes]]:
    """Return (method, bytes to write, in parts) for the whole content of a member."""
    if not data:
        return STORED, []
    parts = packed_piece(data, last=True)
    size = sum(map(len, parts))
    if size < PACKS_WELL * len(data):
        method, better = packed_better(data, size / len(data))
        if sum(map(len, better)) < size:
            return method, better
    return (STORED, [bytes(data)]) if size > NOT_WORTH_IT * len(data) else (DEFLATED, parts)


def crc32(data: Bytes, before: int = 0) -> int:
    """Return the CRC-32 (APPNOTE 4.4.7) of ``data``, going on from that of what came ``before`` it."""
    from isal import isal_zlib

    value: int = isal_zlib.crc32(data, before)
    return value


def unpacked(room: memoryview, size: int, crc: int) -> bytearray | None:
    """Return the content of a raw deflate stream, or None unless it is exactly ``size`` bytes of that CRC-32.

    room: the stream at ``[STREAM:-BEHIND]``, what lies around it is written here. It is decoded as a gzip member (RFC
    1952), whose end repeats CRC-32 and size, so the decoder itself holds it to both, and to ending where it should.
    """
    import deflate

    room[:STREAM] = _GZIP_HEAD
    _GZIP_TAIL.pack_into(room, len(room) - BEHIND, crc, size)
    try:
        return deflate.gzip_decompress(room, size) if size else None
    except deflate.DeflateError:
        return None


def strict_inflater() -> tuple[Any, type[Exception]]:
    """Return a decoder of raw deflate streams, used as zlib's, and what it raises of one that RFC 1951 forbids.

    zlib-ng refuses what zlib refuses (both are held against each other), and is half as fast again.
    """
    from zlib_ng import zlib_ng

    return zlib_ng.decompressobj(-15), cast("type[Exception]", zlib_ng.error)


def packed_piece(data: Bytes, last: bool) -> list[Bytes]:
    """Return one piece of a raw deflate stream (RFC 1951), in parts; it refers to no piece before it.

    All but the last end with an empty stored block on a byte boundary, so the pieces can be laid end to end.
    """
    from isal import isal_zlib

    coder = isal_zlib.compressobj(LEVEL, isal_zlib.DEFLATED, -15)
    view = memoryview(data)
    parts: list[Bytes] = [coder.compress(view[at : at + _SLICE]) for at in range(0, len(view), _SLICE)]
    parts.append(coder.flush(isal_zlib.Z_FINISH if last else isal_zlib.Z_SYNC_FLUSH))
    return parts


def probes(size: int) -> list[tuple[int, int]]:
    """Return the (offset, length) of the parts of a large file that tell whether packing it pays."""
    step = max(0, size - _PROBE) // 3
    return [(step * index, min(_PROBE, size)) for index in range(4)]


def shares(samples: list[Bytes]) -> list[float]:
    """Return what share of itself each of these parts of a file packs to."""
    return [sum(map(len, packed_piece(part, last=True))) / len(part) for part in samples]


def seems_packable(samples: list[float]) -> bool:
    """Tell from the shares of some parts of a file whether any of it gets smaller by packing."""
    return min(samples) <= NOT_WORTH_IT


def packs_well(samples: list[float]) -> bool:
    """Tell from the shares of some equal parts of a file whether libdeflate would pack it better."""
    return sum(samples) < PACKS_WELL * len(samples)


def packed_better(data: Bytes, share: float) -> tuple[int, list[Bytes]]:
    """Return (method, bytes to write, in parts) for the whole content of a member that packs well.

    share: what it packs to, or some equal parts of it do, of itself.
    """
    import deflate

    better = deflate.deflate_compress(data, _BETTER_LEVEL if share <= _LESS_WELL else 1)
    return (STORED, [bytes(data)]) if len(better) > NOT_WORTH_IT * len(data) else (DEFLATED, [better])
