"""Made-up patches in many layouts, each with the list of what stands in it: the set that the reading was made by.

``other_patches.py`` holds a second one, written when the reading stood.
"""

from __future__ import annotations

import random
import struct
import unicodedata
from collections.abc import Callable
from typing import Final, NamedTuple

WORDS: Final = (
    *("ka", "lo", "mi", "ré", "tu", "näh", "so", "bel", "stone", "slate", "E3", "D#4", "02", "rr1", "rr2", "soft"),
    *("loud", "v127", "a", "x", "1", "hum", "Brush", "ölk"),
)
ENCODINGS: Final = ("utf-8", "utf-8", "utf-16-le", "utf-16-be", "latin-1")


class Item(NamedTuple):
    """A name in a patch: its text, what is wrong with it (``ok`` for nothing), and the byte it begins at."""

    text: str
    kind: str
    offset: int


class Patch(NamedTuple):
    """A patch, the files of its folder, and what stands in it. ``part``: the items lie in an unpacked part."""

    layout: str
    encoding: str
    files: tuple[str, ...]
    data: bytes
    items: tuple[Item, ...]


def _files(rng: random.Random, count: int) -> list[str]:
    kind = rng.choice(["plain", "notes", "odd", "short"])
    folders = rng.choice([["Samples/"], ["Samples/Soft/", "Samples/Loud/"], ["A/B/C/"], ["Slate Choir Samples/"], [""]])
    suffix = rng.choice([".wav", ".wav", ".flac", ".aif", ".ogg"])
    found: set[str] = set()
    while len(found) < count:
        if kind == "plain":
            name = f"{rng.choice(WORDS)}_{rng.choice(WORDS)}_{rng.randrange(4000):03}"
        elif kind == "notes":
            name = f"{rng.choice(['C', 'D#', 'E', 'F', 'G#'])}{rng.randrange(8)} {rng.randrange(9999)}"
        elif kind == "odd":
            name = rng.choice(["%d kick", "big%d", "é%d", "%d#a", "snare (%d)", "kick%d"]) % rng.randrange(20_000)
        else:
            name = rng.choice("abcdefgh") + (str(rng.randrange(count * 3)) if count > 8 else "")
        found.add(rng.choice(folders) + name + suffix)
    return sorted(found)


def wrong(rng: random.Random, path: str) -> tuple[str, str]:
    """Return ``path`` with a fault, and which."""
    folder, _, name = path.rpartition("/")
    folder += "/" * bool(folder)
    kind = rng.choice(["missing", "absolute", "home", "climb", "case", "drive", "norm"])
    if kind == "missing":
        stem = rng.choice(["gone", "lost ", "7", "Q", "x_y-"]) + str(rng.randrange(10**6))
        return f"{folder}{stem}.{name.rpartition('.')[2]}", kind
    if kind == "norm":
        text = unicodedata.normalize("NFD", path)
        return text, kind if text != path else "ok"
    return {
        "absolute": f"/Volumes/Work Disk/{path}",
        "home": f"/Users/ada/Music/{path}",
        "drive": "D:\\Projects\\" + path.replace("/", "\\"),
        "climb": f"../../Shared/{path}",
        "case": path.swapcase(),
    }[kind], kind


def written(rng: random.Random, files: list[str], encoding: str, share: float) -> list[tuple[str, str]]:
    """Return the names as a patch writes them, with or without folders, and ``share`` of them with a fault."""
    style = rng.choice(["folder", "bare", "back"])
    order = list(files)
    rng.shuffle(order)
    found = []
    for path in order:
        text, kind = wrong(rng, path) if rng.random() < share else (path, "ok")
        if style == "bare" and kind in ("ok", "missing", "case", "norm"):
            text = text.rpartition("/")[2]
        if style == "back":
            text = text.replace("/", "\\")
        if not encoding.startswith("utf"):
            composed = unicodedata.normalize("NFC", text)
            text, kind = composed, kind if composed == text else "ok"
        found.append((text, kind))
    return found


class _Way(NamedTuple):
    """What a layout is told of one name: where it lands, which it is, its bytes, a zero, and whether one closes it."""

    rng: random.Random
    at: int
    number: int
    raw: bytes
    encoding: str
    zero: bytes
    closing: bytes
    size: int
    size_of_record: int
    noise: int

    def text(self, text: str) -> bytes:
        return text.encode(self.encoding)


_Around = Callable[[_Way], tuple[bytes, bytes]]


def _count(form: str) -> _Around:
    return lambda w: (struct.pack(form, w.size), w.closing)


def _number(form: str, value: Callable[[_Way], float]) -> _Around:
    return lambda w: (struct.pack(form, value(w)), w.closing)


LAYOUTS: Final[dict[str, _Around]] = {
    "count 8": _count("B"),
    "count 16": _count("<H"),
    "count 32": _count("<I"),
    "count 64": _count("<Q"),
    "count 16 big": _count(">H"),
    "count 32 big": _count(">I"),
    "zeros": lambda w: (b"", w.zero),
    "padded": lambda w: (b"", w.zero + bytes(-(w.at + len(w.raw) + len(w.zero)) % 4)),
    "fixed": lambda w: (b"", bytes(w.size_of_record - len(w.raw))),
    "records": lambda w: (
        struct.pack("<If", w.number, w.rng.random() * 100),
        bytes(w.size_of_record - len(w.raw)),
    ),
    "floats": _number("<f", lambda w: w.rng.choice([w.rng.random() * 127, w.rng.randrange(127), w.rng.random()])),
    "doubles": _number("<d", lambda w: w.rng.choice([w.rng.random() * 127, float(w.rng.randrange(127))])),
    "ids": lambda w: (struct.pack("<I", w.rng.choice([w.number, w.rng.randrange(1 << 31)])), w.closing),
    "random": lambda w: (w.rng.randbytes(w.noise), w.closing),
    "random and count": lambda w: (w.rng.randbytes(w.rng.randrange(30)) + struct.pack("<H", w.size), w.closing),
    "other texts": lambda w: (w.text(w.rng.choice(["Piano", f"zone {w.number}", "C5"])) + w.zero, w.closing),
    "tags": lambda w: (b"SNAM" + struct.pack(">I" if w.noise > 6 else "<I", len(w.raw + w.closing)), w.closing),
    "pool": lambda w: (b"", w.zero),
    "xml": lambda w: (w.text(f'<zone id="{w.number}" lo="36"><file path="'), w.text('"/></zone>\n')),
    "json": lambda w: (w.text(f'{{"i":{w.number},"file":"'), w.text('"},')),
    "lines": lambda w: (b"", w.text("\r\n")),
}


def make(seed: int) -> Patch:
    """Return the patch of ``seed``."""
    rng = random.Random(seed)
    files = _files(rng, rng.choice([1, 3, 9, 12, 30, 60, 240, 240, 600]))
    layout, encoding = rng.choice(list(LAYOUTS)), rng.choice(ENCODINGS)
    names = written(rng, files, encoding, rng.choice([0, 0, 0.02, 0.1, 0.5, 1.0]))
    zero = "\0".encode(encoding)
    closing = zero if rng.random() < 0.6 else b""
    counts_zero, counts_units = bool(closing) and rng.random() < 0.5, len(zero) == 2 and rng.random() < 0.5
    noise = rng.randrange(1, 13)
    longest = max(len(text.encode(encoding)) for text, _ in names)
    if layout == "count 8" and longest > 250:
        return make(seed + 10**6)
    record = -(-(longest + len(zero) + rng.randrange(1, 40)) // 4) * 4
    body, places = bytearray(), []
    for index, (text, _) in enumerate(names):
        raw = text.encode(encoding)
        size = (len(raw) + counts_zero * len(zero)) // (2 if counts_units else 1)
        way = _Way(rng, len(body), index, raw, encoding, zero, closing, size, record, noise)
        before, after = LAYOUTS[layout](way)
        places.append(len(body) + len(before))
        body += before + raw + after
    head, tail = rng.randbytes(rng.randrange(64)), rng.randbytes(rng.randrange(64))
    if layout == "pool":
        head += struct.pack("<I", len(places)) + b"".join(struct.pack("<I", at) for at in places)
    if layout in ("xml", "json", "lines"):
        head, tail = b"\0\1\2HEAD\0\0", b"\0\0\0\xff"
    items = tuple(Item(text, kind, len(head) + at) for (text, kind), at in zip(names, places, strict=True))
    return Patch(layout, encoding, tuple(files), head + bytes(body) + tail, items)
