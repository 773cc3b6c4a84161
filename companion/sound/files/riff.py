"""Chunks of RIFF/WAVE, RF64 (EBU Tech 3306, ITU-R BS.2088) and Sony Wave64 files.

``smpl`` and ``inst`` after the Multimedia Programming Interface and Data Specifications 1.0 and its 1994 update;
``bext`` after EBU Tech 3285; ``iXML`` is kept as its text.
"""

import struct
from collections.abc import Iterator
from itertools import islice
from typing import BinaryIO, Final

from companion.sound.files.chunks import MOST_CHUNKS, MOST_LOOPS, Chunk, Chunks, Loop, plain_name, read_id3, walk

W64_RIFF: Final = b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\x00\x00"
W64_WAVE: Final = b"wave\xf3\xac\xd3\x11\x8c\xd1\x00\xc0\x4f\x8e\xdb\x8a"
_UNKNOWN: Final = 0xFFFFFFFF
_CODINGS: Final = {
    1: "PCM",
    2: "MS ADPCM",
    3: "float",
    6: "A-law",
    7: "µ-law",
    0x11: "IMA ADPCM",
    0x55: "MPEG layer III",
}
_TEXT_CHUNKS: Final = (b"iXML", b"axml", b"aXML", b"_PMX")
_BEXT: Final = (("description", 0, 256), ("originator", 256, 32), ("originator reference", 288, 32), ("date", 320, 10))
_BEXT_HISTORY: Final = 602
_LOOP_KINDS: Final = {0: "forward", 1: "alternating", 2: "backward"}


def read_riff(stream: BinaryIO, size: int) -> Chunks:
    """Return what a WAVE file in RIFF, RIFX, RF64 or BW64 says of itself."""
    stream.seek(0)
    kind = stream.read(4)
    found = Chunks(format="WAV" if kind in (b"RIFF", b"RIFX") else "RF64")
    order = ">" if kind == b"RIFX" else "<"
    return _gather(found, walk(stream, 12, size, order), size, order)


def read_w64(stream: BinaryIO, size: int) -> Chunks:
    """Return what a Wave64 file says of itself."""
    return _gather(Chunks(format="W64"), _walk_w64(stream, size), size, "<")


def _walk_w64(stream: BinaryIO, size: int) -> Iterator[Chunk]:
    place = 40
    for _ in range(MOST_CHUNKS):
        stream.seek(place)
        head = stream.read(24)
        if len(head) < 24:
            return
        whole = int.from_bytes(head[16:], "little")
        if whole < 24:
            return
        yield Chunk(stream, head[:4], place + 24, whole - 24, max(0, min(whole - 24, size - place - 24)))
        place += (whole + 7) & ~7


def _gather(found: Chunks, parts: Iterator[Chunk], size: int, order: str) -> Chunks:
    data: tuple[int, int] | None = None
    align = 0
    promised64: int | None = None
    for part in parts:
        if part.name == b"ds64" and found.format == "RF64":
            body = part.body(24)
            promised64 = int.from_bytes(body[8:16], "little") if len(body) >= 16 else None
        elif part.name == b"fmt ":
            align = _format(found, part.body(64), order)
        elif part.name == b"data" and data is None:
            data = _data(part, size, promised64)
            if promised64 is not None and part.size == _UNKNOWN:
                # Behind a long data chunk its 32-bit size misleads: walk on from where the data really ends.
                for later in walk(part.stream, part.start + promised64 + (promised64 & 1), size, order):
                    _others(found, later, order)
                break
        else:
            _others(found, part, order)
    _count(found, data, align)
    return found


def _data(part: Chunk, size: int, promised: int | None) -> tuple[int, int]:
    """Return (bytes promised, bytes present). A size of all ones or, in a stream, zero means "to the end"."""
    there = max(0, size - part.start)
    if part.size != _UNKNOWN:
        return part.size, part.held
    return (there, there) if promised is None else (promised, min(promised, there))


def _count(found: Chunks, data: tuple[int, int] | None, align: int) -> None:
    if data is None:
        found.problem = "the file holds no sound data" if align else "the file holds neither format nor data"
        return
    if not align:
        found.problem = "the format chunk is missing or damaged"
        return
    found.truncated = data[1] < data[0]
    if found.coding in ("PCM", "float", "A-law", "µ-law"):
        found.frames_promised = data[0] // align
        found.frames_present = data[1] // align


def _format(found: Chunks, body: bytes, order: str) -> int:
    if len(body) < 16:
        return 0
    tag, channels, rate, _, align, bits = struct.unpack(f"{order}HHIIHH", body[:16])
    if tag == 0xFFFE and len(body) >= 26:
        tag = int.from_bytes(body[24:26], "little")
    found.coding = _CODINGS.get(tag, f"format {tag:#06x}")
    found.rate, found.channels, found.bits = rate, channels, bits
    return int(align)


def _others(found: Chunks, part: Chunk, order: str) -> None:
    if part.name == b"smpl":
        _sampler(found, part.body(36 + 24 * MOST_LOOPS), order)
    elif part.name == b"inst":
        if len(body := part.body(7)) == 7:
            found.set_instrument(*struct.unpack("2bx4b", body))  # the byte left out is a gain
    elif part.name == b"LIST":
        _list(found, part, order)
    elif part.name == b"bext":
        body = part.body()
        for name, start, length in _BEXT:
            found.add_text(f"bext {name}", body[start : start + length])
        found.add_text("bext coding history", body[_BEXT_HISTORY:])
    elif part.name in (b"id3 ", b"ID3 "):
        read_id3(found, part.body())
    elif part.name in _TEXT_CHUNKS:
        found.add_text(plain_name(part.name), part.body())


def _sampler(found: Chunks, body: bytes, order: str) -> None:
    if len(body) < 36:
        return
    fields = struct.unpack(f"{order}9I", body[:36])
    found.set_key("root_note", fields[3])
    # The fraction is of a semitone, upward: 0x80000000 is half of one.
    found.fine_cents = 100.0 * fields[4] / 2**32
    held = (len(body) - 36) // 24
    for _, kind, start, end, _, _ in islice(struct.iter_unpack(f"{order}6I", body[36 : 36 + 24 * held]), fields[7]):
        # ``dwEnd`` is the last frame that is played.
        found.loops += (Loop(start, end + 1, _LOOP_KINDS.get(kind, "forward")),)


def _list(found: Chunks, part: Chunk, order: str) -> None:
    kind = part.body(4)
    for inner in walk(part.stream, part.start + 4, part.start + part.held, order):
        if kind == b"INFO":
            found.add_text(f"INFO {plain_name(inner.name)}", inner.body())
        elif kind == b"adtl" and inner.name in (b"labl", b"note"):
            found.add_text(f"cue {plain_name(inner.name)}", inner.body()[4:])
        elif kind == b"adtl" and inner.name == b"ltxt":
            found.add_text("cue ltxt", inner.body()[20:])
