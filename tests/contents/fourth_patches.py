"""A fourth set of made-up patches, frozen before the reading was first run on it: formats as a stranger makes them.

Chunks within chunks, tables of strings, lengths that count more than the name, folder and file apart, packed parts,
markup and settings inside bytes, and names in the code pages and spellings of several systems.
"""

from __future__ import annotations

import gzip
import random
import struct
import unicodedata
import zlib
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

from tests.contents.made_patches import Item, Patch

ENCODINGS: Final = (
    *("utf-8", "utf-8", "utf-8", "utf-16-le", "utf-16-le", "utf-16-be"),
    *("latin-1", "cp1252", "mac-roman", "shift-jis"),
)
COUNTS: Final = (1, 2, 6, 9, 13, 13, 24, 50, 130, 400, 1200)
MANY: Final = 20_000
_STEMS: Final = (
    *("harp", "Harp", "glass", "glass rub", "deep glass rub", "b", "7", "x", "pizz.", "sul pont", "legato-up"),
    *("Bûche", "Ångström", "tambour (gr.)", "señal", "H & B", "count#", "under_score", "two  spaces", "Trém"),
)
_JAPANESE: Final = ("ことり", "太鼓", "カネ", "鈴")
_DYNAMICS: Final = ("pp", "mf", "ff", "v031", "v127", "soft", "rr1", "rr2", "close", "room")


class _Style(NamedTuple):
    """How the names of one patch are made: their folders, stems, extension, and which parts they have."""

    folders: Sequence[str]
    stems: Sequence[str]
    suffix: str
    shape: int


def _style(rng: random.Random, encoding: str) -> _Style:
    folders = rng.choice(
        (
            ("",),
            ("Samples/",),
            ("S/", "S/close/", "S/room/"),
            ("My Instrument Samples/Layer 1/", "My Instrument Samples/"),
        )
    )
    stems: Sequence[str] = (
        _JAPANESE if encoding == "shift-jis" or (encoding.startswith("utf") and rng.random() < 0.1) else _STEMS
    )
    if rng.random() < 0.4:
        stems = [stem for stem in _STEMS if stem.isascii()]
    return _Style(folders, stems, rng.choice((".wav", ".wav", ".WAV", ".aif", ".flac", ".ogg")), rng.randrange(5))


def _named(rng: random.Random, style: _Style, count: int) -> list[str]:
    found: set[str] = set()
    width = 4 * count + 4
    while len(found) < count:
        stem, number = rng.choice(style.stems), rng.randrange(width)
        key = rng.choice("CDEFGAB") + rng.choice(("", "#")) + str(rng.randrange(8))
        name = (
            f"{stem}{number}",
            f"{number:05} {stem}",
            f"{stem}_{key}_{rng.choice(_DYNAMICS)}_{number}",
            f"{number}",
            f"{stem} {number} {rng.choice(_DYNAMICS)}",
        )[style.shape]
        found.add(rng.choice(style.folders) + name + style.suffix)
    return sorted(found)


def _wrong(rng: random.Random, path: str, lost: int) -> tuple[str, str]:
    """Return ``path`` with a fault, and which; ``lost`` makes what is missing unlike any other."""
    folder, slash, name = path.rpartition("/")
    folder += slash
    stem, _, suffix = name.rpartition(".")
    kind = rng.choice(("missing", "missing", "absolute", "home", "climb", "case", "drive", "norm"))
    if kind == "missing":
        gone = (
            f"{stem} (old {lost}).{suffix}",
            f"take{lost} {name}",
            f"Q{lost}.{suffix}",
            f"{lost}-{lost % 7}.{suffix}",
        )
        return folder + rng.choice(gone), kind
    if kind == "norm":
        text = unicodedata.normalize("NFD", path)
        return text, kind if text != path else "ok"
    if kind == "case":
        text = folder + (name.lower() if name.lower() != name else name.upper())
        return text, kind if text != path else "ok"
    return {
        "absolute": rng.choice(("/Volumes/Audio SSD/", "/mnt/disk2/takes/", "\\\\studio-pc\\share\\", "/srv/pool/"))
        + path,
        "home": rng.choice(("/Users/nina/Desktop/", "/home/max/", "C:\\Users\\Otto B\\Music\\", "~/Documents/")) + path,
        "drive": rng.choice(("F:\\", "Z:/Instruments/", "D:\\Neu\\")) + path,
        "climb": rng.choice(("../", "..\\", "../../common/", "../../../")) + path,
    }[kind], kind


def _written(rng: random.Random, files: list[str], encoding: str, share: float) -> list[tuple[str, str]]:
    """Return the names as the patch writes them; those that ``encoding`` cannot hold are written another time."""
    bare, back = rng.random() < 0.25, rng.random() < 0.2
    composed = not encoding.startswith("utf")
    found = []
    for number, path in enumerate(rng.sample(files, len(files))):
        text, kind = _wrong(rng, path, 10_000 + 37 * number) if rng.random() < share else (path, "ok")
        if bare and kind in ("ok", "missing", "case", "norm"):
            text = text.rpartition("/")[2]
        if back:
            text = text.replace("/", "\\")
        if composed:
            whole = unicodedata.normalize("NFC", text)
            text, kind = whole, kind if whole == text else "ok"
        found.append((text, kind))
    return found


class _Name(NamedTuple):
    """A name to be written: where in the body, which it is, its text and bytes, a zero, and the bytes of a record."""

    rng: random.Random
    at: int
    number: int
    text: str
    raw: bytes
    encoding: str
    record: int

    @property
    def zero(self) -> bytes:
        return b"\0\0" if self.encoding.startswith("utf-16") else b"\0"

    @property
    def units(self) -> int:
        return len(self.raw) // len(self.zero)

    def wide(self, text: str) -> bytes:
        return text.encode(self.encoding)


_Around = Callable[[_Name], tuple[bytes, bytes]]


def _even(size: int, to: int = 2) -> bytes:
    return bytes(-size % to)


def _chunk(n: _Name) -> tuple[bytes, bytes]:
    """A tag, its size, and inside it a header and the name."""
    inner = struct.pack(">HH", n.number % 65536, 3)
    return b"SMPL" + struct.pack(">I", len(inner) + len(n.raw)) + inner, _even(len(inner) + len(n.raw))


def _nested_chunks(n: _Name) -> tuple[bytes, bytes]:
    name = b"NAME" + struct.pack(">I", len(n.raw))
    gain = b"GAIN" + struct.pack(">If", 4, n.rng.random())
    return b"ZONE" + struct.pack(">I", len(name) + len(n.raw) + len(gain)) + name, _even(len(n.raw)) + gain


def _little_chunk(n: _Name) -> tuple[bytes, bytes]:
    size = len(n.raw) + len(n.zero)
    return b"path" + struct.pack("<I", size), n.zero + _even(size)


def _with_terminator(n: _Name) -> tuple[bytes, bytes]:
    return struct.pack("<H", n.units + 1), n.zero


def _with_header(n: _Name) -> tuple[bytes, bytes]:
    """A length that counts itself and a type beside the name."""
    return struct.pack(">HH", len(n.raw) + 4, 17), b""


def _stride(n: _Name) -> tuple[bytes, bytes]:
    """A record of one size: a number, the name, a zero, and whatever was in memory."""
    rest = n.record - len(n.raw) - len(n.zero)
    return struct.pack("<HBB", n.number % 65536, 60 + n.number % 24, 127), n.zero + n.rng.randbytes(rest)


def _note(n: _Name) -> tuple[bytes, bytes]:
    """The notes it is for, lowest to root, right before the name."""
    low = 24 + n.number % 80
    return bytes([low, low + 2, low + 1]), n.zero


def _note_counted(n: _Name) -> tuple[bytes, bytes]:
    return bytes([36 + n.number % 60, n.rng.randrange(1, 128)]) + struct.pack("<H", len(n.raw)), b""


def _marked(n: _Name) -> tuple[bytes, bytes]:
    """Each string with a byte order mark, and its size in bytes, mark included."""
    mark = {"utf-16-le": b"\xff\xfe", "utf-16-be": b"\xfe\xff", "utf-8": b"\xef\xbb\xbf"}.get(n.encoding, b"")
    return struct.pack("<I", len(mark) + len(n.raw)) + mark, b""


def _label(n: _Name) -> tuple[bytes, bytes]:
    """A little text before each name, in one of a few forms."""
    return n.wide(n.rng.choice(("file:", "smp=", "src "))), n.zero + struct.pack("<f", n.rng.random())


def _apart(n: _Name) -> tuple[bytes, bytes]:
    """The folder of the take in one field and the name in another, both closed by a zero."""
    return n.wide(f"Bank {n.number % 4}") + n.zero, n.zero + struct.pack("<HH", n.number % 65536, 44100)


def _fields(n: _Name) -> tuple[bytes, bytes]:
    """Three fields of text, each behind its length: a label, the name, a comment."""
    label, comment = n.wide(f"zone{n.number}"), n.wide(n.rng.choice(("", "ok", "retake?")))
    return (
        struct.pack("<H", len(label)) + label + struct.pack("<H", len(n.raw)),
        struct.pack("<H", len(comment)) + comment,
    )


def _tagged_string(n: _Name) -> tuple[bytes, bytes]:
    """A key, the type of what follows, its length in bytes, and a closing zero that is counted."""
    return b"\x0bsample_file\x08" + struct.pack("<I", len(n.raw) + len(n.zero)), n.zero


def _value(n: _Name) -> tuple[bytes, bytes]:
    return struct.pack("<B3xI", 4, n.units), n.zero + _even(n.at + 8 + len(n.raw) + len(n.zero), 4)


def _xml(n: _Name) -> tuple[bytes, bytes]:
    return n.wide(f"<Sample id='{n.number}'><Path>"), n.wide("</Path><Gain>-3.5</Gain></Sample>\n")


def _json(n: _Name) -> tuple[bytes, bytes]:
    return n.wide(f'{{"id": {n.number}, "path": "'), n.wide('", "gain": 0.5},\n')


def _list(n: _Name) -> tuple[bytes, bytes]:
    return n.wide("\t\t<key>file</key>\n\t\t<string>"), n.wide("</string>\n")


def _settings(n: _Name) -> tuple[bytes, bytes]:
    return n.wide(f"[zone{n.number}]\r\nfile="), n.wide("\r\nroot=60\r\n")


LAYOUTS: Final[dict[str, _Around]] = {
    "chunks": _chunk,
    "chunks in chunks": _nested_chunks,
    "little chunks": _little_chunk,
    "count and terminator": _with_terminator,
    "count and header": _with_header,
    "stride": _stride,
    "notes": _note,
    "note and count": _note_counted,
    "mark for each": _marked,
    "labels": _label,
    "folder apart": _apart,
    "fields": _fields,
    "tagged strings": _tagged_string,
    "values": _value,
    "strings and offsets": lambda n: (b"", n.zero),
    "strings and sizes": lambda n: (b"", b""),
    "xml": _xml,
    "json": _json,
    "property list": _list,
    "settings": _settings,
    "packed": _little_chunk,
    "packed in parts": _note_counted,
    "raw deflate in chunks": lambda n: (b"", n.zero),
}
_TEXT: Final = ("xml", "json", "property list", "settings")
_PACKED: Final = ("packed", "packed in parts")
MARKUP: Final = {"xml": {"&": "&amp;", "'": "&apos;"}, "property list": {"&": "&amp;"}, "json": {"\\": "\\\\"}}
"""What layouts of text write otherwise."""


def _escaped(layout: str, text: str) -> str:
    for char, written in MARKUP.get(layout, {}).items():
        text = text.replace(char, written)
    return text


def make(seed: int) -> Patch:
    """Return the patch of ``seed``."""
    rng = random.Random(f"fourth {seed}")
    layout, encoding = rng.choice(list(LAYOUTS)), rng.choice(ENCODINGS)
    count = MANY if rng.random() < 0.002 else rng.choice(COUNTS)
    if layout in _TEXT and encoding == "shift-jis":
        encoding = "utf-8"
    style = _style(rng, encoding)
    if encoding == "mac-roman" or encoding in ("latin-1", "cp1252"):
        style = style._replace(stems=[stem for stem in style.stems if stem not in _JAPANESE])
    files = _named(rng, style, count)
    names = _written(rng, files, encoding, rng.choice((0, 0, 0.02, 0.1, 0.3, 0.6, 1.0)))
    names = [(_escaped(layout, text), kind) for text, kind in names]
    record = (max(len(text.encode(encoding)) for text, _ in names) + rng.randrange(9, 70)) // 16 * 16 + 16
    body, places, pieces = bytearray(), [], []
    for number, (text, _) in enumerate(names):
        raw = text.encode(encoding)
        before, after = LAYOUTS[layout](_Name(rng, len(body), number, text, raw, encoding, record))
        places.append(len(body) + len(before))
        body += before + raw + after
        if layout == "packed in parts" and (number + 1) % 64 == 0:
            pieces.append(bytes(body))
            body = bytearray()
    return _whole(rng, layout, encoding, files, names, places, [*pieces, bytes(body)])


def _whole(
    rng: random.Random,
    layout: str,
    encoding: str,
    files: list[str],
    names: list[tuple[str, str]],
    places: list[int],
    bodies: list[bytes],
) -> Patch:
    """Return the patch of one or several ``bodies``, in which the names begin at ``places``."""
    head = (
        b"\x89QRY\r\n\x1a\n" + struct.pack(">HI", rng.randrange(1, 5), len(names)) + rng.randbytes(rng.randrange(1, 40))
    )
    tail = rng.randbytes(rng.randrange(1, 50))
    body, shift = bodies[0], len(head)
    if layout in _PACKED:
        packers = (zlib.compress, lambda raw: gzip.compress(raw, mtime=0), lambda raw: zlib.compress(raw, 9))
        packer = rng.choice(packers)
        body, shift = rng.randbytes(3).join(packer(piece) for piece in bodies if piece), 0
    elif layout == "raw deflate in chunks":
        squeezed = zlib.compressobj(9, zlib.DEFLATED, -15)
        deflated = squeezed.compress(body) + squeezed.flush()
        names, places = [(text, "deflated") for text, _ in names], [0] * len(names)
        body = b"DATA" + struct.pack(">II", len(deflated), len(body)) + deflated
    elif layout == "strings and offsets":
        zero = b"\0\0" if encoding.startswith("utf-16") else b"\0"
        table = b"".join(struct.pack(">I", at) for at in places)
        head += b"STRS" + struct.pack(">II", len(body) + len(table) + 4, len(places)) + table + zero
        shift = len(head)
    elif layout == "strings and sizes":
        table = b"".join(
            struct.pack("<HI", len(text.encode(encoding)), at) for (text, _), at in zip(names, places, strict=True)
        )
        tail = b"TABL" + struct.pack("<I", len(table)) + table + tail
    elif layout in _TEXT:
        opener = {"xml": "<Kit>\n", "json": '{"zones": [\n', "property list": "<array>\n", "settings": ""}[layout]
        head += struct.pack("<I", len(body)) + opener.encode(encoding)
        shift = len(head)
        tail = b"\0\0" + tail
    items = tuple(Item(text, kind, shift + at) for (text, kind), at in zip(names, places, strict=True))
    return Patch(layout, encoding, tuple(files), head + body + tail, items)
