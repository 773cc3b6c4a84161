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
RANGES: Final = ("low_key", "high_key", "low_velocity", "high_velocity")
PLACING: Final = ("root_note", "fine_cents", *RANGES)
"""The fields that say where a sample plays."""


class Loop(msgspec.Struct, frozen=True):
    """A loop in frames: from ``start`` up to, not including, ``end``. kind: forward, alternating or backward."""

    start: int
    end: int
    kind: str = "forward"


class Chunks(msgspec.Struct, frozen=True, kw_only=True):
    """What the header and the chunks of one file say.

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


class ChunksBuilder:
    """What a parser gathers while it walks; :meth:`chunks` turns it into the frozen result."""

    def __init__(self, kind: str) -> None:
        self.values: dict[str, object] = {"format": kind}
        self.loops: list[Loop] = []
        self.texts: list[tuple[str, str]] = []

    def text(self, where: str, raw: bytes) -> None:
        """Keep a text of the file, up to its first NUL; UTF-8 where it reads so, else Latin-1."""
        raw = raw.split(b"\0", 1)[0].strip()
        if raw and len(self.texts) < MOST_CHUNKS:
            try:
                text = raw.decode("utf-8")
            except UnicodeDecodeError:
                text = raw.decode("latin-1")
            self.texts.append((where, text))

    def key(self, name: str, value: int) -> None:
        """Keep a MIDI value when it is one."""
        if 0 <= value <= 127:
            self.values[name] = value

    def instrument(self, note: int, detune: int, *ranges: int) -> None:
        """Keep an instrument chunk's note and ranges (keys, then velocities); a note that is known already stays."""
        if "root_note" not in self.values:
            self.key("root_note", note)
            # ``detune`` is what playback adds, so the recording lies that much the other way.
            self.values["fine_cents"] = float(-detune) if -50 <= detune <= 50 else 0.0
        for name, value in zip(RANGES, ranges, strict=True):
            self.key(name, value)

    def chunks(self) -> Chunks:
        """Return the frozen result."""
        return msgspec.convert({**self.values, "loops": tuple(self.loops), "texts": tuple(self.texts)}, Chunks)


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
