from __future__ import annotations

import random
import struct
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from companion.archive.inspect import inspect
from companion.archive.model import MOST_DEFECTS, ArchiveModel, DefectKind
from companion.archive.rules import RULES
from companion.archive.whole_rules import archive_bomb, archive_differs
from companion.core.errors import CompanionError

RawZip = Callable[..., Path]


def test_what_is_no_archive_is_told_plainly(tmp_path: Path) -> None:
    for name, data in (("empty.zip", b""), ("text.zip", b"hello\n" * 50), ("\x1b[31m.zip", b"RIFF" * 999)):
        path = tmp_path / name
        path.write_bytes(data)
        with pytest.raises(CompanionError, match="not a zip archive") as caught:
            inspect(path)
        assert "\x1b" not in caught.value.line
    with pytest.raises(CompanionError, match="not a file"):
        inspect(tmp_path)
    with pytest.raises(CompanionError, match="Could not read"):
        inspect(tmp_path / "nowhere.zip")


def test_values_are_those_of_both_headers(raw_zip: RawZip) -> None:
    seen = inspect(raw_zip({"name": "S/a.wav", "data": b"x" * 50, "mode": 0o100755}, {"name": "S/é", "method": 0}))
    assert seen.defects == ()
    first, second = seen.members
    assert (first.name, first.size, first.method, first.mode, first.offset) == ("S/a.wav", 50, 8, 0o100755, 0)
    assert (second.name, second.raw, second.packed, second.method) == ("S/é", "S/é".encode(), 7, 0)
    assert second.data == second.offset + 30 + len("S/é".encode())
    assert seen.unpacked == 57
    assert not seen.zip64


def _commented(path: Path, comment: bytes) -> Path:
    path.write_bytes(path.read_bytes()[:-2] + struct.pack("<H", len(comment)) + comment)
    return path


def test_a_comment_holding_an_end_record_is_told(raw_zip: RawZip) -> None:
    # Who looks for the end from behind, as most do, takes the one in the comment and opens whatever that points to.
    seen = inspect(_commented(raw_zip({}), b"PK\x05\x06" + bytes(18) + b"tail"))
    assert [member.name for member in seen.members] == ["Slate Choir/one.wav"]
    assert [(defect.kind, "second end" in defect.detail) for defect in seen.defects] == [(DefectKind.DISAGREES, True)]
    assert inspect(_commented(raw_zip({}), b"Packed by PK, 5\x05\x06 of them")).defects == ()


def _zip64(raw_zip: RawZip, *, pointer: int | None = None, beyond: bytes = b"") -> Path:
    """Return an archive of one member with a Zip64 end record; ``beyond`` lies in that record's data sector."""
    path = raw_zip({})
    data = path.read_bytes()
    at = len(data) - 22
    size, start = struct.unpack_from("<2I", data, at + 12)
    end64 = struct.pack("<4sQ2H2I4Q", b"PK\6\6", 44 + len(beyond), 45, 45, 0, 0, 1, 1, size, start) + beyond
    locator = struct.pack("<4sIQI", b"PK\6\7", 0, at if pointer is None else pointer, 1)
    path.write_bytes(data[:at] + end64 + locator + data[at:])
    return path


def test_a_zip64_end_leaves_no_room_for_a_second_directory(raw_zip: RawZip) -> None:
    assert inspect(_zip64(raw_zip)).defects == ()
    assert inspect(_zip64(raw_zip)).zip64
    # Who takes the record right before the locator reads what is hidden here, and not what the locator points to.
    hidden = inspect(_zip64(raw_zip, beyond=b"PK\1\2" + bytes(96)))
    assert "bytes lie between its end records" in {defect.detail for defect in hidden.defects}
    for pointer in (0, 7, 1 << 60, 2**64 - 1):
        astray = inspect(_zip64(raw_zip, pointer=pointer))
        assert "it does not say where its Zip64 end record is" in {defect.detail for defect in astray.defects}


@pytest.mark.parametrize("add", [1, -1])
@pytest.mark.parametrize("back", [18, 16, 14, 22 + 16, 22 + 4])  # disk, first disk, count here; locator: disk, disks
def test_one_part_of_several_is_told_though_zip64_says_the_rest(raw_zip: RawZip, back: int, add: int) -> None:
    path = _zip64(raw_zip)
    data = bytearray(path.read_bytes())
    data[-back] = (data[-back] + add) % 256
    path.write_bytes(data)
    assert [defect.detail.partition(",")[0] for defect in inspect(path).defects] == ["it is one part of several"]


@pytest.mark.parametrize(("back", "form"), [((14, 12), "<H"), ((10,), "<I"), ((6,), "<I")])  # counts, size, start
def test_end_records_that_differ_are_a_contradiction(raw_zip: RawZip, back: tuple[int, ...], form: str) -> None:
    path = _zip64(raw_zip)
    whole = path.read_bytes()
    for value, details in ((7, ["its two end records differ"]), (256 ** struct.calcsize(form) - 1, [])):
        data = bytearray(whole)
        for at in back:
            struct.pack_into(form, data, len(data) - at, value)
        path.write_bytes(data)
        assert [defect.detail for defect in inspect(path).defects] == details, "all ones leave it to the other"


@pytest.mark.parametrize("descriptor", [0, 8])
def test_places_beyond_any_file_are_told(raw_zip: RawZip, descriptor: int) -> None:
    far = struct.pack("<2H3Q", 1, 24, 2**64 - 1, 2**64 - 1, 2**64 - 1)
    lies = {"size": 2**32 - 1, "packed": 2**32 - 1, "extra": far}
    nowhere = inspect(raw_zip({"flags": descriptor, "central": {**lies, "offset": 2**32 - 1}}))
    assert DefectKind.TRUNCATED in {defect.kind for defect in nowhere.defects}
    endless = {**lies, "extra": far[:2] + struct.pack("<H", 16) + far[4:20]}
    assert DefectKind.TRUNCATED in {d.kind for d in inspect(raw_zip({"flags": descriptor, "central": endless})).defects}


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_any_damage_is_survived(raw_zip: RawZip, data: st.DataObject) -> None:
    path = raw_zip({"name": "S/a"}, {"name": "S/ü", "flags": 0x808, "behind": bytes(16)}, {"name": "S/c", "method": 0})
    whole = bytearray(path.read_bytes())
    for at in data.draw(st.lists(st.integers(0, len(whole) - 1), max_size=12)):
        whole[at] = data.draw(st.sampled_from([0, 1, 0xFF, 0x50, 0x7F, 0x80]))
    cut = data.draw(st.integers(0, len(whole)))
    path.write_bytes(bytes(whole[:cut]) if data.draw(st.booleans()) else bytes(whole[len(whole) - cut :]))
    try:
        seen = inspect(path)
    except CompanionError:
        return
    for rule in RULES:
        rule(ArchiveModel(inspection=seen))


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=400), st.lists(st.sampled_from([b"PK\1\2", b"PK\3\4", b"PK\5\6", b"PK\6\6", b"PK\6\7"])))
def test_any_bytes_are_survived(tmp_path: Path, noise: bytes, marks: list[bytes]) -> None:
    order = random.Random(noise)
    for mark in marks:
        at = order.randrange(len(noise) + 1)
        noise = noise[:at] + mark + noise[at:]
    path = tmp_path / "noise.zip"
    path.write_bytes(noise + b"PK\5\6" + order.randbytes(16) + b"\0\0")
    try:
        seen = inspect(path)
    except CompanionError:
        return
    archive = ArchiveModel(inspection=seen)
    assert not seen.members or archive_differs(archive) or archive_bomb(archive)


def test_an_end_that_promises_members_without_end(raw_zip: RawZip, tmp_path: Path) -> None:
    path = tmp_path / "promise.zip"
    end64 = struct.pack("<4sQ2H2I4Q", b"PK\6\6", 44, 45, 45, 0, 0, 1 << 40, 1 << 40, 1 << 50, 0)
    locator = struct.pack("<4sIQI", b"PK\6\7", 0, 0, 1)
    path.write_bytes(
        end64 + locator + struct.pack("<4s4H2IH", b"PK\5\6", 0, 0, 0xFFFF, 0xFFFF, 2**32 - 1, 2**32 - 1, 0)
    )
    seen = inspect(path)
    assert DefectKind.TOO_MUCH in {defect.kind for defect in seen.defects}
    assert archive_bomb(ArchiveModel(inspection=seen))


def test_a_directory_that_points_to_one_header_ten_thousand_times(raw_zip: RawZip) -> None:
    wide = {"extra": struct.pack("<2H", 0xCAFE, 60_000) + bytes(60_000)}
    others = [{"name": f"Slate Choir/{n}", "data": b"", "method": 0, "central": {"offset": 0}} for n in range(10_000)]
    path = raw_zip({"local": wide}, *others)
    began = time.process_time()
    seen = inspect(path)
    assert time.process_time() - began < 5  # read in full each time, it would be 600 MB of headers
    assert "the headers of its members are longer than the archive" in {defect.detail for defect in seen.defects}
    assert len(seen.members) == 10_001
    assert archive_bomb(ArchiveModel(inspection=seen))


def test_contradictions_are_kept_up_to_a_limit(raw_zip: RawZip) -> None:
    lying = [
        {"name": f"Slate Choir/{n}", "data": b"", "method": 0, "local": {"crc": 5}} for n in range(MOST_DEFECTS + 9)
    ]
    assert len(inspect(raw_zip(*lying)).defects) == MOST_DEFECTS
