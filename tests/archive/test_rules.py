"""Each rule: an archive that has the fault, and its nearest innocent neighbour."""

from __future__ import annotations

import struct
import tracemalloc
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.archive.inspect import inspect
from companion.archive.member_rules import member_duplicate
from companion.archive.model import ArchiveModel, Inspection, ZipMember
from companion.archive.rules import MOST_FINDINGS, RULES, findings_of
from companion.archive.whole_rules import archive_bomb, checksum_wrong, size_over_limit
from companion.core.findings import Finding, Severity

RawZip = Callable[..., Path]


def _all(path: Path) -> list[Finding]:
    archive = ArchiveModel(inspection=inspect(path))
    return [finding for rule in RULES for finding in findings_of(rule, archive)]


def _rules(path: Path) -> list[str]:
    return sorted({finding.rule for finding in _all(path)})


def _named(*names: str | bytes, **more: Any) -> list[dict[str, Any]]:
    return [{"name": name, **more} for name in names]


def test_a_plain_archive_has_nothing_wrong(raw_zip: RawZip) -> None:
    assert _all(raw_zip(*_named("Slate Choir/a.wav", "Slate Choir/Ä/b.wav", "Slate Choir/c.txt"))) == []
    assert _all(raw_zip({"name": "S/", "data": b"", "method": 0, "mode": 0o040755}, {"name": "S/a"})) == []


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"local": {"name": b"Slate Choir/two.wav"}}, "name"),
        ({"local": {"method": 0}}, "method"),
        ({"local": {"crc": 5}}, "CRC-32"),
        ({"local": {"size": 5}}, "size"),
        ({"local": {"packed": 5}}, "packed size"),
        ({"local": {"flags": 0x800}}, "UTF-8 flag"),
        ({"local": {"flags": 8}}, "data descriptor flag"),
        ({"central": {"offset": 3}}, "contradicts itself: the directory points to where no member begins"),
        ({"central": {"offset": 1 << 30}}, "cut short: the directory points to where no member begins"),
        ({"central": {"size": 0xFFFFFFFF}}, "no Zip64 field"),
        ({"central": {"crc": 5}}, "CRC-32"),
        ({"central": {"packed": 900}, "local": {"packed": 900}}, "missing"),
    ],
)
def test_headers_that_disagree(raw_zip: RawZip, change: dict[str, Any], says: str) -> None:
    found = [finding for finding in _all(raw_zip(change)) if finding.rule == "archive-differs"]
    assert found
    assert all(finding.blocks for finding in found)
    assert any(says in finding.measured for finding in found)


def test_headers_that_may_differ(raw_zip: RawZip) -> None:
    stamp = struct.pack("<HHBI", 0x5455, 5, 1, 0)  # Info-ZIP's time extra is longer in the local header
    assert _all(raw_zip({"local": {"extra": stamp + stamp}, "central": {"extra": stamp}})) == []


@pytest.mark.parametrize("marked", [b"PK\x07\x08", b""])
@pytest.mark.parametrize("form", ["<3I", "<I2Q"])
def test_a_data_descriptor_that_agrees_is_no_fault(raw_zip: RawZip, marked: bytes, form: str) -> None:  # 4.3.9
    import zlib

    behind = marked + struct.pack(form, zlib.crc32(b"content"), 7, 7)
    entry = {"method": 0, "flags": 8, "local": {"crc": 0, "packed": 0, "size": 0}, "behind": behind}
    assert _all(raw_zip(entry, {"name": "Slate Choir/b"})) == []
    lying = {**entry, "behind": marked + struct.pack(form, zlib.crc32(b"content"), 7, 8)}
    found = _all(raw_zip(lying, {"name": "Slate Choir/b"}))
    assert found[0].measured == "contradicts itself: the data descriptor behind it and the directory differ"
    assert (found[0].path, found[0].blocks, found[0].at.byte) == ("Slate Choir/one.wav", True, 30 + 19 + 7)
    for local, marked_as_zip64 in (({"packed": 2**32 - 1, "size": 2**32 - 1}, True), ({"crc": 2**32 - 1}, False)):
        rules = _rules(raw_zip({**entry, "local": {**entry["local"], **local}}, {"name": "Slate Choir/b"}))  # type: ignore[dict-item]
        assert (rules == []) is marked_as_zip64


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"front": b"#!/bin/sh\n"}, "in front of it"),
        ({"behind": b"more"}, "4 bytes behind its end"),
        ({"inside": b"hidden"}, "6 bytes behind the last member"),
        ({"cut": 30}, "no directory"),
        ({"cut": 1}, "no directory"),
        ({"end": {"count": 2, "here": 2}}, "2 members"),
        ({"end": {"disk": 1}}, "one part of several"),
        ({"end": {"start": 5}}, "in front of it, or inside"),
        ({"end": {"start": 500}}, "missing in front"),
        ({"end": {"size": 5}}, ""),
        ({"end": {"start": 0xFFFFFFFF}}, "Zip64 end record is missing"),
    ],
)
def test_archives_with_bytes_too_many_or_too_few(raw_zip: RawZip, arguments: dict[str, Any], says: str) -> None:
    found = [finding for finding in _all(raw_zip(**arguments)) if finding.rule == "archive-differs"]
    assert any(says in finding.measured for finding in found), found


def test_bytes_between_members_belong_to_none(raw_zip: RawZip) -> None:
    found = _all(raw_zip({"behind": b"hidden"}, {"name": "Slate Choir/b"}))
    assert [(finding.rule, finding.path) for finding in found] == [("archive-differs", "Slate Choir/b")]
    assert "6 bytes in front of this member" in found[0].measured


def test_an_archive_of_nothing(raw_zip: RawZip) -> None:
    assert "no file in it" in _all(raw_zip({"name": "S/", "data": b"", "method": 0}))[0].measured


@pytest.mark.parametrize(
    "names", [["a.wav"], ["A/a.wav", "B/b.wav"], ["A/a.wav", "__MACOSX/A/._a.wav"], ["A/a.wav", "readme.txt"]]
)
def test_more_than_one_thing_at_the_top(raw_zip: RawZip, names: list[str]) -> None:
    assert _rules(raw_zip(*_named(*names))) == ["top-level-many"]


def test_names_without_the_flag(raw_zip: RawZip) -> None:
    assert _rules(raw_zip(*_named("Slate Choir/ä.wav", flags=0))) == ["name-unflagged"]
    assert _rules(raw_zip(*_named("Slate Choir/ä.wav".encode("latin-1"), flags=0x800))) == ["name-unflagged"]
    assert _rules(raw_zip(*_named("Slate Choir/ä.wav", flags=0x800))) == []
    assert _rules(raw_zip(*_named("Slate Choir/a.wav", flags=0))) == []


@pytest.mark.parametrize("method", [1, 9, 12, 14, 93, 95, 98, 77])
def test_methods_few_can_open(raw_zip: RawZip, method: int) -> None:
    found = _all(raw_zip({"method": method}))
    assert [finding.rule for finding in found] == ["method-uncommon"]
    assert str(method) in found[0].measured


@pytest.mark.parametrize(
    "names",
    [
        ["S/a.wav", "S/a.wav"],
        ["S/a.wav", "S/A.wav"],
        ["S/é.wav", "S/e\u0301.wav"],
        ["S/ß.wav", "S/SS.wav"],
        ["S/a", "S/a/b.wav"],
        ["S/A/b.wav", "S/a/c.wav"],
    ],
)
def test_members_that_become_one(raw_zip: RawZip, names: list[str]) -> None:
    assert _rules(raw_zip(*_named(*names))) == ["member-duplicate"]


def test_names_that_stay_apart(raw_zip: RawZip) -> None:
    assert _rules(raw_zip(*_named("S/a.wav", "S/a.wav2", "S/b/a.wav", "S/é.wav", "S/e.wav", "S/ab"))) == []


@pytest.mark.parametrize(
    "name",
    [
        "/etc/hosts",
        "S/../../x",
        "../x",
        "C:/x.wav",
        "c:x.wav",
        "S\\x.wav",
        "..\\x",
        "S//x",
        "S/./x",
        "S/..",
        "S/a\0b",
        "S/.. /x",
        "S/... ",
    ],
)
def test_names_that_lead_elsewhere(raw_zip: RawZip, name: str) -> None:
    assert "member-escapes" in _rules(raw_zip(*_named(name)))


@pytest.mark.parametrize("mode", [0o120777, 0o020666, 0o060660, 0o010644, 0o140755])
def test_links_and_devices(raw_zip: RawZip, mode: int) -> None:
    assert _rules(raw_zip({"mode": mode, "data": b"/etc/passwd"})) == ["member-escapes"]


@pytest.mark.parametrize("mode", [0o100644, 0o100755, 0o644, 0o400])
def test_files_are_no_links(raw_zip: RawZip, mode: int) -> None:
    assert _rules(raw_zip({"mode": mode, "name": "S/..x/a..b/...c"})) == []


@pytest.mark.parametrize("mode", [0, 0o100000, 0o100200, 0o100277, 0o100100, 0o040755 & ~0o400, 0o040755 & ~0o100])
def test_members_that_nobody_could_read(raw_zip: RawZip, mode: int) -> None:
    folder = {"name": "S/d/", "data": b"", "method": 0} if mode >= 0o040000 and mode < 0o100000 else {"name": "S/d"}
    (found,) = _all(raw_zip({**folder, "mode": mode}, {"name": "S/a"}))
    assert (found.rule, found.path, found.severity) == ("member-locked", folder["name"], Severity.BLOCKS)
    assert found.measured.endswith("nobody may open" if "method" in folder else "nobody may read")


@pytest.mark.parametrize(
    ("system", "external", "locked"),
    [
        (0, 0x20, False),  # MS-DOS: no permissions, whatever stands there
        (0, 0, False),
        (10, 0, False),
        (11, 0x8000_0001, False),
        (19, 0, False),
        (3, 0x8000_0001, True),
        *((system, 0, True) for system in (1, 2, 3, 5, 12, 13, 16, 17, 18, 30)),
        *((system, 0o400 << 16, False) for system in (2, 3, 5, 12, 13, 16, 17, 18, 30)),
        (1, 0o400 << 16, True),  # Amiga: the owner's three bits lie lowest, and their order is its own
        (1, 0o10 << 16, False),
    ],
)
def test_permissions_count_where_unpackers_take_them(raw_zip: RawZip, system: int, external: int, locked: bool) -> None:
    rules = _rules(raw_zip({"central": {"made": system, "external": external}}))
    assert rules == (["member-locked"] if locked else [])


def test_permissions_that_are_something_else_are_none(raw_zip: RawZip) -> None:
    for internal, rules in ((4, ["member-locked"]), (1, []), (2, []), (8, [])):  # 4.4.10; bit 0 marks a text
        path = raw_zip({})
        data = bytearray(path.read_bytes())
        struct.pack_into("<H", data, data.index(b"PK\1\2") + 36, internal)
        path.write_bytes(data)
        assert _rules(path) == rules, internal


@pytest.mark.parametrize("where", ["central", "local"])
@pytest.mark.parametrize(
    ("extra", "says"),
    [
        (struct.pack("<2HB", 0x5455, 2, 1), "run over their end"),
        (struct.pack("<2H", 0xCAFE, 1), "run over their end"),
        (struct.pack("<2H", 0xCAFE, 0xFFFF) + bytes(8), "run over their end"),
        (struct.pack("<2HB", 0xCAFE, 1, 7) + b"\1", "bytes lie behind"),
        (b"\0\0\1", "bytes lie behind"),
        (struct.pack("<2H", 0x5455, 0), "holds none"),
        (struct.pack("<2HB", 0x6C78, 1, 0), "other attributes"),
        (struct.pack("<2HB", 0xCAFE, 1, 7), ""),
        (struct.pack("<2HBI", 0x5455, 5, 1, 0), ""),
        (struct.pack("<2HB", 0xCAFE, 1, 7) + bytes(3), ""),  # zeros that fill up
        (bytes(2), ""),
        (bytes(8), ""),  # a field of no length, twice
    ],
)
def test_extra_fields_that_do_not_read(raw_zip: RawZip, where: str, extra: bytes, says: str) -> None:
    found = _all(raw_zip({where: {"extra": extra}}))
    assert [finding.rule for finding in found] == (["archive-differs"] if says else [])
    assert not found or says in found[0].measured


def test_a_member_that_is_encrypted_in_one_header_alone(raw_zip: RawZip) -> None:
    field = struct.pack("<2H7s", 0x9901, 7, b"\2\0AE\3\x08\0")
    (found,) = _all(raw_zip({"local": {"extra": field}}))
    assert (found.rule, "differ in encryption" in found.measured) == ("archive-differs", True)
    assert "member-encrypted" in _rules(raw_zip({"extra": field}))


@pytest.mark.parametrize("system", [0, 6, 11, 3, 19, 10])
def test_flagged_names_that_one_system_letters_anew(raw_zip: RawZip, system: int) -> None:
    path = raw_zip({"name": "S/ä", "central": {"made": system}}, {"name": "S/a", "central": {"made": system}})
    found = _all(path)
    assert [(one.rule, one.path, one.severity) for one in found] == (
        [("name-relettered", "S/ä", Severity.WARNS)] if system in (0, 6, 11) else []
    )


@pytest.mark.parametrize(
    ("beside", "left"),
    [
        (["__MACOSX/S/._a.wav"], "“__MACOSX” came along"),
        ([".DS_Store", "__MACOSX/._S"], "“.DS_Store” and “__MACOSX” came along"),
        (["._S"], "“._S” came along"),
        (["Other/a.wav"], ""),
        (["Other/a.wav", "__MACOSX/._S"], ""),
        (["read me.txt"], ""),
    ],
)
def test_what_a_system_left_at_the_top_is_named(raw_zip: RawZip, beside: list[str], left: str) -> None:
    (found,) = _all(raw_zip({"name": "S/a.wav"}, *_named(*beside)))
    assert found.rule == "top-level-many"
    assert found.mend.startswith(left) if left else "came along" not in found.mend


@pytest.mark.parametrize("entry", [{"flags": 1}, {"flags": 0x41}, {"flags": 0x2001}, {"method": 99, "flags": 1}])
def test_encrypted_members(raw_zip: RawZip, entry: dict[str, Any]) -> None:
    assert _rules(raw_zip(entry)) == ["member-encrypted"]


def _called(raw: bytes, other: bytes) -> bytes:
    """Return a Unicode Path field (4.6.9)."""
    data = struct.pack("<BI", 1, zlib.crc32(raw)) + other
    return struct.pack("<2H", 0x7075, len(data)) + data


def test_a_second_name_that_others_would_take(raw_zip: RawZip) -> None:
    raw = b"Slate Choir/one.wav"
    assert _rules(raw_zip({"extra": _called(raw, raw)})) == []
    assert _rules(raw_zip({"extra": _called(b"stale", b"Slate Choir/two.wav")})) == []  # it is of another name
    assert "archive-differs" in _rules(raw_zip({"extra": _called(raw, b"Slate Choir/two.wav")}))
    assert "archive-differs" in _rules(raw_zip({"local": {"extra": _called(raw, b"Slate Choir/two.wav")}}))
    assert "archive-differs" in _rules(raw_zip({"extra": _called(raw, b"x")}))
    assert "member-escapes" in _rules(raw_zip({"extra": _called(raw, b"../../evil")}))
    # As archives without the flag are made: the field tells how the letters read, and is no fault of its own.
    latin = "Slate Choir/H\u00f6hle.wav".encode("cp437")
    alias = _called(latin, "Slate Choir/H\u00f6hle.wav".encode())
    assert _rules(raw_zip({"name": latin, "flags": 0, "extra": alias})) == ["name-unflagged"]
    two = _called(latin, b"Slate Choir/two.wav")
    assert "archive-differs" in _rules(raw_zip({"name": latin, "flags": 0, "extra": alias, "local": {"extra": two}}))


@pytest.mark.parametrize("made", [0, 2, 3, 5, 10, 11, 16, 19, 30])
def test_a_link_is_one_whichever_system_made_it(raw_zip: RawZip, made: int) -> None:
    link = {"name": "S/l", "data": b"/etc", "method": 0, "mode": 0o120777, "central": {"made": made}}
    assert _rules(raw_zip(link)) == ["member-escapes"]


def test_files_marked_as_folders_and_folders_with_content(raw_zip: RawZip) -> None:
    folder = {"name": "S/d/", "data": b"", "method": 0, "mode": 0o40755}
    assert _rules(raw_zip(folder, {"name": "S/a"})) == []
    assert _rules(raw_zip({**folder, "central": {"external": 0x10, "made": 0}}, {"name": "S/a"})) == []
    assert _rules(raw_zip({**folder, "data": b"hidden"}, {"name": "S/a"})) == ["archive-differs"]
    assert _rules(raw_zip({**folder, "name": "S/d"}, {"name": "S/a"})) == ["archive-differs"]
    assert _rules(raw_zip({"name": "S/d", "central": {"external": 0x10, "made": 0}})) == ["archive-differs"]
    assert _rules(raw_zip({"name": "S/d", "central": {"external": 0x20, "made": 0}})) == []


def test_patches_are_no_content(raw_zip: RawZip) -> None:
    assert _rules(raw_zip({"flags": 0x20})) == ["method-uncommon"]
    assert "archive-differs" in _rules(raw_zip({"local": {"flags": 0x20}}))


@pytest.mark.parametrize("version", [0, 10, 20, 45, 46, 20 | 3 << 8])  # the upper byte tells a system, and no version
def test_versions_everybody_opens(raw_zip: RawZip, version: int) -> None:
    assert _rules(raw_zip({"central": {"version": version}})) == []


@pytest.mark.parametrize("version", [47, 63, 127, 255])
def test_versions_nobody_opens(raw_zip: RawZip, version: int) -> None:
    (found,) = _all(raw_zip({"central": {"version": version}}))
    assert (found.rule, found.value, found.bound) == ("method-uncommon", version / 10, 4.6)
    assert found.measured == f"it asks for version {version / 10} of the format"


def test_flags_without_a_meaning_agree(raw_zip: RawZip) -> None:
    for flag in (1 << 4, 1 << 7, 1 << 10, 1 << 14):
        assert _rules(raw_zip({"flags": flag})) == []
        assert _rules(raw_zip({"local": {"flags": flag}})) == ["archive-differs"]
        assert _rules(raw_zip({"central": {"flags": flag}})) == ["archive-differs"]
    assert _rules(raw_zip({"local": {"flags": 2}})) == []  # how hard the coder tried
    assert _rules(raw_zip({"method": 0, "local": {"flags": 2}})) == ["archive-differs"]  # and there was none


def test_zip64_sizes_in_front_come_as_a_pair(raw_zip: RawZip) -> None:
    wide = struct.pack("<2H2Q", 1, 16, 7, 7)
    both = {"method": 0, "local": {"size": 2**32 - 1, "packed": 2**32 - 1, "extra": wide}}
    assert _rules(raw_zip(both)) == ["zip64-needed"]
    for one in ({"size": 99}, {"packed": 99}, {"size": 7}, {"packed": 7}):
        assert "archive-differs" in _rules(raw_zip({**both, "local": {**both["local"], **one}}))  # type: ignore[dict-item]


@pytest.mark.parametrize("flag", [0x40, 0x2000])
def test_encryption_told_in_front_only(raw_zip: RawZip, flag: int) -> None:
    assert "archive-differs" in _rules(raw_zip({"local": {"flags": flag}}))


def test_paths_without_end(raw_zip: RawZip) -> None:
    (deep,) = _all(raw_zip({"name": "S/" + "a/" * 255 + "x"}))
    assert (deep.measured, deep.value, deep.bound) == ("inside 256 folders", 256, 255)
    assert "disk" not in f"{deep.why} {deep.measured}", "it fills none"
    assert _rules(raw_zip({"name": "S/" + "a/" * 254 + "x"})) == []
    assert _rules(raw_zip({"name": "S/" + "a/" * 255 + "x"})) == ["member-deep"]
    assert _rules(raw_zip({"name": "S/" + "a" * 4094})) == []
    assert _rules(raw_zip({"name": "S/" + "a" * 4095})) == ["member-deep"]


def test_a_path_of_a_thousand_folders_costs_what_its_bytes_cost(raw_zip: RawZip) -> None:
    many = [{"name": f"S{n}/" + "a/" * 30_000 + "x", "data": b"", "method": 0} for n in range(3)]
    archive = ArchiveModel(inspection=inspect(raw_zip(*many)))
    tracemalloc.start()
    try:
        assert member_duplicate(archive) == []
        assert tracemalloc.get_traced_memory()[1] < 40_000_000  # as whole prefixes it would be 5 GB
    finally:
        tracemalloc.stop()


def test_innocent_flags_are_no_encryption(raw_zip: RawZip) -> None:
    assert _rules(raw_zip({"flags": 0b110})) == []  # bits 1 and 2 tell how hard deflate tried


def test_members_that_share_their_bytes(raw_zip: RawZip) -> None:
    # CVE-2024-0450: the second member's header lies inside the first member's bytes.
    found = _all(raw_zip({}, {"name": "Slate Choir/two.wav", "central": {"offset": 0}}))
    assert "archive-bomb" in {finding.rule for finding in found}


def test_members_that_promise_more_than_deflate_can(raw_zip: RawZip) -> None:
    promise = {"local": {"size": 50_000_000}, "central": {"size": 50_000_000}}
    assert _rules(raw_zip(promise)) == ["archive-bomb"]


def test_an_hour_of_silence_is_no_bomb(raw_zip: RawZip) -> None:
    assert _rules(raw_zip({"data": bytes(40_000_000)})) == []


def _claiming(size: int, unpacked: int) -> ArchiveModel:
    member = ZipMember(name="S/a", raw=b"S/a", flags=0, method=8, crc=0, packed=size, size=unpacked, offset=0)
    return ArchiveModel(inspection=Inspection(size=size, members=(member,), defects=(), zip64=False))


def test_the_bomb_limits() -> None:
    # 1 GiB, or 200 times the archive where that is more.
    assert archive_bomb(_claiming(2 << 20, 1 << 30)) == []
    (found,) = archive_bomb(_claiming(2 << 20, (1 << 30) + 1))
    assert (found.value, found.unit, found.bound) == ((1 << 30) + 1, "bytes", 1 << 30)
    assert found.measured == "2.10 MB that would unpack to 1.07 GB (1.00 GiB)"
    assert archive_bomb(_claiming(1 << 30, 200 << 30)) == []
    assert archive_bomb(_claiming(1 << 30, (200 << 30) + 1)) != []
    # RFC 1951, 3.2.5: two bits stand for 258 bytes at most, 1,032 to 1; the last byte may be begun only.
    assert archive_bomb(_claiming(999, 1_032_000)) == []
    (found,) = archive_bomb(_claiming(999, 1_032_001))
    assert (found.path, found.value, found.bound) == ("S/a", 1_032_001, 1_032_000)


def test_the_upload_limit(raw_zip: RawZip) -> None:
    inspection = inspect(raw_zip({"data": bytes(range(250)) * 40, "method": 0}))

    def over(limit: int | None) -> list[Finding]:
        return size_over_limit(ArchiveModel(inspection=inspection, limit_bytes=limit))

    assert over(None) == []
    assert over(inspection.size) == []
    (found,) = over(inspection.size - 1)
    assert found.severity is Severity.WARNS
    assert (found.value, found.unit, found.bound) == (inspection.size, "bytes", inspection.size - 1)
    assert found.measured == "10.1 kB (9.90 KiB), 1 B too much"
    assert found.limit == "10.1 kB (9.90 KiB)"
    assert "Slate Choir/one.wav (10.0 kB)" in found.mend


def test_the_checksum() -> None:
    nothing = Inspection(size=0, members=(), defects=(), zip64=False)

    def wrong(published: str) -> list[Finding]:
        return checksum_wrong(ArchiveModel(inspection=nothing, sha256="ab" * 32, published=published))

    assert wrong("") == []
    assert wrong(f" {'AB' * 32}\n") == []
    (found,) = wrong("\x1b" + "ac" * 32)
    assert found.blocks
    assert found.measured == "ab" * 32
    assert "\x1b" not in found.limit


def test_zip64_is_only_noted(raw_zip: RawZip) -> None:
    wide = struct.pack("<2H2Q", 1, 16, 7, 9)
    entry = {"local": {"size": 0xFFFFFFFF, "packed": 0xFFFFFFFF, "extra": wide}}
    (found,) = _all(raw_zip(entry))
    assert (found.rule, found.severity) == ("zip64-needed", Severity.NOTES)


def test_thousands_of_faults_are_told_in_a_hundred_lines(raw_zip: RawZip) -> None:
    found = _all(raw_zip(*_named(*(f"S/../{n}" for n in range(2500)), data=b"")))
    assert len(found) == MOST_FINDINGS + 1
    assert found[-1].measured == "and 2,400 more like these"


def test_a_finding_says_where_in_the_archive_it_is(raw_zip: RawZip) -> None:
    (found,) = [finding for finding in _all(raw_zip({"local": {"crc": 5}})) if finding.rule == "archive-differs"]
    assert (found.path, found.at.byte, found.where) == ("Slate Choir/one.wav", 0, "byte 0")
    (found,) = _all(raw_zip(*_named("S/a.wav", "S/A.wav")))
    assert found.at.others == ("S/a.wav",)


def test_rules_are_those_of_the_catalogue() -> None:
    assert [rule.id for rule in RULES] == [
        "archive-differs", "top-level-many", "name-unflagged", "name-relettered", "method-uncommon",
        "member-duplicate", "member-escapes", "member-encrypted", "member-locked", "member-deep", "archive-bomb",
        "size-over-limit",
        "checksum-wrong", "zip64-needed",
    ]  # fmt: skip
    assert all(rule.step == "archive" and rule.why and rule.mend and rule.limit and rule.source for rule in RULES)


@pytest.mark.parametrize(("size", "rules"), [(16_362, []), (16_363, ["archive-differs"])])
def test_a_comment_that_hides_the_end(raw_zip: RawZip, size: int, rules: list[str]) -> None:
    path = raw_zip({})
    data = path.read_bytes()
    path.write_bytes(data[:-2] + struct.pack("<H", size) + b"y" * size)
    assert _rules(path) == rules
