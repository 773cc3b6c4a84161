"""Which release is current, which one ends a line, and who stays with an older one."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.archive.record import ReleaseRecord, Upload, write_record
from companion.core.folder import Places
from companion.steps.deeds.released import releases_out


def put(folder: Path, *released: tuple[str, str], since: str = "") -> None:
    (folder / "releases").mkdir(exist_ok=True)
    for order, (version, minimum) in enumerate(released, 1):
        name = f"Slate Choir {since} to {version}.zip" if since else f"Slate Choir {version}.zip"
        facts = f'[engine]\nname = "Example Engine"\nminimum = "{minimum}"\n' if minimum != "?" else "x = = 1"
        record = ReleaseRecord(
            title="Slate Choir", version=version, archive=name, size=3, sha256="0" * 64, top="Slate Choir", files=(),
            at=f"2026-01-{order:02}T00:00:00Z", order=order, facts=facts, since=since,
            uploads=(Upload(where="x", at="2026-02-01", sha256="1" * 64, size=3),) if since else (),
        )  # fmt: skip
        write_record(folder / "releases", record)


LIFE = (("1.0", "7.0"), ("1.1", "7.1"), ("1.2.0b1", "7.2"), ("1.2.0", "7.2"), ("1.1.1", "7.1"), ("2.0rc1", "8.0"))


def test_each_release_says_how_it_stands(tmp_path: Path) -> None:
    put(tmp_path, *LIFE)
    found = {one.version: (one.standing, one.beside, one.base) for one in releases_out(Places(tmp_path))}
    assert list(found) == ["2.0rc1", "1.2.0", "1.2.0b1", "1.1.1", "1.1", "1.0"], "the newest version first"
    assert found == {
        "2.0rc1": ("tried before", "", "1.2.0"),
        "1.2.0": ("current", "", "1.1"),
        "1.2.0b1": ("tried before", "1.2.0", "1.1"),
        "1.1.1": ("last of its line", "1.2.0", "1.1"),
        "1.1": ("followed by", "1.1.1", "1.0"),
        "1.0": ("last of its line", "1.2.0", ""),
    }


def test_who_cannot_follow_stays_with_the_last_that_plays(tmp_path: Path) -> None:
    put(tmp_path, *LIFE)
    stay = {one.version: one.stay for one in releases_out(Places(tmp_path)) if one.stay}
    assert stay == {
        "1.1.1": "on Example Engine from 7.1 up to before 7.2, stay with 1.1.1",
        "1.0": "on Example Engine from 7.0 up to before 7.1, stay with 1.0",
    }


@pytest.mark.parametrize("minimum", ["", "?", "any old one"])
def test_a_need_that_does_not_read_sends_nobody_anywhere(tmp_path: Path, minimum: str) -> None:
    put(tmp_path, ("1.0", minimum), ("2.0", "8.0"))
    assert all(not one.stay for one in releases_out(Places(tmp_path)))


def test_updates_stand_with_what_they_make(tmp_path: Path) -> None:
    put(tmp_path, *LIFE[:2])
    put(tmp_path, ("1.1", "7.1"), since="1.0")
    (tmp_path / "releases" / "Slate Choir 1.0.zip").write_bytes(b"zip")
    (tmp_path / "releases" / "Slate Choir 1.1.zip").write_bytes(b"other")
    newer, older = releases_out(Places(tmp_path))
    assert [(one.since, one.upload) for one in newer.updates] == [("1.0", "damaged 2026-02-01")]
    assert (older.updates, older.here, newer.here) == ((), True, False)


def test_versions_that_cannot_be_compared_come_last_as_they_came(tmp_path: Path) -> None:
    put(tmp_path, ("spring", "7.0"), ("1.0", "7.0"), ("autumn", "7.0"))
    assert [one.version for one in releases_out(Places(tmp_path))] == ["1.0", "spring", "autumn"]
