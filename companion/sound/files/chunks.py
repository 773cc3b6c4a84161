"""What an audio file says of itself: format, root note, ranges, loops and texts, read from its chunks by us.

Nothing in a file is trusted: sizes are held against what is there, at most ``MOST_CHUNKS`` chunks are walked, and at
most ``MOST_TEXT`` bytes of any text are read. No sample is decoded here, so this is cheap and safe in the main process.
"""

import struct
from collections.abc import Iterator
from typing import BinaryIO, Final

import msgspec

MOST_CHUNKS: Final = 4096
MOST_TEXT: Final = 1 << 16
MOST_LOOPS: Final = 64
_ENCODINGS: Final = ("latin-1", "utf-16", "utf-16-be", "utf-8")
"""Of ID3v2, by number."""

RANGES: Final = ("low_key", "high_key", "low_velocity", "high_velocity")
PLACING: Final = ("root_note", "fine_cents", *RANGES)
"""The fields that say where a sample plays."""


class Loop(msgspec.Struct, frozen=True):
    """A loop in frames: from ``start`` up to, not including, ``end``. kind: forward, alternating or backward."""

    start: int
    end: int
    kind: str = "forward"


class Chunks(msgspec.Struct, kw_only=True):
    """What the header and the chunks of one file say. Its reader fills it in as it walks them; then it stays so.

    format: WAV, RF64, W64, AIFF, AIFC, FLAC, OGG, MP3, CAF, AU, or empty when it is none of them.
    coding: ``PCM``, ``float`` or another name. rate: Hz; channels; bits: per sample as stored.
    frames_promised: what the header claims; frames_present: what the bytes suffice for. None: cannot be told
    without decoding.
    root_note: MIDI note 0–127; fine_cents: how far the recording lies above it (0 to under 100, or −50…50).
    texts: (where, text) as found, not made safe for display. problem: why the header does not read; empty when it does.
    """

    format: str = ""
    coding: str = ""
    rate: int = 0
    channels: int = 0
    bits: int = 0
    frames_promised: int | None = None
    frames_present: int | None = None
    root_note: int | None = None
    fine_cents: float = 0.0
    low_key: int | None = None
    high_key: int | None = None
    low_velocity: int | None = None
    high_velocity: int | None = None
    loops: tuple[Loop, ...] = ()
    texts: tuple[tuple[str, str], ...] = ()
    truncated: bool = False
    problem: str = ""

    def add_text(self, where: str, raw: bytes) -> None:
        """Keep a text of the file, up to its first NUL; UTF-8 where it reads so, else Latin-1."""
        raw = raw.split(b"\0", 1)[0].strip()
        if raw and len(self.texts) < MOST_CHUNKS:
            try:
                text = raw.decode("utf-8")
            except UnicodeDecodeError:
                text = raw.decode("latin-1")
            self.texts += ((where, text),)

    def set_key(self, name: str, value: int) -> None:
        """Keep a MIDI value when it is one."""
        if 0 <= value <= 127:
            setattr(self, name, value)

    def set_instrument(self, note: int, detune: int, *ranges: int) -> None:
        """Keep an instrument chunk's note and ranges (keys, then velocities); a note that is known already stays."""
        if self.root_note is None:
            self.set_key("root_note", note)
            # ``detune`` is what playback adds, so the recording lies that much the other way.
            self.fine_cents = float(-detune) if -50 <= detune <= 50 else 0.0
        for name, value in zip(RANGES, ranges, strict=True):
            self.set_key(name, value)


class Chunk:
    """One chunk: its id, where its body lies, how much it promises and how much of that the file holds."""

    def __init__(self, stream: BinaryIO, name: bytes, start: int, size: int, held: int) -> None:
        self.stream, self.name, self.start, self.size, self.held = stream, name, start, size, held

    def body(self, most: int = MOST_TEXT) -> bytes:
        """Return the body, at most ``most`` bytes of it."""
        self.stream.seek(self.start)
        return self.stream.read(min(self.held, most))


def walk(stream: BinaryIO, start: int, end: int, order: str) -> Iterator[Chunk]:
    """Yield the chunks of an IFF-like region (8-byte heads, padded to even); ``order`` is ``<`` or ``>``."""
    place = start
    for _ in range(MOST_CHUNKS):
        if place + 8 > end:
            return
        stream.seek(place)
        head = stream.read(8)
        if len(head) < 8:
            return
        (size,) = struct.unpack(f"{order}I", head[4:])
        yield Chunk(stream, head[:4], place + 8, size, max(0, min(size, end - place - 8)))
        place += 8 + size + (size & 1)


def plain_name(raw: bytes) -> str:
    """Return a chunk's id as text."""
    return raw.decode("latin-1").strip()


def read_mp3(stream: BinaryIO, size: int) -> Chunks:
    """Return the tag of an MPEG audio file; its format is left to the decoder."""
    found = Chunks(format="MP3", coding="MPEG layer III")
    stream.seek(0)
    read_id3(found, stream.read(min(size, MOST_TEXT)))
    return found


def _size(raw: bytes, *, synchsafe: bool) -> int:
    size = 0
    for byte in raw:
        size = size << (7 if synchsafe else 8) | (byte & 0x7F if synchsafe else byte)
    return size


def read_id3(found: Chunks, body: bytes) -> None:
    """Keep the texts of an ID3v2 tag (informal standards 2.3 and 2.4): ``T…``, ``W…``, ``COMM`` and ``PRIV`` frames."""
    if body[:3] != b"ID3" or len(body) < 20 or body[3] not in (3, 4):
        return
    end = min(len(body), 10 + _size(body[6:10], synchsafe=True))
    place = 10
    if body[5] & 0x40:
        place += _size(body[10:14], synchsafe=body[3] == 4) + (4 if body[3] == 3 else 0)
    while place + 10 <= end and body[place : place + 1].isalpha():
        name = body[place : place + 4].decode("latin-1")
        length = _size(body[place + 4 : place + 8], synchsafe=body[3] == 4)
        content = body[place + 10 : min(end, place + 10 + length)]
        place += 10 + length
        if name[0] == "T" or name == "COMM":
            _text(found, name, content)
        elif name[0] == "W" or name == "PRIV":
            found.add_text(f"ID3 {name}", content)


def _text(found: Chunks, name: str, content: bytes) -> None:
    if not content or content[0] >= len(_ENCODINGS):
        return
    rest = content[4:] if name == "COMM" else content[1:]
    text = rest.decode(_ENCODINGS[content[0]], "replace").replace("\ufeff", "")
    found.add_text(f"ID3 {name}", " ".join(part for part in text.split("\0") if part).encode("utf-8", "replace"))
