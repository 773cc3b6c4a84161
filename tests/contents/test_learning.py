"""What known names teach of a layout, each beside its nearest innocent neighbour."""

from __future__ import annotations

import struct
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


ODD = [(form, "utf-16-be", 1) for form in ("<H", ">I", ">Q")]
"""Two zeros and more right before each name, which read as another layout just as well."""


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("closing", [0, 1])
@pytest.mark.parametrize(
    ("form", "told"),
    [
        ("B", "an 8-bit"),
        ("<H", "a 16-bit"),
        (">H", "a 16-bit"),
        ("<I", "a 32-bit"),
        (">I", "a 32-bit"),
        (">Q", "a 64-bit"),
    ],
)
def test_the_width_of_a_count_is_told_whatever_closes_the_name_before(
    form: str, told: str, closing: int, encoding: str
) -> None:
    zero = "\0".encode(encoding) * closing
    raw = [text.encode(encoding) for text in FILES]
    data = b"\x81KITX" + b"".join(struct.pack(form, len(name)) + name + zero for name in raw) + b"\xff\x07"
    found = scan_bytes(data, names=NAMES)
    assert sure(found) == FILES
    if (form, encoding, closing) not in ODD:
        assert found.reading == f"{len(FILES)} names, each after {told} count"


def _titled(title: str, text: str) -> bytes:
    """Return a row whose sizes stand in front: of the title, and of the name that runs on behind it."""
    return bytes([13 + 2 * len(title), 13 + 2 * len(text), 1]) + title.encode() + text.encode() + b"\x05"


def test_a_name_whose_size_stands_before_the_text_that_it_ends() -> None:
    files = [f"{'kick' * (n % 3 + 1)} {n}.wav" for n in range(95, 130)]
    texts = [*files, "tom 1.wav", "/Volumes/Work/tom 2.wav", "../tom 3.wav"]
    data = b"\x81" + b"".join(_titled(("Zone", "x", "Layer 2")[n % 3], text) for n, text in enumerate(texts))
    found = scan_bytes(data + b"\xff\0", names=FolderNames(files))
    assert set(sure(found)) == set(texts)
    glued = scan_bytes(
        (data + b"\xff\0").replace(_titled("x", "../tom 3.wav")[:3], b"\x0f\x0f\x01"), names=FolderNames(files)
    )
    assert {text for text in sure(glued) if text not in texts} == set()


def test_a_type_between_a_count_and_its_name() -> None:
    files = [f"{'kick' * (n % 3 + 1)} {n}.wav" for n in range(95, 130)]
    texts = [*files, "snare drum 1.wav", "/Volumes/Work/tom 2.wav"]
    data = b"".join(struct.pack("<HH", len(text), 0x4142) + text.encode() for text in texts)
    assert set(sure(scan_bytes(b"\x81\0" + data + b"\xff\0", names=FolderNames(files)))) == set(texts)


def test_names_of_one_length_teach_no_records() -> None:
    texts = [*FILES, "snare drum 1.wav", "/Volumes/Work/tom 2.wav"]
    data = b"".join(struct.pack("<HH", len(text), 0x4142) + text.encode() for text in texts)
    assert set(sure(scan_bytes(b"\x81\0" + data + b"\xff\0", names=NAMES))) <= set(texts)


@pytest.mark.parametrize("root", ["/Users/ada/takes", "/Volumes/Work/takes"])
def test_a_count_that_is_a_slash_or_a_tilde_in_front_of_a_root(root: str) -> None:
    for size in (47, 126):
        path = f"{root}/{'x' * (size - len(root) - 5)}.wav"
        texts = [*FILES, path, *FILES[:2]]
        data = b"".join(struct.pack(">H", len(text)) + text.encode() for text in texts)
        assert len(path) == size
        assert set(sure(scan_bytes(b"\x81" + data + b"\xff\0", names=NAMES))) == set(texts)


def test_a_count_never_reaches_into_the_name_before_it() -> None:
    """The last letter of one name and the type of the next, read as a number, fit the next one's length by chance."""
    texts = [*FILES, "a" * 104 + " tom.wav", *FILES[:2]]  # 'v' is 118

    def written(text: str) -> bytes:
        return b"A\0" + struct.pack("<H", 2 * len(text)) + text.encode("utf-16-le")

    found = scan_bytes(b"\x81\x80" + b"".join(map(written, texts)) + b"\xff\xff", names=NAMES)
    assert set(sure(found)) == set(texts)


def test_a_known_name_behind_a_slash_is_no_whole_name() -> None:
    """Four names are too few to learn from, and a path whose beginning cannot be told may be one of this computer."""
    files = [f"Samples/long name {n}.wav" for n in range(4)]
    glued = b"".join(b"K/takes/" + text.encode() + b"\x81\x07" for text in files)
    assert sure(scan_bytes(b"\x01\0" + glued, names=FolderNames(files))) == []
    plain = b"".join(b"\0" + text.encode() + b"\0\x81\x07" for text in files)
    assert sure(scan_bytes(b"\x01\0" + plain, names=FolderNames(files))) == files


def test_every_second_name_of_a_kind_does_not_stand_for_all() -> None:
    """Numbers that go up by one in front of the names: no draw of them may see the even ones only."""
    files = [f"reed pipe {n:04}.wav" for n in range(1_300)]
    data = b"".join(bytes([36 + n % 60, 100]) + struct.pack("<H", len(t)) + t.encode() for n, t in enumerate(files))
    assert sure(scan_bytes(b"\x81\0" + data + b"\xff\0", names=FolderNames(files))) == files


def test_a_root_in_arbitrary_bytes_is_told_only_behind_what_may_stand_there() -> None:
    assert [m.sure for m in scan_bytes(b"\x81\x9e~/Users/ada/x.wav\0\x81").mentions] == [False]
    assert [m.sure for m in scan_bytes(b"\x81\x9e\0~/Music/x.wav\0\x81").mentions] == [True]
    assert sure(scan_bytes(b"\x81\x9efile:/Users/ada/x.wav\0\x81")) == ["/Users/ada/x.wav"]  # rather a label
    assert sure(scan_bytes(b"\x81\x9e\0file:/Users/ada/x.wav\0\x81")) == ["file:/Users/ada/x.wav"]


def test_letters_of_two_bytes() -> None:
    files = [f"ポー太鼓 {n}.wav" for n in range(20)]  # the second byte of the first is "|", of others "[" and "\\"
    texts = [*files, "ポー太鼓 99.wav", "../表 7.wav"]
    raw = [text.encode("shift-jis") for text in texts]
    data = b"".join(struct.pack("<H", len(name)) + name for name in raw)
    found = scan_bytes(b"\x81\0" + data + b"\xff\0", names=FolderNames(files))
    assert set(sure(found)) == set(texts)
    assert {m.encoding for m in found.mentions} == {"cp932"}


def test_a_count_by_itself_counts_a_closing_zero_only_where_one_is() -> None:
    """How many names there are, in front of bytes that may be letters and names without anything between them."""
    data = b"\x81" + struct.pack(">I", 13) + b"$sQ1111x.wav;kick 101.wav\x02"
    assert sure(scan_bytes(data, names=NAMES)) == ["kick 101.wav"]
    closed = b"\x81" + struct.pack(">I", 10) + b"Q1000.wav\0\x02"
    assert sure(scan_bytes(closed, names=NAMES)) == ["Q1000.wav"]


def test_a_short_name_of_the_folder_behind_a_letter_may_be_the_end_of_another() -> None:
    assert sure(scan_bytes(b"\x81\x07Q10000.wav\x02\xff", names=NAMES)) == []
    assert sure(scan_bytes(b"\x81\x070.wav\x02\xff", names=NAMES)) == ["0.wav"]


def test_names_without_anything_between_them_do_not_tell_where_the_first_begins() -> None:
    texts = ["../" + FILES[3], *FILES[4:30], *FILES[:3]]
    found = sure(scan_bytes(b"\x81\x1fD" + "".join(texts).encode() + b"\xff\0", names=NAMES))
    assert set(found) - set(FILES) <= {"../" + FILES[3]}
    assert set(FILES[4:30]) <= set(found)


def test_a_short_name_behind_a_letter_that_is_its_length() -> None:
    """As in binary property lists, where half a byte is a mark."""
    data = b"\x81" + b"".join(bytes([0x50 | len(text)]) + text.encode() for text in ("3.wav", "7.wav")) + b"\x08\0"
    assert sure(scan_bytes(data, names=NAMES)) == ["3.wav", "7.wav"]
