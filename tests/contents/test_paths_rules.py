"""Each rule of Paths on a folder that has the fault, and on its nearest innocent neighbour."""

from __future__ import annotations

import random
import zlib
from collections.abc import Callable
from typing import Any

import pytest

from companion.contents.reading.inflate import Budget
from companion.core.facts import Contents
from companion.core.findings import Finding, Severity

Desk = Any
Ids = Callable[[list[Finding]], list[str]]
CLEAN = ("Samples/Slate C3.wav", "Samples/Slate D3.wav")


@pytest.mark.parametrize(
    "path",
    [
        "D:\\Audio\\Slate\\a.wav",
        "/Volumes/Disk/a.wav",
        "/srv/audio/a.wav",
        "\\\\nas\\audio\\a.wav",
        "file:///srv/audio/a.wav",
        "/Users/Shared/a.wav",
        "D:\\Samples\\Slate",
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be", "zlib"])
def test_path_absolute(desk: Desk, path: str, encoding: str) -> None:
    raw = zlib.compress(b"\0" + path.encode() + b"\0") if encoding == "zlib" else path.encode(encoding)
    desk.put("Slate Choir.slab", b"\1\2\0\0" + raw + b"\0\0\1Samples/Slate C3.wav\0\1Samples/Slate D3.wav\0")
    (found,) = desk.paths()
    assert (found.rule, found.severity, found.path) == ("path-absolute", Severity.BLOCKS, "Slate Choir.slab")
    assert path in found.measured
    assert ("zlib part at byte 4" in found.where) == (encoding == "zlib")


def test_many_absolute_paths_are_one_finding(desk: Desk) -> None:
    desk.patch(*(f"D:\\Audio\\{n}.wav" for n in range(300)))
    (found,) = desk.paths()
    assert found.measured == "“D:\\Audio\\0.wav”, the first of 300"
    assert (found.value, found.at.byte) == ("D:\\Audio\\0.wav", 10)


@pytest.mark.parametrize(
    "path",
    [
        "/Users/ann/a.wav",
        "/home/ann/a.wav",
        "C:\\Users\\Ann Lee\\a.wav",
        "~/Slate/a.wav",
        "%USERPROFILE%\\Desktop\\a.wav",
        "file:///Users/ann/a.wav",
    ],
)
def test_path_home(desk: Desk, rules_of: Ids, path: str) -> None:
    desk.patch(*CLEAN, path)
    assert rules_of(desk.paths()) == ["path-home"]


def test_this_computers_user_and_home(desk: Desk, rules_of: Ids) -> None:
    desk.patch(*CLEAN, "/srv/people/quarry/a.wav")
    assert rules_of(desk.paths(user="quarry")) == ["path-home"]
    assert rules_of(desk.paths(home="/srv/people/quarry")) == ["path-home"]
    assert rules_of(desk.paths(user="other", home="/srv/people/quarryman")) == ["path-absolute"]
    for other in ("/srv/people/quar", "/srv/people/quarry.a", "/sr", ""):
        assert rules_of(desk.paths(home=other)) == ["path-absolute"]
    desk.patch(*CLEAN, "/srv/people/quarry.old/a.wav")
    assert rules_of(desk.paths(home="/srv/people/quarry")) == ["path-absolute"]


def test_a_user_name_in_a_relative_path_is_no_home(desk: Desk, rules_of: Ids) -> None:
    desk.put("Samples/ann/a.wav")
    desk.patch(*CLEAN, "Samples/ann/a.wav")
    assert rules_of(desk.paths(user="ann", home="/home/ann")) == []


def test_a_home_in_a_comment_warns(desk: Desk) -> None:
    desk.put("Scripts/a.lua", "-- copied from /Users/ann/Scripts/old.lua\n-- ~/x/y/whatever\n")
    (found,) = desk.paths()
    assert (found.rule, found.severity) == ("path-home", Severity.WARNS)
    desk.put("Scripts/a.lua", "#!/usr/bin/env lua\n-- see https://example.org/Users/ann/x\n-- a/b or ~/x\n")
    assert desk.paths() == []


def test_path_climbs(desk: Desk, rules_of: Ids) -> None:
    desk.patch(*CLEAN, "../Other Kit/a.wav")
    assert rules_of(desk.paths()) == ["path-climbs"]
    desk.patch(*CLEAN, "../../Other Kit/Samples")
    assert rules_of(desk.paths()) == ["path-climbs"]


def test_climbing_inside_the_folder_is_fine(desk: Desk, rules_of: Ids) -> None:
    (desk.folder / "Slate Choir.slab").unlink()
    desk.facts = Contents(patches=("**/*.slab",), samples=("Samples/**",))
    desk.patch("../Samples/Slate C3.wav", "../Samples/Slate D3.wav", name="Patches/Slate Choir.slab")
    assert rules_of(desk.paths()) == []
    assert rules_of(desk.contents()) == []


def test_path_backslash(desk: Desk, rules_of: Ids) -> None:
    desk.patch("Samples\\Slate C3.wav", "Samples\\Slate D3.wav")
    (found,) = desk.paths()
    assert (found.rule, found.severity) == ("path-backslash", Severity.NOTES)
    assert rules_of(desk.contents()) == []
    desk.put("Slate Choir.slab", '{"a": "Samples\\/Slate C3.wav", "b": "Samples\\/Slate D3.wav"}')
    assert rules_of(desk.paths()) == []


def test_patch_opaque(desk: Desk) -> None:
    desk.put("Slate Choir.slab", random.Random(2).randbytes(5000))
    (found,) = desk.paths()
    assert (found.rule, found.unknown) == ("patch-opaque", True)
    assert "compressed or encrypted" in found.measured
    assert "away test" in found.mend
    desk.put("Slate Choir.slab", bytes(range(100)) * 40)
    (found,) = desk.paths()
    assert found.unknown
    assert "no path in it" in found.measured


def test_a_patch_that_was_read_in_part_only_is_unknown(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("companion.contents.reading.scan.Budget", lambda: Budget(total=100))
    part = zlib.compress(b"Samples/Slate C3.wav\0" * 9)
    desk.put("Slate Choir.slab", b"\1\0Samples/Slate C3.wav\0" + part)
    (found,) = desk.paths()
    assert (found.rule, found.unknown) == ("patch-opaque", True)
    assert "sample-unused" not in [f.rule for f in desk.contents()]


def test_a_patch_that_can_be_read_is_not_opaque(desk: Desk, rules_of: Ids) -> None:
    desk.put("Slate Choir.slab", random.Random(2).randbytes(5000) + b"\0\1Samples/Slate C3.wav\0")
    assert rules_of(desk.paths()) == []


@pytest.mark.parametrize(
    ("data", "measured"),
    [
        (b"HELLO", "plain text of 5 bytes that names no file"),
        (b"oscillator = sine\nvolume = 3\n", "plain text of 29 bytes that names no file"),
        (b"", "there is nothing in it"),
    ],
)
def test_a_patch_that_names_no_file_tells_nothing(desk: Desk, rules_of: Ids, data: bytes, measured: str) -> None:
    desk.put("Slate Choir.slab", data)
    (found,) = desk.paths()
    assert (found.rule, found.unknown, found.measured) == ("patch-opaque", True, measured)
    unread = [one for one in desk.contents() if one.unknown]
    assert [(one.rule, one.path) for one in unread] == [("references-unread", "Slate Choir.slab")]
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav")
    assert rules_of(desk.paths()) == rules_of(desk.contents()) == []


def test_where_no_patch_ships_no_path_was_read(desk: Desk) -> None:
    (desk.folder / "Slate Choir.slab").unlink()
    (found,) = desk.paths()
    assert (found.rule, found.path, found.unknown) == ("patch-opaque", "", True)


@pytest.mark.parametrize(
    ("data", "measured"),
    [
        ("name = 'Größe'".encode("latin-1"), "not UTF-8"),
        ("\ufeffname = 'x'".encode(), "UTF-8 with a byte order mark"),
        ("name = 'x'".encode("utf-16"), "UTF-16"),
        ("a = 'é'\r\nb = 2\nc = 3".encode(), "mixed line endings: CR LF and LF"),
    ],
)
def test_script_encoding(desk: Desk, data: bytes, measured: str) -> None:
    desk.put("Scripts/a.lua", data)
    (found,) = desk.paths()
    assert (found.rule, found.measured) == ("script-encoding", measured)


@pytest.mark.parametrize("data", [b"a = 1\r\nb = 2\n", "a = 'é'\r\nb = 2\r\n".encode(), "a = 'é'\n".encode()])
def test_scripts_that_are_fine(desk: Desk, data: bytes) -> None:
    desk.put("Scripts/a.lua", data)
    assert desk.paths() == []


@pytest.mark.parametrize(
    ("field", "text"),
    [
        ("bext", "exported to /Users/ann/Slate/out.wav"),
        ("ID3 PRIV", "C:\\Users\\Ann\\x"),
        ("ID3 PRIV", "%APPDATA%\\x"),
        ("iXML", "<PATH>/srv/people/quarry</PATH>"),
        ("iXML", "<NOTE>by quarry on the mac</NOTE>"),
        ("EXIF BodySerialNumber", "0042131"),
        ("iXML", "<SERIAL_NUMBER>AB-12345</SERIAL_NUMBER>"),
        ("LIST ICMT", "recorder serial no: 1234567"),
        ("GPS GPSLatitude", "52.0 3.0 1.2"),
    ],
)
def test_metadata_private(desk: Desk, field: str, text: str) -> None:
    metadata = {"Samples/Slate C3.wav": (("LIST INAM", "Slate C3"), (field, text)), "elsewhere.wav": ((field, text),)}
    (found,) = desk.paths(metadata=metadata, user="quarry", home="/srv/people/quarry")
    assert (found.rule, found.path, found.where) == ("metadata-private", "Samples/Slate C3.wav", field)


def test_what_is_private_is_described_and_the_rest_is_counted(desk: Desk) -> None:
    one = ("bext", "exported to /Users/ann/Slate/out.wav")
    (found,) = desk.paths(metadata={"Samples/Slate C3.wav": (one,)})
    assert found.measured == "a home folder: /Users/ann"
    (found,) = desk.paths(metadata={"Samples/Slate C3.wav": (one, ("iXML", "x"), ("iXML", "by quarry"))}, user="quarry")
    assert found.measured == "a home folder: /Users/ann, and 1 more"


@pytest.mark.parametrize(
    ("field", "text"),
    [
        ("LIST IART", "Quay Room"),
        ("LIST ICMT", "a serial of slates, quarrying"),
        ("bext", "Slate C3, take 4, 2025-03-01"),
        ("iXML", "see https://example.org/home"),
        ("iXML", "C:\\Users\\All Users\\Slate and /Users/Shared/Slate"),
        ("iXML", "from /srv/homes/quarryman"),
        ("EXIF BodySerialNumber", "0000"),
    ],
)
def test_metadata_that_is_fine(desk: Desk, field: str, text: str) -> None:
    assert desk.paths(metadata={"Samples/Slate C3.wav": ((field, text),)}, user="quarry", home="/home/quarry") == []
