"""Chunks of AIFF 1.3 and AIFF-C files: ``COMM SSND MARK INST NAME AUTH (c) ANNO COMT ID3``."""

import struct
from typing import BinaryIO, Final

from companion.sound.files.chunks import MOST_CHUNKS, Chunk, Chunks, Loop, plain_name, read_id3, walk

_FLOATS: Final = (b"fl32", b"FL32", b"fl64", b"FL64")
_PLAIN: Final = (b"NONE", b"twos", b"sowt", b"in24", b"in32", b"raw ")
_TEXTS: Final = (b"NAME", b"AUTH", b"(c) ", b"ANNO")


def read_aiff(stream: BinaryIO, size: int) -> Chunks:
    """Return what an AIFF or AIFF-C file says of itself."""
    stream.seek(8)
    compressed = stream.read(4) == b"AIFC"
    found = Chunks(format="AIFC" if compressed else "AIFF")
    marks: dict[int, int] = {}
    sound: Chunk | None = None
    instrument = b""
    for part in walk(stream, 12, size, ">"):
        if part.name == b"COMM":
            _common(found, part.body(64), compressed=compressed)
        elif part.name == b"SSND" and sound is None:
            sound = part
        elif part.name == b"MARK":
            marks = _marks(part.body())
        elif part.name == b"INST":
            instrument = part.body(20)
        elif part.name in _TEXTS:
            found.add_text(plain_name(part.name), part.body())
        elif part.name == b"COMT":
            _comments(found, part.body())
        elif part.name in (b"ID3 ", b"id3 "):
            read_id3(found, part.body())
    _instrument(found, instrument, marks)
    _count(found, sound)
    return found


def extended(raw: bytes) -> float:
    """Return an 80-bit IEEE 754 extended number (10 bytes, big-endian); 0.0 for what no rate can be."""
    exponent = (int.from_bytes(raw[:2], "big") & 0x7FFF) - 16383 - 63
    return 0.0 if not -80 <= exponent < 0 else int.from_bytes(raw[2:10], "big") * 2.0**exponent


def _common(found: Chunks, body: bytes, *, compressed: bool) -> None:
    if len(body) < 18:
        return
    channels, frames, bits = struct.unpack(">hIh", body[:8])
    coding = "PCM"
    if compressed and len(body) >= 22:
        kind = body[18:22]
        coding = "PCM" if kind in _PLAIN else "float" if kind in _FLOATS else plain_name(kind)
    found.channels, found.bits, found.frames_promised = max(0, channels), max(0, bits), frames
    found.rate, found.coding = round(extended(body[8:18])), coding


def _count(found: Chunks, sound: Chunk | None) -> None:
    frames = found.frames_promised
    if frames is None:
        found.problem = "the format chunk is missing or damaged"
        return
    if sound is None:
        if frames:
            found.problem = "the file holds no sound data"
        else:
            found.frames_present = 0
        return
    found.truncated = sound.held < sound.size
    if found.coding in ("PCM", "float"):
        align = found.channels * ((found.bits + 7) // 8)
        offset = int.from_bytes(sound.body(4), "big")
        present = max(0, sound.held - 8 - offset) // align if align else 0
        found.frames_present = min(frames, present)
        found.truncated = present < frames


def _marks(body: bytes) -> dict[int, int]:
    """Return marker positions by id; a marker's name is a Pascal string padded to even length."""
    marks: dict[int, int] = {}
    place = 2
    for _ in range(min(int.from_bytes(body[:2], "big"), MOST_CHUNKS)):
        if place + 7 > len(body):
            break
        number, position, length = struct.unpack(">hIB", body[place : place + 7])
        marks[number] = position
        place += 6 + ((length + 2) & ~1)
    return marks


def _instrument(found: Chunks, body: bytes, marks: dict[int, int]) -> None:
    if len(body) < 20:
        return
    found.set_instrument(*struct.unpack("6b", body[:6]))
    for place in (8, 14):
        mode, begin, end = struct.unpack(">3h", body[place : place + 6])
        if mode in (1, 2) and begin in marks and end in marks:
            # Markers stand between frames, so the end is already exclusive.
            found.loops += (Loop(marks[begin], marks[end], "forward" if mode == 1 else "alternating"),)


def _comments(found: Chunks, body: bytes) -> None:
    place = 2
    for _ in range(min(int.from_bytes(body[:2], "big"), 64)):
        length = int.from_bytes(body[place + 6 : place + 8], "big")
        found.add_text("COMT", body[place + 8 : place + 8 + length])
        place += 8 + length + (length & 1)
