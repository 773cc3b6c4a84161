"""A third set of made-up patches, frozen before the reading was first run on it: nothing is fitted to its cases."""

from __future__ import annotations

import random
import struct
import unicodedata
import zlib
from collections.abc import Callable
from typing import Final, NamedTuple

from tests.contents.made_patches import Item, Patch

ENCODINGS: Final = ("utf-8", "utf-8", "utf-8", "utf-16-le", "utf-16-be", "cp1252")
_LATIN: Final = (
    "Marimba",
    "vibes",
    "Bow",
    "pluck-short",
    "No. 7",
    "gr. Trommel",
    "Flöte",
    "pédale",
    "m",
    "T1",
    "hit_it",
)
_FAR: Final = ("かね", "石", "Звон", "μικρό")


def _files(rng: random.Random, count: int, encoding: str) -> list[str]:
    """One or several folders, each name with what tells it apart in front, behind or both."""
    folders = rng.choice((("",), ("Instrument/Audio/",), ("a/", "b/", "a/b/"), ("Long Name of It/Recordings 2024/",)))
    stems = (*_LATIN, *_FAR) if encoding.startswith("utf") and rng.random() < 0.25 else _LATIN
    suffix, shape = rng.choice((".wav", ".flac", ".ogg", ".aiff", ".Wav")), rng.randrange(4)
    found: set[str] = set()
    while len(found) < count:
        number, stem = rng.randrange(6 * count + 3), rng.choice(stems)
        key = f"{rng.choice('CDEFGAB')}{rng.choice(['', '#'])}{rng.randrange(-1, 8)}"
        name = (f"{number:03} {stem}", f"{stem}-{key}-{number}", f"{key}", f"{stem} ({number}) {key}")[shape]
        found.add(rng.choice(folders) + name + ("" if shape != 2 or len(found) < 60 else f"_{number}") + suffix)
    return sorted(found)


def _wrong(rng: random.Random, path: str) -> tuple[str, str]:
    """Return ``path`` with a fault, and which: what is missing may end in what is there, or begin as it does."""
    folder, _, name = path.rpartition("/")
    folder += "/" * bool(folder)
    stem, _, suffix = name.rpartition(".")
    kind = rng.choice(["missing", "absolute", "home", "climb", "case", "drive", "norm"])
    if kind == "missing":
        gone = (f"old {name}", f"{stem} copy {rng.randrange(99)}.{suffix}", f"zz{rng.randrange(10**5)}.{suffix}")
        return folder + rng.choice(gone), kind
    if kind == "norm":
        text = unicodedata.normalize("NFD", path)
        return text, kind if text != path else "ok"
    if kind == "case":
        text = folder + (name.upper() if name.upper() != name else name.lower())
        return text, kind if text != path else "ok"
    return {
        "absolute": rng.choice(("/Volumes/T7/", "/mnt/audio/", "\\\\nas\\takes\\")) + path,
        "home": rng.choice(("/home/ben/Music/", "C:/Users/Eva/Desktop/", "/Users/Eva M/")) + path,
        "drive": rng.choice(("E:\\Takes\\", "D:/Work/")) + path,
        "climb": rng.choice(("../", "../../Pool/")) + path,
    }[kind], kind


def _written(rng: random.Random, files: list[str], encoding: str, share: float) -> list[tuple[str, str]]:
    bare = rng.random() < 0.3
    found = []
    for path in rng.sample(files, len(files)):
        text, kind = _wrong(rng, path) if rng.random() < share else (path, "ok")
        if bare and kind in ("ok", "missing", "case", "norm"):
            text = text.rpartition("/")[2]
        if not encoding.startswith("utf"):
            composed = unicodedata.normalize("NFC", text)
            text, kind = composed, kind if composed == text else "ok"
        found.append((text, kind))
    return found


class _Name(NamedTuple):
    """A name to be written: which it is, its bytes, the name before it, a zero, and the bytes of a buffer for any."""

    rng: random.Random
    number: int
    raw: bytes
    last: bytes
    zero: bytes
    buffer: int


def _varint(number: int) -> bytes:
    out = bytearray()
    while number > 127:
        out.append(number & 127 | 128)
        number >>= 7
    return bytes([*out, number])


def _cbor(n: _Name) -> tuple[bytes, bytes]:
    mark, size = 0x60 if len(n.zero) == 1 else 0x40, len(n.raw)
    head = bytes([mark | size]) if size < 24 else bytes([mark | 24, size]) if size < 256 else b"\x79" + size.to_bytes(2)
    return b"\xa2\x64file" + head, b"\x64gain\xfa" + struct.pack(">f", n.rng.random())


def _reused(n: _Name) -> tuple[bytes, bytes]:
    """A buffer that held the name before: what that was longer stays behind the zero."""
    tail = n.last[len(n.raw) + len(n.zero) :]
    return struct.pack("<I", n.number), n.zero + tail + bytes(n.buffer - len(n.raw) - len(n.zero) - len(tail))


def _nested(n: _Name) -> tuple[bytes, bytes]:
    inner = b"\x12" + _varint(len(n.raw))
    return b"\x0a" + _varint(len(inner) + len(n.raw) + 3) + inner, b"\x18\x80\x01"


def _pascal(n: _Name) -> tuple[bytes, bytes]:
    return bytes([len(n.raw) // len(n.zero) % 256]), bytes(n.buffer - len(n.raw))


def _columns(n: _Name) -> tuple[bytes, bytes]:
    """A row of a table: sizes of its columns in front, then the columns run together: a title, the name, a number."""
    title = n.rng.choice((b"Zone", b"Layer 2", b"x")).decode().encode("ascii")
    sizes = bytes([5, 13 + 2 * len(title)]) + _varint(13 + 2 * len(n.raw)) + b"\x01"
    return _varint(len(title) + len(n.raw) + 6) + _varint(n.number + 1) + sizes + title, bytes([n.number % 128])


LAYOUTS: Final[dict[str, Callable[[_Name], tuple[bytes, bytes]]]] = {
    "decimal counts": lambda n: (str(len(n.raw)).encode() + b":", b"i%de" % n.number),
    "netstrings": lambda n: (str(len(n.raw)).encode() + b":", b","),
    "cbor": _cbor,
    "reused buffers": _reused,
    "nested": _nested,
    "pascal": _pascal,
    "columns": _columns,
    "marked strings": lambda n: (b"\xef\xbb\xbf" if len(n.zero) == 1 else "\ufeff".encode("utf-16-le"), n.zero),
    "checked": lambda n: (struct.pack(">H", len(n.raw)), struct.pack("<I", zlib.crc32(n.raw))),
    "typed": lambda n: (bytes([n.rng.choice((1, 2, 65, 66)), 0]) + struct.pack("<H", len(n.raw)), b""),
    "pairs": lambda n: (b"name" + n.zero + b"Z%d" % n.number + n.zero + b"file" + n.zero, n.zero),
    "colours": lambda n: (n.rng.randbytes(3) + b"\xff" + struct.pack(">I", len(n.raw) // len(n.zero)), n.zero),
    "lines of settings": lambda n: (b"\nSample=", b"\nVolume=%d.5" % (n.number % 9)),
    "pool and folders": lambda n: (b"", n.zero),
}
_NARROW: Final = ("decimal counts", "netstrings", "columns", "pairs", "lines of settings")


def make(seed: int) -> Patch:
    """Return the patch of ``seed``."""
    rng = random.Random(f"third {seed}")
    layout, encoding = rng.choice(list(LAYOUTS)), rng.choice(ENCODINGS)
    if layout in _NARROW and encoding.startswith("utf-16"):
        encoding = "utf-8"
    if layout == "marked strings" and encoding == "utf-16-be":
        encoding = "utf-16-le"
    files = _files(rng, rng.choice([1, 3, 8, 14, 25, 60, 200, 500]), encoding)
    names = _written(rng, files, encoding, rng.choice([0, 0, 0.02, 0.1, 0.4, 1.0]))
    zero = "\0".encode(encoding)
    buffer = max(len(text.encode(encoding)) for text, _ in names) + rng.randrange(4, 60)
    body, places, last = bytearray(), [], b""
    for index, (text, _) in enumerate(names):
        raw = text.encode(encoding)
        before, after = LAYOUTS[layout](_Name(rng, index, raw, last, zero, buffer))
        last = (raw + zero + last[len(raw) + len(zero) :])[:buffer]
        places.append(len(body) + len(before))
        body += before + raw + after
    head = b"INS\x02" + struct.pack(">I", len(names)) + rng.randbytes(rng.randrange(20))
    if layout == "pool and folders":
        head += b"".join(struct.pack("<HI", rng.randrange(9), at) for at in places) + zero
    items = tuple(Item(text, kind, len(head) + at) for (text, kind), at in zip(names, places, strict=True))
    return Patch(layout, encoding, tuple(files), head + bytes(body) + b"\0\xff" + rng.randbytes(9), items)
