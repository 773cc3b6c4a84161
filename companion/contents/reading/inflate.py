"""Deflated parts inside any bytes: zlib (RFC 1950), gzip (RFC 1952) and the members of zip (APPNOTE 4.3.7)."""

import mmap
import re
import zlib
from collections.abc import Iterator
from typing import Final, NamedTuple

Buffer = bytes | mmap.mmap

_HEADS: Final = (
    re.compile(rb"\x78[\x01\x5e\x9c\xda]"),
    re.compile(rb"\x1f\x8b\x08"),
    re.compile(rb"PK\x03\x04"),
)
"""One expression each: with a fixed first byte a search is ten times as fast as with a choice of three."""
LEAST: Final = 4096
"""A part that ends in an error is believed only when this many bytes came out: random bytes rarely last so long."""
_CHUNK: Final = 1 << 16
_MAPPED_AT_ONCE: Final = 4 << 20


def let_go(data: Buffer, start: int, end: int) -> None:
    """Take what is mapped of ``data`` from ``start`` to ``end`` out of this process's memory, where the system can.

    What lies before goes too: a few bytes looked at in front of a block bring in as much as the system maps at once.
    """
    advice, advise = getattr(mmap, "MADV_DONTNEED", None), getattr(data, "madvise", None)  # Windows has neither
    if advice is not None and advise is not None and start % mmap.PAGESIZE == 0:
        first = max(0, start - _MAPPED_AT_ONCE)
        advise(advice, first, min(end, len(data)) - first)


class InflatedPart(NamedTuple):
    """An unpacked part: its content, what it is, where it began and where it ended."""

    data: bytes
    label: str
    start: int
    end: int


class Budget:
    """What unpacking may cost for one file, all depths together, so that a bomb costs no more than this."""

    def __init__(self, total: int = 256 << 20, each: int = 48 << 20, parts: int = 4096, tries: int = 200_000) -> None:
        self.left, self.each, self.parts, self.tries = total, each, parts, tries
        self.exceeded = False

    def allows(self) -> bool:
        """Tell whether another part may be tried, and note when not."""
        if self.left <= 0 or self.parts <= 0 or self.tries <= 0:
            self.exceeded = True
            return False
        self.tries -= 1
        return True


def _inflate(data: Buffer, start: int, wbits: int, budget: Budget) -> tuple[bytes, int] | None:
    """Return what unpacks at ``start`` and where it ends, or None when it is no such stream."""
    stream = zlib.decompressobj(wbits)
    out: list[bytes] = []
    size, here, step = 0, start, 512
    most = min(budget.left, budget.each)
    try:
        while not stream.eof and here < len(data):
            chunk = data[here : here + step]
            here += len(chunk)
            piece = stream.decompress(chunk, most - size + 1)
            out.append(piece)
            size += len(piece)
            if size > most:
                budget.exceeded = True
                break
            step = _CHUNK
    except zlib.error:
        if size < LEAST:
            return None
    if not size or (not stream.eof and size < LEAST):
        return None
    return b"".join(out)[:most], here - len(stream.unused_data)


def _zip_member(data: Buffer, start: int) -> tuple[int, str] | None:
    """Return where the deflated bytes of a local zip entry begin, and its name; None when it is not deflated."""
    head = data[start : start + 30]
    if len(head) < 30:
        return None
    flags, method = int.from_bytes(head[6:8], "little"), int.from_bytes(head[8:10], "little")
    name, extra = int.from_bytes(head[26:28], "little"), int.from_bytes(head[28:30], "little")
    if method != 8 or flags & 1:
        return None
    return start + 30 + name + extra, data[start + 30 : start + 30 + min(name, 255)].decode("utf-8", "replace")


def part_at(data: Buffer, start: int, budget: Budget) -> InflatedPart | None:
    """Return the part whose head (see :func:`heads`) stands at ``start``, or None when there is none after all."""
    if not budget.allows():
        return None
    head = data[start : start + 2]
    begin, wbits, label = start, 15, f"zlib part at byte {start:,}"
    if head == b"\x1f\x8b":
        wbits, label = 31, f"gzip part at byte {start:,}"
    elif head == b"PK":
        member = _zip_member(data, start)
        if member is None:
            return None
        begin, wbits, label = member[0], -15, f"zip member “{member[1]}” at byte {start:,}"
    elif int.from_bytes(head, "big") % 31:
        return None
    found = _inflate(data, begin, wbits, budget)
    if found is None:
        return None
    budget.left -= len(found[0])
    budget.parts -= 1
    return InflatedPart(found[0], label, start, found[1])


def heads(data: bytes) -> list[int]:
    """Return where a deflated part may begin, in order."""
    return sorted(match.start() for head in _HEADS for match in head.finditer(data))


def parts_of(data: bytes, budget: Budget) -> Iterator[InflatedPart]:
    """Yield the deflated parts of ``data``, one behind the other."""
    here = 0
    for start in heads(data):
        if start >= here and (part := part_at(data, start, budget)):
            here = max(part.end, start + 1)
            yield part
