"""What known names teach of a layout, each beside its nearest innocent neighbour."""

from __future__ import annotations

import zlib

import pytest

from companion.contents.reading.names import FolderNames
from companion.contents.reading.scan import scan_bytes
from companion.contents.reading.scanned import Scan

FILES = [f"kick {number}.wav" for number in range(100, 130)] + [f"{number}.wav" for number in range(9)]
NAMES = FolderNames(FILES)


def sure(found: Scan) -> list[str]:
    return [m.text for m in found.mentions if m.sure]


def closed(texts: list[str]) -> bytes:
    return b"\x01\0" + b"".join(text.encode() + b"\0" for text in texts) + b"\xff"


def test_names_that_end_in_names_of_the_folder_do_not_unteach_the_layout() -> None:
    lost = [f"lost {number * 111}.wav" for number in range(9)] + ["Q5.wav", "big kick 101.wav", "hum.wav"]
    assert set(sure(scan_bytes(closed(FILES + lost), names=NAMES))) == {*FILES, *lost}


def test_a_letter_by_chance_in_front_of_a_long_known_name_is_no_longer_name() -> None:
    data = closed(FILES).replace(b"kick 104", b"Akick 104")
    assert set(sure(scan_bytes(data, names=NAMES))) == set(FILES)


def test_the_very_first_name_of_a_part_needs_no_zero_in_front() -> None:
    def parts(first: str) -> Scan:
        texts = [first, *FILES]
        return scan_bytes(b"\x01\0KIT" + zlib.compress("\0".join(texts).encode() + b"\0\xff"), names=NAMES)

    assert "hum 5.flac" in sure(parts("hum 5.flac"))
    assert "hum 5.flac" not in sure(
        scan_bytes(b"\x01KIT" + zlib.compress(b"\x81hum 5.flac" + closed(FILES)), names=NAMES)
    )


def _marked(texts: list[str]) -> bytes:
    """Return ``texts`` behind one byte of mark and length up to 31, and behind two from 32 on."""
    return b"".join(
        (bytes([0xA0 | len(t)]) if len(t) < 32 else b"\xd9" + bytes([len(t)])) + t.encode("cp1252") for t in texts
    )


@pytest.mark.parametrize("text", ["/Volumes/Work/Takes of spring/tom 12.wav", "/Users/ada/Takes of ré/tom 12.wav"])
def test_lengths_in_two_forms(text: str) -> None:
    names = FolderNames([*FILES, "Glas é.wav"])
    for size in (45, *range(48, 58)):  # whose bytes are a hyphen and digits
        path = text.replace("tom", "t" + "o" * (size - len(text) + 1) + "m")
        found = scan_bytes(b"\x81\0" + _marked([*FILES, "Glas é.wav", path, *FILES[:3]]) + b"\xff\0", names=names)
        assert [t for t in sure(found) if t not in FILES and t != "Glas é.wav"] == [path], len(path)


def test_a_count_of_24_bits_behind_which_lengths_differ() -> None:
    texts = [*FILES, "tom 1.wav", "/Volumes/Work/tom.wav"]
    data = b"".join(b"\xfe\x81" + len(text).to_bytes(3, "big") + text.encode() for text in texts)
    found = scan_bytes(data, names=NAMES)
    assert set(sure(found)) == set(texts)
    assert found.reading == "41 names, each after a 24-bit count"


def test_filling_bytes_that_are_letters_in_a_code_page_belong_to_no_name() -> None:
    texts = [*FILES, "lost 333.wav", "hum 12345.wav", "tom é.wav"]
    data = b"\xff" * 8 + b"".join((text.encode("cp1252") + b"\0").ljust(40, b"\xff") for text in texts)
    assert set(sure(scan_bytes(data, names=FolderNames([*FILES, "tom é.wav"])))) == set(texts)


def test_what_is_left_of_an_older_name_in_a_buffer_used_anew_is_no_name() -> None:
    texts = [*FILES, "Takes of last spring 1.wav", "hum.wav", "x.wav", *FILES[:3]]

    def buffers(size: int) -> bytes:
        out, last = b"", b""
        for number, text in enumerate(texts):
            raw = text.encode() + b"\0"
            last = (raw + last[len(raw) :]).ljust(size, b"\0")
            out += bytes([number, 2, 1]) + last
        return b"\1\2" + out + b"\xff"

    assert buffers(40).count(b"spring 1.wav\0") == 6
    found = sure(scan_bytes(buffers(40), names=NAMES))
    assert set(found) == set(texts)
