"""A second set of made-up patches, in layouts that the reading was not made by: nothing is fitted to it."""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable
from typing import Final, NamedTuple

from tests.contents.made_patches import Item, Patch, written

ENCODINGS: Final = ("utf-8", "utf-8", "utf-8", "utf-16-le", "utf-16-be", "cp1252", "mac-roman")
STEMS: Final = ("kick", "big kick", "k", "1", "01 tom", "tom #2", "tom", "Glas & Stein", "ton é", "näher", "a.b", "x-1")


def _files(rng: random.Random, count: int) -> list[str]:
    """Names that end in one another, digits first, one letter, spaces, ``#``, accents; in folders or in none."""
    folders = rng.choice([("Audio/One Shots/",), ("Samples/close/", "Samples/far/"), ("",), ("Kit.samples/",)])
    suffix = rng.choice((".wav", ".WAV", ".aiff", ".flac"))
    found: set[str] = set()
    while len(found) < count:
        number = rng.choice(
            ["", f" {rng.randrange(9 * count)}", f"_{rng.randrange(9 * count):05}", f" v{rng.randrange(128)}"]
        )
        found.add(rng.choice(folders) + rng.choice(STEMS) + number + rng.choice(["", "", " rr2"]) + suffix)
        if len(found) < count and rng.random() < 0.3:
            found.add(f"{rng.choice(folders)}{rng.randrange(10 * count)}{suffix}")
    return sorted(found)


def _varint(number: int) -> bytes:
    return bytes([number]) if number < 128 else bytes([number & 127 | 128, number >> 7])


def _message(size: int) -> bytes:
    return bytes([0xA0 | size]) if size < 32 else b"\xd9" + bytes([size]) if size < 256 else b"\xda" + size.to_bytes(2)


class _Name(NamedTuple):
    """A name to be written: the bytes of a record, which name it is, its bytes, and a zero."""

    rng: random.Random
    number: int
    raw: bytes
    zero: bytes
    record: int

    @property
    def units(self) -> int:
        return len(self.raw) // len(self.zero)


def _labelled(n: _Name) -> tuple[bytes, bytes]:
    label = n.rng.choice((b"Kick", b"Zone %d" % n.number, b"C#3", b""))
    return struct.pack("<H", len(label)) + label + struct.pack("<H", len(n.raw)), b""


def _chunk(n: _Name) -> tuple[bytes, bytes]:
    size = struct.pack(">I", len(n.raw))
    return b"zone\0\0\0\x08" + n.rng.randbytes(8) + b"file" + size, bytes(len(n.raw) % 2)


def _zone(n: _Name) -> tuple[bytes, bytes]:
    """As many numbers as the zone has, then the name."""
    return b"".join(struct.pack("<d", n.rng.random() * 9) for _ in range(n.rng.randrange(1, 5))) + b"\1\0\0\0", n.zero


def _listed(n: _Name) -> tuple[bytes, bytes]:
    mark = 0x50 if len(n.zero) == 1 else 0x60
    size = bytes([mark | n.units]) if n.units < 15 else bytes([mark | 15, 0x10, n.units])
    return size, b"\x10" + bytes([n.number % 256])


def _setting(n: _Name) -> tuple[bytes, bytes]:
    return b"\x02sample_path\0" + struct.pack(">H", len(n.raw)), b"\x03gain\0" + struct.pack(">f", n.rng.random())


LAYOUTS: Final[dict[str, Callable[[_Name], tuple[bytes, bytes]]]] = {
    "label and count": _labelled,
    "chunks": _chunk,
    "spaces": lambda n: (b"", (b" " if len(n.zero) == 1 else n.zero) * ((n.record - len(n.raw)) // len(n.zero))),
    "filler": lambda n: (b"", n.zero + b"\xff" * (n.record - len(n.raw) - len(n.zero))),
    "zones": _zone,
    "varint": lambda n: (b"\x0a" + _varint(len(n.raw)), b"\x10" + bytes([n.rng.randrange(1, 127)])),
    "messages": lambda n: (
        b"\x82\xa4root" + bytes([n.rng.randrange(128)]) + b"\xa4path" + _message(len(n.raw)),
        b"",
    ),
    "count 24": lambda n: (n.rng.randbytes(3) + n.units.to_bytes(3, "little"), b""),
    "count of all": lambda n: (struct.pack("<I", len(n.raw) + 4 + len(n.zero)), n.zero),
    "float and count": lambda n: (struct.pack("<fH", n.rng.random() * 99, len(n.raw)), b"\0\0"),
    "settings": _setting,
    "strings of a list": _listed,
    "table behind": lambda n: (b"", n.zero),
    "deflated": lambda n: (b"", n.zero),
    "parts": lambda n: (b"", n.zero),
}


def make(seed: int) -> Patch:
    """Return the patch of ``seed``."""
    rng = random.Random(f"other {seed}")
    count = rng.choice([1, 2, 5, 9, 15, 40, 120, 300, 1000])
    files = _files(rng, count)
    layout, encoding = rng.choice(list(LAYOUTS)), rng.choice(ENCODINGS)
    names = written(rng, files, encoding, rng.choice([0, 0, 0.01, 0.1, 0.3, 0.7, 1.0]))
    if layout == "strings of a list" and (encoding == "utf-16-le" or max(len(text) for text, _ in names) > 255):
        return make(seed + 10**6)
    zero = "\0".encode(encoding)
    longest = max(len(text.encode(encoding)) for text, _ in names)
    record = (longest + 2 * rng.randrange(2, 30)) // 8 * 8 + 8
    body, places, parts = bytearray(), [], []
    for index, (text, _) in enumerate(names):
        raw = text.encode(encoding)
        before, after = LAYOUTS[layout](_Name(rng, index, raw, zero, record))
        places.append(len(body) + len(before))
        body += before + raw + after
        if layout == "parts" and index % 50 == 49:
            parts.append(bytes(body))
            body = bytearray()
    head = b"\x7fKIT" + struct.pack("<II", rng.randrange(9), len(names)) + rng.randbytes(rng.randrange(24))
    tail = rng.randbytes(rng.randrange(40))
    if layout in ("deflated", "parts"):
        packed = [zlib.compress(part) for part in (*parts, bytes(body)) if part]
        data, shift = head + rng.randbytes(5).join(packed) + tail, 0
    else:
        if layout == "table behind":
            tail = b"".join(struct.pack("<I", len(head) + at) for at in places) + tail
        data, shift = head + bytes(body) + tail, len(head)
    items = tuple(Item(text, kind, shift + at) for (text, kind), at in zip(names, places, strict=True))
    return Patch(layout, encoding, tuple(files), data, items)
