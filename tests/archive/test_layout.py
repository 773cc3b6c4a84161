"""Header bytes against PKWARE's APPNOTE 6.3.10, read at the offsets printed there."""

from __future__ import annotations

import io
import struct
import zipfile

import pytest

from companion.archive.layout import NO_DAY, Header, central_header, end_records, extras, local_header, stamp

LIMIT = 0xFFFFFFFF


def _local(size: int, packed: int) -> bytes:
    return local_header(Header(b"n", method=8, crc=7, packed=packed, size=size))


def _central(size: int = 1, packed: int = 1, offset: int = 0) -> bytes:
    return central_header(Header(b"n", 8, 7, packed, size), offset=offset, mode=0o100644)


def test_local_header_without_zip64() -> None:  # 4.3.7
    header = _local(LIMIT - 1, 5)
    assert header[:4] == b"PK\x03\x04"
    assert struct.unpack_from("<H", header, 4) == (20,)
    assert struct.unpack_from("<H", header, 6) == (0,)
    assert struct.unpack_from("<HH", header, 10) == (0, 0b0000000_0001_00001)  # 4.4.6: midnight, 1 January 1980
    assert struct.unpack_from("<IIIHH", header, 14) == (7, 5, LIMIT - 1, 1, 0)
    assert header[30:] == b"n"


def test_local_header_with_zip64_has_both_sizes_in_its_extra() -> None:  # 4.5.3: "MUST include BOTH"
    header = _local(LIMIT, 5)
    assert struct.unpack_from("<H", header, 4) == (45,)
    assert struct.unpack_from("<IIIHH", header, 14) == (7, LIMIT, LIMIT, 1, 20)
    assert struct.unpack_from("<HHQQ", header, 31) == (1, 16, LIMIT, 5)
    assert len(header) == 51


@pytest.mark.parametrize(
    ("values", "extra"),
    [
        ({}, ()),
        ({"size": LIMIT - 1, "packed": LIMIT - 1, "offset": LIMIT - 1}, ()),
        ({"size": LIMIT}, (LIMIT,)),
        ({"offset": LIMIT}, (LIMIT,)),
        ({"size": LIMIT + 9, "packed": LIMIT + 8, "offset": LIMIT + 7}, (LIMIT + 9, LIMIT + 8, LIMIT + 7)),
        ({"size": LIMIT + 9, "offset": LIMIT + 7}, (LIMIT + 9, LIMIT + 7)),
    ],
)
def test_central_header_puts_only_what_does_not_fit_into_its_extra(
    values: dict[str, int], extra: tuple[int, ...]
) -> None:  # 4.5.3: only fields that are saturated, in this order
    header = _central(**values)
    size, packed, offset = values.get("size", 1), values.get("packed", 1), values.get("offset", 0)
    assert struct.unpack_from("<II", header, 20) == (min(packed, LIMIT), min(size, LIMIT))
    assert struct.unpack_from("<I", header, 42) == (min(offset, LIMIT),)
    assert struct.unpack_from("<HH", header, 4) == (3 << 8 | (45 if extra else 20), 45 if extra else 20)
    assert struct.unpack_from("<I", header, 38) == (0o100644 << 16,)
    read = extras(header[47:])
    assert read == ({1: struct.pack(f"<{len(extra)}Q", *extra)} if extra else {})


@pytest.mark.parametrize(
    ("count", "size", "offset", "large"),
    [
        (0xFFFE, LIMIT - 1, LIMIT - 1, False),
        (0xFFFF, 10, 10, True),
        (1, LIMIT, 10, True),
        (1, 10, LIMIT, True),
    ],
)
def test_end_records_turn_to_zip64_at_the_limit_and_not_before(
    count: int, size: int, offset: int, large: bool
) -> None:  # 4.4.1.4, 4.3.14–4.3.16
    data = end_records(count, size, offset)
    assert len(data) == (22 + 20 + 56 if large else 22)
    if large:
        assert struct.unpack_from("<4sQHHIIQQQQ", data) == (
            b"PK\x06\x06", 44, 3 << 8 | 45, 45, 0, 0, count, count, size, offset,
        )  # fmt: skip
        assert struct.unpack_from("<4sIQI", data, 56) == (b"PK\x06\x07", 0, offset + size, 1)
    assert struct.unpack_from("<4s4H2IH", data, len(data) - 22) == (
        b"PK\x05\x06", 0, 0, min(count, 0xFFFF), min(count, 0xFFFF), min(size, LIMIT), min(offset, LIMIT), 0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("day", "read"),
    [
        ("2026-11-27", (2026, 11, 27, 0, 0, 0)),
        ("2024-02-29", (2024, 2, 29, 0, 0, 0)),
        ("1980-01-01", (1980, 1, 1, 0, 0, 0)),
        ("2107-12-31", (2107, 12, 31, 0, 0, 0)),
    ],
)
def test_a_day_is_the_one_that_pythons_zipfile_reads(day: str, read: tuple[int, ...]) -> None:  # 4.4.6
    header = Header(b"n", 0, 0, 0, 0, stamp(day))
    local, central = local_header(header), central_header(header, offset=0, mode=0o100644)
    with zipfile.ZipFile(io.BytesIO(local + central + end_records(1, len(central), len(local)))) as archive:
        assert archive.infolist()[0].date_time == read
    assert local[10:14] == central[12:16], "both headers say the same"


@pytest.mark.parametrize("day", ["", "1979-12-31", "2108-01-01", "2026-02-30", "27.11.2026", "today", "9999-12-31"])
def test_what_is_no_day_an_archive_can_bear_is_the_earliest(day: str) -> None:
    assert stamp(day) == NO_DAY == (0, 33)
