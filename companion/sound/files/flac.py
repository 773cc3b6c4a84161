"""Metadata of FLAC (RFC 9639) and Ogg (RFC 3533) files: stream info, comments, foreign RIFF or AIFF chunks."""

import io
from typing import BinaryIO, Final

import msgspec

from companion.sound.files.aiff import read_aiff
from companion.sound.files.chunks import MOST_TEXT, PLACING, Chunks, ChunksBuilder
from companion.sound.files.riff import read_riff

_MOST_BLOCKS: Final = 512
_MOST_COMMENTS: Final = 1024
_STREAMINFO, _APPLICATION, _COMMENT = 0, 2, 4


def read_flac(stream: BinaryIO, size: int) -> Chunks:
    """Return what a FLAC file says of itself. Frames present can only be told by decoding."""
    found = ChunksBuilder("FLAC")
    found.values["coding"] = "PCM"
    foreign: dict[bytes, list[bytes]] = {}
    place = 4
    for _ in range(_MOST_BLOCKS):
        stream.seek(place)
        head = stream.read(4)
        length = int.from_bytes(head[1:4], "big")
        if len(head) < 4 or place + 4 + length > size:
            found.values["truncated"] = True
            break
        kind = head[0] & 0x7F
        if kind == _STREAMINFO:
            _stream_info(found, stream.read(min(length, 34)))
        elif kind == _COMMENT:
            read_comments(found, stream.read(min(length, MOST_TEXT)))
        elif kind == _APPLICATION and length >= 4:
            body = stream.read(min(length, MOST_TEXT))
            foreign.setdefault(body[:4], []).append(body[4:])
        place += 4 + length
        if head[0] & 0x80:
            break
    if place >= size:
        found.values["truncated"] = True  # the head is all there is
    if "rate" not in found.values:
        found.values["problem"] = "the stream info block is missing or damaged"
    return _with_foreign(found.chunks(), foreign)


def _stream_info(found: ChunksBuilder, body: bytes) -> None:
    if len(body) < 18:
        return
    packed = int.from_bytes(body[10:18], "big")
    found.values["rate"] = packed >> 44
    found.values["channels"] = (packed >> 41 & 7) + 1
    found.values["bits"] = (packed >> 36 & 31) + 1
    found.values["frames_promised"] = (packed & (1 << 36) - 1) or None


def read_comments(found: ChunksBuilder, body: bytes) -> None:
    """Keep the texts of a Vorbis comment block: little-endian lengths, vendor first, then ``NAME=text``."""
    if len(body) < 8:
        return
    place = 4 + int.from_bytes(body[:4], "little")
    count = int.from_bytes(body[place : place + 4], "little")
    place += 4
    for _ in range(min(count, _MOST_COMMENTS)):
        if place + 4 > len(body):
            break
        length = int.from_bytes(body[place : place + 4], "little")
        name, _, text = body[place + 4 : place + 4 + length].partition(b"=")
        if len(name) < 64:
            found.text(f"comment {name.decode('latin-1')}", text)
        place += 4 + length


def _with_foreign(chunks: Chunks, foreign: dict[bytes, list[bytes]]) -> Chunks:
    """Add root note, ranges, loops and texts out of RIFF or AIFF chunks kept in application blocks.

    The reference encoder keeps them one chunk a block, the first with the form's head, under ``riff`` or ``aiff``.
    """
    kept = chunks
    for name, reader, head in ((b"riff", read_riff, b"RIFF\0\0\0\0WAVE"), (b"aiff", read_aiff, b"FORM\0\0\0\0AIFF")):
        bodies = [body for body in foreign.get(name, []) if body[:4] not in (head[:4], b"data", b"SSND")]
        if not bodies:
            continue
        data = head + b"".join(body + b"\0" * (len(body) & 1) for body in bodies)
        inner = reader(io.BytesIO(data), len(data))
        placed = {name: getattr(inner, name) for name in PLACING}
        kept = msgspec.structs.replace(kept, **placed, loops=inner.loops, texts=kept.texts + inner.texts)
    return kept


def read_ogg(stream: BinaryIO, size: int) -> Chunks:
    """Return the comments of an Ogg file; its format is left to the decoder.

    The comment header is the second packet; its pages are joined as far as ``MOST_TEXT`` bytes.
    """
    found = ChunksBuilder("OGG")
    stream.seek(0)
    data = stream.read(min(size, MOST_TEXT))
    place, body = 0, b""
    while data[place : place + 4] == b"OggS" and place + 27 <= len(data):
        lengths = data[place + 27 : place + 27 + data[place + 26]]
        start = place + 27 + len(lengths)
        body += data[start : start + sum(lengths)]
        place = start + sum(lengths)
    for mark in (b"\x03vorbis", b"OpusTags"):
        where = body.find(mark)
        if where >= 0:
            found.values["coding"] = "Vorbis" if mark[0] == 3 else "Opus"
            read_comments(found, body[where + len(mark) :])
            break
    return found.chunks()
