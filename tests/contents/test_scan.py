from __future__ import annotations

import gzip
import io
import mmap
import random
import struct
import unicodedata
import zipfile
import zlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.contents.reading import learned, lines, mentions, scan
from companion.contents.reading.inflate import Budget, let_go, part_at
from companion.contents.reading.mentions import Mention, Style, style_of
from companion.contents.reading.names import FolderNames
from companion.contents.reading.scan import entropy_of, scan_bytes, scan_file
from companion.contents.reading.scanned import Scan
from companion.contents.reading.spots import spot_at
from companion.contents.reading.starts import Start, weighed
from companion.core.errors import Cancelled
from companion.core.findings import At
from companion.core.progress import Watch

PATHS = [
    "Samples/Slate C3.wav",
    "Samples/Slate [rr1] (soft).wav",
    "Samples\\Brush D3.aif",
    "/Users/ann/Slate/kick.wav",
    "C:\\Users\\Ann Lee\\a.wav",
    "D:/Audio/x.flac",
    "\\\\nas\\share\\x.flac",
    "../Other/x.wav",
    "Größe/Ton é.wav",
    unicodedata.normalize("NFD", "Größe/Ton é.wav"),
    "鐘/鐘の音.wav",
    "~/x/kick.wav",
    "file:///Users/ann/x%20y.wav",
    "%USERPROFILE%\\Desktop\\x.wav",
    "Slate D3.wav",
    "x" * 70 + ".wav",
    "x" * 97 + "/a.wav",
    "Don't/it's a #1 & 2=3, 4.wav",
    "ui/panel.png",
    "Scripts/play.lua",
]
RELATIVE = [path for path in PATHS if style_of(path) is Style.RELATIVE]
NAMES = FolderNames(path.replace("\\", "/") for path in RELATIVE)
"""The folder holds them, so that they teach how the others are written."""
ONE = FolderNames(["Samples/a.wav"])


def texts(found: Scan, *, sure: bool = False) -> list[str]:
    return [m.text for m in found.mentions if m.sure or not sure]


@pytest.mark.parametrize(
    "head", ["B", "<H", ">H", "<I", ">I", "<Q", None], ids=["u8", "u16le", "u16be", "u32le", "u32be", "u64le", "zeros"]
)
@pytest.mark.parametrize("closed", [False, True])
def test_paths_in_a_row_behind_their_lengths(head: str | None, closed: bool) -> None:
    data, places = b"", {}
    for path in PATHS:
        raw = path.encode()
        front = struct.pack(head, len(raw) + closed) if head else b"\0"
        places[path] = len(data) + len(front)
        data += front + raw + (b"\0" if closed or head is None else b"")
    found = {m.text: m for m in scan_bytes(data, names=NAMES).mentions}
    assert {text: m.offset for text, m in found.items()} == places
    assert all(m.sure and m.encoding == "utf-8" for m in found.values())


@pytest.mark.parametrize("order", ["le", "be"])
@pytest.mark.parametrize("head", ["u16", "u32", "bytes", "zeros"])
def test_wide_paths_in_a_row(order: str, head: str) -> None:
    data, places = b"\1\2\0\0", {}
    sign = "<" if order == "le" else ">"
    for path in PATHS:
        raw = path.encode(f"utf-16-{order}")
        front = {"u16": struct.pack(f"{sign}H", len(raw) // 2), "u32": struct.pack(f"{sign}I", len(raw) // 2)}
        front |= {"bytes": struct.pack(f"{sign}I", len(raw)), "zeros": b""}
        places[path] = len(data) + len(front[head])
        data += front[head] + raw + (b"\0\0" if head == "zeros" else b"")
    found = {m.text: m for m in scan_bytes(data, names=NAMES).mentions}
    assert {text: m.offset for text, m in found.items()} == places
    assert {m.encoding for m in found.values()} == {f"utf-16-{order}"}


def test_short_texts_as_messagepack_writes_them() -> None:
    raw = b"Samples/a.wav"
    data = b"\x82\xa1p" + bytes([0xA0 | len(raw)]) + raw + b"\xa1q\xd9\x30" + b"s" * 44 + b".wav"
    known = FolderNames(["Samples/a.wav", "s" * 44 + ".wav"])
    assert texts(scan_bytes(data, names=known), sure=True) == ["Samples/a.wav", "s" * 44 + ".wav"]


@pytest.mark.parametrize("text", ["/Users/ann/Kit", "~/Slate Kit/One", "..\\Other Kit\\x", "Samples/a.wav"])
def test_a_path_at_the_very_first_byte(text: str) -> None:
    (found,) = scan_bytes(text.encode() + b"\0\1").mentions
    assert (found.text, found.offset) == (text, 0)


@pytest.mark.parametrize("before", ["", "B", "(B", "\u9418", "\u9418" * 4, "Z9_"])
def test_what_runs_into_a_name_of_the_folder_is_no_part_of_it(before: str) -> None:
    (found,) = scan_bytes(b"\1\0" + (before + "Samples/a.wav").encode() + b"\0\1", names=ONE).mentions
    assert (found.text, found.offset, found.sure) == ("Samples/a.wav", 2 + len(before.encode()), True)


def test_a_length_decides_where_a_longer_ending_would_fit_as_well() -> None:
    data = b"\x00\x0dSamples/a.wavelength\x00\x0eSamples/bb.tiffany\x00\x0eSamples/b.tiff\x00"
    assert texts(scan_bytes(data), sure=True) == ["Samples/a.wav", "Samples/bb.tif", "Samples/b.tiff"]


_name = st.text(
    st.sampled_from("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 -_[]()éüøЖдαβ鐘音"),
    min_size=3,
    max_size=20,
).filter(lambda s: sum(c.isalnum() and c.isascii() for c in s) > len(s) // 2 and s[0].isalnum() and s[-1].isalnum())


@settings(max_examples=100, deadline=None)
@given(
    st.lists(_name, min_size=1, max_size=4),
    st.sampled_from(["wav", "WAV", "aiff", "flac", "png"]),
    st.sampled_from(["utf-8", "utf-16-le", "utf-16-be"]),
    st.binary(max_size=400),
    st.binary(max_size=400),
    st.sampled_from("/\\"),
)
def test_any_path_in_any_bytes_is_found_where_it_stands(
    names: list[str], suffix: str, encoding: str, before: bytes, after: bytes, separator: str
) -> None:
    path = separator.join(["Kit", *names]) + "." + suffix
    zero = "\0".encode(encoding)
    front = before + zero * 2 if len(before) % 2 == 0 or encoding == "utf-8" else before + b"\1" + zero * 2
    data = front + path.encode(encoding) + zero * 2 + b"\1" + after
    found = scan_bytes(data, names=FolderNames([path.replace("\\", "/")])).mentions
    here = [m for m in found if m.text == path]
    assert here, (path, found)
    assert (here[0].offset, here[0].encoding, here[0].sure) == (len(front), encoding, True)


def test_inside_deflated_parts() -> None:
    plain = b"\0".join(p.encode() for p in PATHS) + b"\0"
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("state.bin", plain)
    wide = b"\0\0".join(p.encode("utf-16-le") for p in PATHS)
    for data, label in (
        (b"head" + zlib.compress(plain), "zlib part at byte 4"),
        (b"head" + gzip.compress(plain), "gzip part at byte 4"),
        (b"head" + packed.getvalue(), "zip member “state.bin” at byte 4"),
        (b"head" + zlib.compress(gzip.compress(plain)), "gzip part at byte 0 of the zlib part at byte 4"),
    ):
        inside = [m for m in scan_bytes(data, names=NAMES).mentions if m.inside]
        assert [m.text for m in inside] == PATHS, label
        assert {m.inside for m in inside} == {label}
        assert inside[1].offset == plain.index(PATHS[1].encode())
    assert {m.text for m in scan_bytes(zlib.compress(wide), names=NAMES).mentions} >= set(PATHS)


def test_parts_one_behind_the_other_and_one_that_was_cut_off() -> None:
    one, two = (
        zlib.compress(b"Samples/one.wav\0" * 3),
        zlib.compress(random.Random(1).randbytes(9000) + b"\0Samples/two.wav\0" * 300),
    )
    found = scan_bytes(one + one + two[:-40])
    assert {m.text for m in found.mentions if m.inside} == {"Samples/one.wav", "Samples/two.wav"}


def test_a_bomb_costs_no_more_than_its_budget(monkeypatch: pytest.MonkeyPatch) -> None:
    bomb = zlib.compress(zlib.compress(bytes(40 << 20)))
    budget = Budget(total=1 << 20)
    part = part_at(zlib.compress(bytes(8 << 20)), 0, budget)
    assert part is not None
    assert len(part.data) == 1 << 20
    assert budget.exceeded
    assert not budget.allows()
    monkeypatch.setattr(scan, "Budget", lambda: Budget(total=2 << 20, each=1 << 20, parts=5))
    assert not scan_bytes(bomb * 3).complete
    assert not scan_bytes(zlib.compress(b"Samples/a.wav\0") * 9).complete
    assert scan_bytes(zlib.compress(b"Samples/a.wav\0") * 3).complete


def test_a_budget_bounds_how_often_unpacking_is_tried() -> None:
    budget = Budget(tries=2)
    assert [budget.allows() for _ in range(3)] == [True, True, False]
    assert budget.exceeded


def test_three_parts_within_one_another_are_unpacked_and_no_more() -> None:
    data = b"Samples/deep.wav\0"
    for _ in range(3):
        data = zlib.compress(data + b"-")
    assert texts(scan_bytes(data)) == ["Samples/deep.wav"]
    assert texts(scan_bytes(zlib.compress(data))) == []


def test_random_bytes_hold_no_path_for_certain() -> None:
    found = scan_bytes(random.Random(7).randbytes(8 << 20))
    assert texts(found, sure=True) == []
    assert len(found.mentions) <= 4
    assert not found.readable
    assert found.dense


TEXT = """<?xml version="1.0"?><kit xmlns="http://www.w3.org/2000/svg" type="audio/wav" made="1/2/2020">
<a href="https://example.org/a/kick.wav">x</a><img src="/media/logo.png"/><a href="/home/about">and/or</a>
See www.example.org/kick.wav or //cdn.example.org/x.png. Ratio 1/2, w/o, TCP/IP, 24/96, n/a, km/h.
Contact: a.b@example.org. Error:\\n at line. http://example.org/Users/ann/x and C: or D: drives. 5:/ 3.
#!/usr/bin/env python
/* c://x */ x = y // z; print("Error:\\nfoo"); "%d/%s" ~ / .. ... ../ ./ a/../b
"""


def test_prose_addresses_dates_and_types_are_no_paths() -> None:
    assert texts(scan_bytes(TEXT.encode())) == []
    assert texts(scan_bytes(TEXT.encode("utf-16-le"))) == []


def test_paths_in_text_formats() -> None:
    data = (
        '<s path="Samples/Tom &amp; Co.wav"/><f>Samples/b c.wav</f><img src="img/a.png"/>\n'
        '{"a":"C:\\\\Users\\\\ann\\\\x.wav","b":"Samples\\/c.wav","c":"/home/ann/Slate","d":["d.wav", \'e.wav\']}\n'
        "sample=My Samples/Slate C3.wav\npath: Kit/one.wav\nSamples/Slate D3.wav\nload('Samples/a b.wav')\n"
    )
    assert texts(scan_bytes(data.encode()), sure=True) == [
        "Samples/Tom &amp; Co.wav",
        "Samples/b c.wav",
        "img/a.png",
        "C:\\\\Users\\\\ann\\\\x.wav",
        "Samples\\/c.wav",
        "/home/ann/Slate",
        "d.wav",
        "e.wav",
        "My Samples/Slate C3.wav",
        "Kit/one.wav",
        "Samples/Slate D3.wav",
        "Samples/a b.wav",
    ]


def test_running_text_and_comments_are_not_certain() -> None:
    data = b'Load the file kick.wav first.\n-- formerly drums/kick.wav\n// "old/snare.wav"\nNode.js and readme.txt\n'
    found = scan_bytes(data)
    assert texts(found, sure=True) == []
    assert any(text.endswith("drums/kick.wav") for text in texts(found))


def test_beginnings_without_a_known_ending() -> None:
    data = b"\0D:\\Samples\\Slate\0\0/Users/ann/Kit\0\0\\\\nas\\audio\\Slate\0../../Other Kit/x\0/Volumes/Disk/Kit\0"
    assert [(m.text, m.style) for m in scan_bytes(data).mentions] == [
        ("D:\\Samples\\Slate", Style.DRIVE),
        ("/Users/ann/Kit", Style.HOME),
        ("\\\\nas\\audio\\Slate", Style.UNC),
        ("../../Other Kit/x", Style.CLIMBING),
        ("/Volumes/Disk/Kit", Style.ABSOLUTE),
    ]


@pytest.mark.parametrize(
    ("text", "style"),
    [
        ("a/b.wav", Style.RELATIVE),
        ("a..b/c.wav", Style.RELATIVE),
        ("a/../b.wav", Style.CLIMBING),
        ("..\\b.wav", Style.CLIMBING),
        ("/srv/x.wav", Style.ABSOLUTE),
        ("C:/x.wav", Style.DRIVE),
        ("C:\\Users\\ann\\x.wav", Style.HOME),
        ("C:\\Users\\Public\\x.wav", Style.DRIVE),
        ("/Users/Shared/x.wav", Style.ABSOLUTE),
        ("/home/ann/x.wav", Style.HOME),
        ("~ann/x.wav", Style.HOME),
        ("$HOME/x.wav", Style.HOME),
        ("%APPDATA%\\x.wav", Style.HOME),
        ("%TEMP%\\x.wav", Style.ABSOLUTE),
        ("\\\\nas\\x\\y.wav", Style.UNC),
        ("file:///srv/x.wav", Style.URL),
        ("file:///C:/Users/ann/x.wav", Style.HOME),
    ],
)
def test_styles(text: str, style: Style) -> None:
    assert style_of(text) is style


def test_own_endings_are_looked_for() -> None:
    data = b"\0Tables/a.slabtable\0"
    assert texts(scan_bytes(data)) == []
    assert texts(scan_bytes(data, suffixes=frozenset(["slabtable"]))) == ["Tables/a.slabtable"]


def test_the_same_text_twice_is_one_mention() -> None:
    (only,) = scan_bytes(b"\0a/b.wav\0\0a/b.wav\0").mentions
    assert (only.offset, only.times) == (1, 2)


@pytest.mark.parametrize("shift", range(-24, 25, 3))
def test_a_path_across_two_blocks(monkeypatch: pytest.MonkeyPatch, shift: int) -> None:
    monkeypatch.setattr(learned, "BLOCK", 8192)
    known = FolderNames(["Samples/Slate C3.wav", "Samples/é.wav"])
    for path, encoding in (
        ("Samples/Slate C3.wav", "utf-8"),
        ("/Users/ann/Kit", "utf-8"),
        ("Samples/é.wav", "utf-16-le"),
    ):
        at = 8192 + shift * 2
        data = b"\1" * at + b"\0\0" + path.encode(encoding) + b"\0\0" + b"\1" * 9000
        assert [(m.text, m.offset, m.times) for m in scan_bytes(data, names=known).mentions] == [(path, at + 2, 1)]


def test_mentions_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mentions, "MOST_MENTIONS", 5)
    found = scan_bytes(b"".join(b"\0Samples/%d.wav" % n for n in range(9)) + b"\0")
    assert len(found.mentions) == 5
    assert not found.complete


def test_entropy_has_its_closed_forms() -> None:
    assert entropy_of(bytes(1000)) == 0
    assert entropy_of(b"ab" * 500) == pytest.approx(1)
    assert entropy_of(bytes(range(256)) * 4) == pytest.approx(8)
    assert scan_bytes(b"").entropy == 0


def test_dense_is_told_from_plain_at_every_size() -> None:
    rng = random.Random(3)
    for size in (300, 1000, 5000, 300_000):
        assert scan_bytes(rng.randbytes(size)).dense
        assert not scan_bytes(bytes(rng.randrange(64) for _ in range(size))).dense
    assert not scan_bytes(rng.randbytes(200)).dense


def test_text_is_told_from_bytes() -> None:
    assert scan_bytes(b"volume=3\n").text
    assert scan_bytes("größer".encode()).text
    assert scan_bytes("x".encode("utf-16")).text
    assert not scan_bytes(b"\x00\x01\x02abc").text
    assert not scan_bytes(b"gr\xf6\xdfer als").text
    assert scan_bytes(("é" * 70_000).encode()).text


def test_a_large_file_is_mapped(tmp_path: Path) -> None:
    target = tmp_path / "big.slab"
    target.write_bytes(bytes(5 << 20) + b"Samples/a.wav\0" + bytes(1 << 20))
    (only,) = scan_file(target, names=ONE).mentions
    assert only == Mention(text="Samples/a.wav", offset=5 << 20)


@pytest.mark.skipif(not hasattr(mmap, "MADV_DONTNEED"), reason="this system takes nothing back")
def test_what_was_mapped_in_front_of_a_block_is_let_go_as_well(tmp_path: Path) -> None:
    asked: list[tuple[int, int]] = []

    class Watched(mmap.mmap):
        def madvise(self, option: int, start: int = 0, length: int = 0, /) -> None:
            asked.append((start, length))
            super().madvise(option, start, length)

    (tmp_path / "big").write_bytes(bytes(12 << 20))
    with (tmp_path / "big").open("rb") as stream, Watched(stream.fileno(), 0, access=mmap.ACCESS_READ) as data:
        let_go(data, 0, 4 << 20)
        let_go(data, 8 << 20, 16 << 20)
    assert asked == [(0, 4 << 20), (4 << 20, 8 << 20)]
    let_go(b"no map", 0, 6)


def test_a_file_that_is_not_there_is_a_problem(tmp_path: Path) -> None:
    assert scan_file(tmp_path / "gone").problem


def test_a_scan_can_be_stopped() -> None:
    watch = Watch()
    watch.cancel()
    with pytest.raises(Cancelled):
        scan_bytes(b"x", watch)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le"])
def test_the_work_is_linear_in_the_number_of_paths(monkeypatch: pytest.MonkeyPatch, encoding: str) -> None:
    judged = 0

    def counted(*given: Any) -> Any:
        nonlocal judged
        spot = spot_at(*given)
        judged += len(spot.window) if spot else 0
        return spot

    monkeypatch.setattr(learned, "spot_at", counted)

    def characters(count: int) -> int:
        """Return how many bytes are looked at for ``count`` paths in a row."""
        nonlocal judged
        judged = 0
        paths = [f"Samples/Layer {n % 90:02}/Slate{n:05}.wav" for n in range(count)]
        data = b"".join(struct.pack("<I", 30) + path.encode(encoding) for path in paths)
        assert len(scan_bytes(data, names=FolderNames(paths)).mentions) == count
        return judged

    few = characters(1_000)
    assert few < 1_000 * 1_000
    assert characters(4_000) < 4.1 * few


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=600), st.binary(max_size=60))
def test_no_bytes_crash_it(data: bytes, more: bytes) -> None:
    scan_bytes(data + b".wav" + more + b"C:\\" + data[:30] + b".\0w\0a\0v\0" + more + b"PK\x03\x04" + data)


@pytest.mark.parametrize(
    ("text", "size", "sure"),
    [
        ("J:\\Ҏ'u{G1", 500 << 20, False),  # as random bytes held it, once in 100 MB
        ("~/3$Ý7i=ço/m", 500 << 20, False),
        ("J:\\Ҏ'u{G1", 1 << 10, True),
        ("D:\\Lib\\x", 500 << 20, False),
        ("D:\\Lib\\x", 1 << 10, True),
        ("D:\\Kit\\a.wav", 500 << 20, True),
        ("D:\\Kits\\Reed Organ\\Close", 500 << 20, True),
        ("/Users/x/Kit", 500 << 20, True),
        ("D:\\.-_ .-_ .-_ ", 4 << 20, True),  # what parts the words of a path speaks for one
        ("D:\\((((((((((((", 4 << 20, False),
    ],
)
def test_in_a_large_file_a_short_beginning_may_be_chance(text: str, size: int, sure: bool) -> None:
    start = Start(0, len(text.encode()), text, "utf-8", True)
    assert weighed(start, size, "wav|gif").sure is sure
    assert weighed(start._replace(encoding="utf-16-le"), size, "wav|gif").sure
    assert not weighed(start._replace(sure=False), 1, "wav|gif").sure


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_a_name_in_plain_text_is_placed_by_its_line(encoding: str, end: str) -> None:
    lines = ["# für Höhle", 'one = "Samples/one.wav", "Samples/too.wav"', "", 'two = "Samples/two.wav"']
    bom = "\ufeff" if "16" in encoding else ""
    found = scan_bytes((bom + end.join(lines)).encode(encoding)).mentions
    assert {m.text: (m.line, m.place, m.at.line) for m in found} == {
        "Samples/one.wav": (2, "line 2", 2),
        "Samples/too.wav": (2, "line 2", 2),
        "Samples/two.wav": (4, "line 4", 4),
    }


def test_lines_are_counted_across_blocks_and_line_ends_of_other_letters(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lines, "_BLOCK", 4)
    assert lines.lines_at(b"a\nbc\n\ndef\ng", "utf-8", (0, 1, 2, 6, 11)) == [1, 1, 2, 4, 5]
    wide = "\u0a00a\u010a\nb"  # bytes that look like a line end, and one that is
    assert lines.lines_at(wide.encode("utf-16-le"), "utf-16-le", (4, 8)) == [1, 2]


def test_a_name_in_bytes_has_no_line_and_one_in_a_packed_text_that_of_the_text() -> None:
    packed = scan_bytes(b"head\0\1\n" + zlib.compress(b'\n\nx = "Samples/one.wav"\n')).mentions
    assert [(m.place, m.at) for m in packed] == [("line 3 of the zlib part at byte 7", At(byte=7))]
    raw = scan_bytes(b"\1\n\0Samples/one.wav\0\1\n\0Samples/two.wav\0", names=FolderNames(["Samples/one.wav"])).mentions
    assert {m.line for m in raw} == {0}
    assert raw[0].place == "byte 3"
