from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Any

import msgspec
import pytest
from PIL import Image, PngImagePlugin

from companion.contents.folder_scan import scan_folder
from companion.contents.inventory import take_inventory
from companion.contents.reading.pictures import read_picture
from companion.core.cache import Cache
from companion.core.facts import Contents
from companion.core.progress import QUIET, Progress, Watch


def picture(path: Path, **save: Any) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", (8, 6), "grey").save(path, **save)
    return path


@pytest.mark.parametrize("name", ["a.png", "a.jpg", "a.gif", "a.webp", "a.bmp"])
def test_a_sound_picture_opens(tmp_path: Path, name: str) -> None:
    assert read_picture(picture(tmp_path / name)).problem == ""


def test_damaged_pictures_are_a_problem_each(tmp_path: Path) -> None:
    whole = picture(tmp_path / "a.png").read_bytes()
    for damaged in (whole[:-30], whole[:40], b"no picture", whole.replace(b"IDAT", b"IDAX")):
        (tmp_path / "b.png").write_bytes(damaged)
        problem = read_picture(tmp_path / "b.png").problem
        assert problem
        assert str(tmp_path) not in problem


def test_a_bomb_is_not_unpacked(tmp_path: Path) -> None:
    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    for side, reason in ((9000, "too many"), (60_000, "more pixels")):
        head = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
        bomb = (
            b"\x89PNG\r\n\x1a\n"
            + chunk(b"IHDR", head)
            + chunk(b"IDAT", zlib.compress(bytes(1000)))
            + chunk(b"IEND", b"")
        )
        (tmp_path / "bomb.png").write_bytes(bomb)
        assert reason in read_picture(tmp_path / "bomb.png").problem


def test_metadata_of_pictures(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x010E] = "made in /Users/ann/art"
    exif.get_ifd(0x8769)[0xA431] = "1234567"
    text = PngImagePlugin.PngInfo()
    text.add_text("Comment", "C:\\Users\\ann\\x")
    jpeg = read_picture(picture(tmp_path / "a.jpg", exif=exif)).metadata
    png = read_picture(picture(tmp_path / "a.png", pnginfo=text)).metadata
    assert ("EXIF ImageDescription", "made in /Users/ann/art") in jpeg
    assert ("EXIF BodySerialNumber", "1234567") in jpeg
    assert ("Comment", "C:\\Users\\ann\\x") in png


def test_a_picture_that_opens_is_left_alone(desk: Any) -> None:
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav", "ui/fine.png")
    picture(desk.folder / "ui/fine.png")
    assert desk.contents() == []
    whole = (desk.folder / "ui/fine.png").read_bytes()
    desk.put("ui/fine.png", whole[: len(whole) // 2])
    assert [(f.rule, f.path) for f in desk.contents()] == [("picture-unreadable", "ui/fine.png")]


def test_findings_and_the_second_look(desk: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    exif = Image.Exif()
    exif[0x013B] = "/Users/ann"
    picture(desk.folder / "ui/private.jpg", exif=exif)
    picture(desk.folder / "ui/fine.png")
    desk.put("ui/broken.png", b"no picture")
    desk.facts = msgspec.structs.replace(desk.facts, include=("**", "ui/*"))
    assert [(f.rule, f.path) for f in desk.contents()] == [("picture-unreadable", "ui/broken.png")]
    assert [(f.rule, f.path) for f in desk.paths()] == [("metadata-private", "ui/private.jpg")]
    with Cache(None) as cache:
        inventory = take_inventory(desk.folder, Contents(), cache, QUIET)
        stages: list[Progress] = []
        first = scan_folder(desk.folder, inventory, Contents(), cache, Watch(stages.append, every=0))
        assert {(p.what, p.total) for p in stages} == {
            ("Reading paths in patches and scripts", 1),
            ("Opening pictures", 3),
        }
        opened = lambda path: pytest.fail(f"opened {path} again")  # noqa: E731
        monkeypatch.setattr("companion.contents.reading.pictures.read_picture", opened)
        monkeypatch.setattr("companion.contents.folder_scan.scan_file", lambda *given: pytest.fail("scanned again"))
        assert scan_folder(desk.folder, inventory, Contents(), cache, QUIET).pictures == first.pictures
