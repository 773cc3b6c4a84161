"""Metadata of FLAC (RFC 9639) and Ogg (RFC 3533) files: stream info, comments, foreign RIFF or AIFF chunks."""

import io
from typing import BinaryIO, Final

from companion.sound.files.aiff import read_aiff
from companion.sound.files.chunks import MOST_TEXT, PLACING, Chunks
from companion.sound.files.riff import read_riff

_MOST_BLOCKS: Final = 512
_MOST_COMMENTS: Final = 1024
_STREAMINFO, _APPLICATION, _COMMENT = 0, 2, 4


def read_flac(stream: BinaryIO, size: int) -> Chunks:
    """Return what a FLAC file says of itself. Frames present can only be told by decoding."""
    found = Chunks(format="FLAC", coding="PCM")
    foreign: dict[bytes, list[bytes]] = {}
    place = 4
    for _ in range(_MOST_BLOCKS):
        stream.seek(place)
        head = stream.read(4)
        length = int.from_bytes(head[1:4], "big")
        if len(head) < 4 or place + 4 + length > size:
            found.truncated = True
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
        found.truncated = True  # the head is all there is
    if not found.channels:
        found.problem = "the stream info block is missing or damaged"
    _add_foreign(found, foreign)
    return found


def _stream_info(found: Chunks, body: bytes) -> None:
    if len(body) < 18:
        return
    packed = int.from_bytes(body[10:18], "big")
    found.rate, found.channels, found.bits = packed >> 44, (packed >> 41 & 7) + 1, (packed >> 36 & 31) + 1
    found.frames_promised = (packed & (1 << 36) - 1) or None


def read_comments(found: Chunks, body: bytes) -> None:
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
            found.add_text(f"comment {name.decode('latin-1')}", text)
        place += 4 + length


def _add_foreign(found: Chunks, foreign: dict[bytes, list[bytes]]) -> None:
    """Add root note, ranges, loops and texts out of RIFF or AIFF chunks kept in application blocks.

    The reference encoder keeps them one chunk a block, the first with the form's head, under ``riff`` or ``aiff``.
    """
    for name, reader, head in ((b"riff", read_riff, b"RIFF\0\0\0\0WAVE"), (b"aiff", read_aiff, b"FORM\0\0\0\0AIFF")):
        bodies = [body for body in foreign.get(name, []) if body[:4] not in (head[:4], b"data", b"SSND")]
        if not bodies:
            continue
        data = head + b"".join(body + b"\0" * (len(body) & 1) for body in bodies)
        inner = reader(io.BytesIO(data), len(data))
        for field in (*PLACING, "loops"):
            setattr(found, field, getattr(inner, field))
        found.texts += inner.texts


def read_ogg(stream: BinaryIO, size: int) -> Chunks:
    """Return the comments of an Ogg file; its format is left to the decoder.

    The comment header is the second packet; its pages are joined as far as ``MOST_TEXT`` bytes.
    """
    found = Chunks(format="OGG")
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
            found.coding = "Vorbis" if mark[0] == 3 else "Opus"
            read_comments(found, body[where + len(mark) :])
            break
    return found
