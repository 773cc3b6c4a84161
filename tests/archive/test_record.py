from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from companion.archive.plan import ArchivePlan
from companion.archive.record import (
    ReleaseRecord,
    Upload,
    damaged_records,
    next_order,
    read_records,
    write_record,
)
from companion.core.errors import CompanionError


def _record(version: str = "1.0", order: int = 1, **more: object) -> ReleaseRecord:
    fields: dict[str, object] = {
        "title": "Slate Choir",
        "version": version,
        "archive": f"Slate Choir {version}.zip",
        "size": 9,
        "sha256": "ab" * 32,
        "top": "Slate Choir",
        "files": (("Samples/ä.wav", 3, "cd" * 32),),
        "order": order,
    }
    return msgspec.convert(fields | more, ReleaseRecord)


def test_a_record_comes_back_as_it_was_written(tmp_path: Path) -> None:
    record = _record(
        needs={"minimum": "7.0", "systems": ["linux"], "bytes": 5},
        uploads=(Upload(where="my page", at="2031-01-01T00:00:00Z", sha256="ab" * 32, size=9),),
        facts="summary = 'broken \udcff name'",
    )
    path = write_record(tmp_path / "releases", record)
    assert path == tmp_path / "releases" / "Slate Choir 1.0.release.json"
    assert json.loads(path.read_bytes())["schema"] == 1
    assert read_records(tmp_path / "releases") == [record]
    assert record.manifest == {"Slate Choir/Samples/ä.wav": (3, "cd" * 32)}


def test_records_are_in_the_order_of_the_releases_whatever_the_clock_says(tmp_path: Path) -> None:
    assert next_order(tmp_path / "none") == 1
    for version, order, at in (("1.0", 1, "2031"), ("1.1", 2, "2029"), ("0.9", 3, "2030")):
        write_record(tmp_path, _record(version, order, at=at))
    assert [record.version for record in read_records(tmp_path)] == ["1.0", "1.1", "0.9"]
    assert next_order(tmp_path) == 4


@pytest.mark.parametrize(
    "data", [b"", b"{", b"[]", b'{"title": 1}', b"\xff\xfe", b"[" * 100_000, b'{"title": "\\u001b[2J"}']
)
def test_a_damaged_record_costs_that_record_and_is_named(tmp_path: Path, data: bytes) -> None:
    write_record(tmp_path, _record())
    (tmp_path / "bad \x1b.release.json").write_bytes(data)
    assert [record.version for record in read_records(tmp_path)] == ["1.0"]
    ((name, reason),) = damaged_records(tmp_path)
    assert name == "bad \\x1b.release.json"
    assert reason
    assert "\x1b" not in reason


def test_a_record_of_a_newer_companion_is_left_alone(tmp_path: Path) -> None:
    path = write_record(tmp_path, _record(schema=2))
    assert read_records(tmp_path) == []
    assert damaged_records(tmp_path) == [(path.name, "a newer companion wrote it")]


@pytest.mark.parametrize("archive", ["", "..", "../x.zip", "a/b.zip"])
def test_a_record_lies_only_in_its_folder(tmp_path: Path, archive: str) -> None:
    with pytest.raises(CompanionError, match="names no archive"):
        write_record(tmp_path, _record(archive=archive))
    assert list(tmp_path.iterdir()) == []


def test_a_record_holds_a_proof_to_what_its_plan_packed(tmp_path: Path, planned: Callable[..., ArchivePlan]) -> None:
    made = planned(tmp_path, {"b/c.wav": b"c", "a.wav": b"a"})
    files = tuple((member.name.removeprefix("Slate Choir/"), member.size, member.sha256) for member in made.members)
    assert _record(files=files).manifest == made.manifest
