"""What a maker is told of names in patches: foreign ones once, unsure ones never as a fault, wrong case anywhere."""

from __future__ import annotations

import json
import plistlib
import random
import struct
from collections.abc import Callable
from typing import Any

import pytest

from companion.contents.folder_scan import scan_folder
from companion.contents.inventory import take_inventory
from companion.contents.reading import learned
from companion.contents.reading.names import FolderNames
from companion.contents.reading.scan import scan_bytes, scan_file
from companion.core.cache import Cache
from companion.core.findings import Finding, Severity
from companion.core.progress import QUIET

Desk = Any
Ids = Callable[[list[Finding]], list[str]]
TWELVE = [f"Samples/Slate {note}{octave}.wav" for note in ("C", "D#", "F") for octave in range(4)]


def counted(names: list[str]) -> bytes:
    return b"".join(struct.pack("<H", len(name.encode())) + name.encode() for name in names)


def behind_floats(names: list[str], encoding: str = "utf-8") -> bytes:
    """Names behind a float whose last byte is a letter, closed by a zero."""
    zero = "\0".encode(encoding)
    return b"".join(struct.pack("<f", 42.5 + n) + name.encode(encoding) + zero for n, name in enumerate(names))


@pytest.fixture
def slate(desk: Desk) -> Desk:
    for path in TWELVE:
        desk.put(path)
    return desk


def patch(desk: Desk, body: bytes) -> None:
    desk.put("Slate Choir.slab", b"\x7fSLB\x02\0\0\0" + body + b"\xff" * 9)


def test_a_patch_of_which_no_name_is_in_the_folder_is_told_once(slate: Desk, rules_of: Ids) -> None:
    patch(slate, counted([f"Samples/Gong {n}.wav" for n in range(240)]))
    (found,) = slate.contents()
    assert (found.rule, found.path, found.value, found.blocks) == ("reference-missing", "Slate Choir.slab", 240, True)
    assert found.measured == "none of its 240 names is in the folder, the first is “Samples/Gong 0.wav”"
    patch(slate, counted([*TWELVE, "Samples/Slate C3.wav", "Samples/Slate D3.wav"]))
    assert rules_of(slate.contents()) == []


def test_a_foreign_patch_without_counts_is_unknown_and_blocks_nothing(slate: Desk, rules_of: Ids) -> None:
    patch(slate, behind_floats([f"Samples/Gong {n}.wav" for n in range(240)]))
    assert rules_of(slate.contents()) == ["references-unread"]
    (found,) = slate.paths()
    assert (found.rule, found.unknown, found.value) == ("patch-opaque", True, 238)
    assert found.measured == "238 names; 238 unsure; none of them is in the folder"


def test_bytes_in_front_are_no_part_of_a_name(slate: Desk) -> None:
    patch(slate, behind_floats([*TWELVE, "Samples/Slate C3.wav", "Samples/Slate D3.wav", "Samples/gone.wav"]))
    (found,) = slate.contents()
    assert (found.rule, found.measured) == ("reference-missing", "“Samples/gone.wav”")


def test_with_fewer_than_ten_names_to_learn_from_what_is_not_there_is_unsure(desk: Desk, rules_of: Ids) -> None:
    patch(desk, behind_floats(["Samples/Slate C3.wav", "Samples/gone.wav", "Samples/Slate D3.wav"]))
    assert rules_of(desk.contents()) == ["references-unread"]
    (found,) = desk.paths()
    assert (found.rule, found.measured) == ("patch-opaque", "3 names; 1 unsure")


def test_patch_unsure(slate: Desk) -> None:
    rng = random.Random(5)
    odd = b"\0\1" + bytes(rng.randrange(65, 90) for _ in range(9)) + b"Gong.wav\xff\xff"
    patch(slate, counted([*TWELVE, "Samples/Slate C3.wav", "Samples/Slate D3.wav"]) + odd)
    assert slate.contents() == []
    (found,) = slate.paths()
    assert (found.rule, found.severity, found.value) == ("patch-unsure", Severity.NOTES, 1)
    assert found.measured.startswith("14 names, each after a 16-bit count; 1 unsure: “")
    assert found.measured.endswith("Gong.wav”")
    patch(slate, counted([*TWELVE, "Samples/Slate C3.wav", "Samples/Slate D3.wav"]))
    assert slate.paths() == []


def test_a_wrong_case_is_seen_without_the_folder_as_well(slate: Desk) -> None:
    names = [name.rpartition("/")[2] for name in TWELVE]
    patch(slate, behind_floats([*names[1:], "SLATE c0.WAV", "Slate C3.wav", "Slate D3.wav"]))
    (found,) = slate.contents()
    assert (found.rule, found.severity, found.value) == ("reference-case", Severity.WARNS, "SLATE c0.WAV")
    assert found.at.others == ("Samples/Slate C0.wav",)


FILES = ["Samples/Größe é.wav", "Samples/a b.wav", "d e.wav", "Samples/Slate C3.wav", "Samples/Slate D3.wav"]
ESCAPED = "".join(f'load("{name}")\n' for name in FILES)


def escaped(text: str, form: str) -> str:
    return "".join(char if char.isascii() else "\\" + form.format(ord(char)) for char in text)


def octal(text: str) -> str:
    return "".join(chr(byte) if byte < 128 else f"\\{byte:03o}" for byte in text.encode())


@pytest.mark.parametrize(
    "data",
    [
        json.dumps({"files": FILES}).encode(),
        ESCAPED.replace("ö", "\\xc3\\xb6").replace("ß", "\\xc3\\x9f").replace("é", "\\xc3\\xa9").encode(),
        ESCAPED.replace("ö", "\\xf6").replace("ß", "\\xdf").replace("é", "\\xe9").encode(),
        "".join(f'load("{escaped(name, "u{{{:x}}}")}")\n' for name in FILES).encode(),
        "".join(f'load("{escaped(name, "U{:08x}")}")\n' for name in FILES).encode(),
        "".join(f'load("{escaped(name, "U{:04X}")}");\n' for name in FILES).encode(),
        "".join(f'load("{octal(name)}")\n' for name in FILES).encode(),
        "\n".join(FILES).encode("utf-16"),
        "\n".join(FILES).encode("utf-8-sig"),
        json.dumps({"files": FILES}, ensure_ascii=False).encode("utf-16-be"),
        ESCAPED.encode("latin-1"),
        ESCAPED.encode("mac-roman"),
        plistlib.dumps({"files": FILES}, fmt=plistlib.FMT_BINARY),
        b"samples:\n" + "".join(f"  - {name}\n" for name in FILES).encode(),
        ";".join(FILES).encode(),
        "".join(f"{index};{name};36\r\n" for index, name in enumerate(FILES)).encode(),
    ],
    ids=[
        "u",
        "x bytes",
        "x",
        "u{}",
        "U8",
        "U4",
        "octal",
        "mark",
        "mark of utf-8",
        "wide",
        "latin-1",
        "mac",
        "plist",
        "yaml",
        "semicolons",
        "table",
    ],
)
def test_text_is_read_whatever_it_is_written_in(desk: Desk, data: bytes) -> None:
    for path in FILES:
        desk.put(path)
    desk.put("Slate Choir.slab", data)
    assert desk.contents() == []
    assert [found for found in desk.paths() if found.rule != "patch-unsure"] == []


def test_a_missing_name_in_a_list_with_bullets(desk: Desk) -> None:
    desk.put("Slate Choir.slab", "samples:\n  - Samples/Slate C3.wav\n  - Samples/Slate D3.wav\n  - Samples/gone.wav\n")
    (found,) = desk.contents()
    assert found.measured == "“Samples/gone.wav”"


def test_a_scan_is_remembered_under_the_names_it_was_read_with(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[int] = []

    def counting(*given: Any) -> Any:
        read.append(1)
        return scan_file(*given)

    monkeypatch.setattr("companion.contents.folder_scan.scan_file", counting)
    with Cache(None) as cache:

        def look() -> int:
            read.clear()
            scan_folder(desk.folder, take_inventory(desk.folder, desk.facts, cache, QUIET), desk.facts, cache, QUIET)
            return len(read)

        assert [look(), look()] == [1, 0]
        desk.put("README.txt", "nothing a patch names")
        assert look() == 0
        desk.put("Samples/Slate E3.wav")
        assert [look(), look()] == [1, 0]


@pytest.mark.parametrize(
    "data",
    [b"\0\1" + b".wav" * 3_000, b"\0\1" + b"../a" * 3_000, b"\0" + b"".join(b"n%05d.wav\0" % n for n in range(3_000))],
    ids=["endings", "beginnings", "names"],
)
def test_near_names_without_end_are_read_in_part_and_that_is_told(monkeypatch: pytest.MonkeyPatch, data: bytes) -> None:
    monkeypatch.setattr(learned, "MOST_SPOTS", 1_000)
    assert not scan_bytes(data).complete
    assert scan_bytes(data[:800]).complete


def test_a_name_of_a_megabyte_and_a_file_of_one_letter() -> None:
    known = FolderNames(["Samples/a.wav"])
    data = b"\0\1" + b"x" * (1 << 20) + b".wav\0\1\0Samples/a.wav\0" + b"\0" * 99
    assert [m.text for m in scan_bytes(data, names=known).mentions if m.sure] == ["Samples/a.wav"]
    assert scan_bytes(b"a" * (9 << 20)).mentions == ()


def test_digits_behind_a_backslash_are_no_escape(desk: Desk) -> None:
    """Folders of numbers, as some systems separate them: bytes in octal stand two in a row at least."""
    for path in ("Samples/300/a.wav", "Samples/201 b.wav"):
        desk.put(path)
    desk.put("Slate Choir.slab", b'load("Samples\\300\\a.wav")\nload("Samples\\201 b.wav")\n')
    assert {found.rule for found in desk.contents()} == {"sample-unused"}  # the other samples
    assert [found.rule for found in desk.paths()] == ["path-backslash"]
