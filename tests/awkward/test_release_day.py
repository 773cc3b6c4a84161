"""The day that the files of an archive bear is the release's, and the same bytes come of it everywhere."""

from __future__ import annotations

import hashlib
import os
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

ARCHIVE = "Slate Choir 1.0.zip"


def stated(folder: Path, key: str, value: str) -> None:
    facts = folder / "release.toml"
    plain = facts.read_text("utf-8")
    facts.write_text(plain.replace("[instrument]\n", f'[instrument]\n{key} = "{value}"\n'), "utf-8", newline="\n")


def days(archive: Path) -> set[tuple[int, ...]]:
    with zipfile.ZipFile(archive) as opened:
        return {member.date_time for member in opened.infolist()}


def packed(companion: Any, folder: Path, *more: object) -> Path:
    result = companion("pack", folder, *more, "--json")
    assert result.code == 0, result
    told = result.json
    return Path((told.get("archive") or told["update"])["path"])


def with_changelog(folder: Path, heading: str) -> None:
    (folder / "CHANGELOG.md").write_text(f"# Changelog\n\n{heading}\n\n- First release\n", "utf-8", newline="\n")


@pytest.mark.parametrize(
    ("date", "heading", "borne"),
    [
        ("2026-11-27", "## [1.0] - 2026-11-30", (2026, 11, 27)),
        ("2026-11-27", "", (2026, 11, 27)),
        ("", "## [1.0] - 2026-11-30", (2026, 11, 30)),
        ("", "## 1.0 (2026-11-30)", (2026, 11, 30)),
        ("", "## [1.0]", (1980, 1, 1)),
        ("", "## [0.9] - 2026-11-30", (1980, 1, 1)),
        ("", "## [1.0] - 1970-01-01", (1980, 1, 1)),
        ("", "", (1980, 1, 1)),
    ],
)
def test_the_day_is_the_one_stated_or_else_the_changelogs(
    instrument: Path, companion: Any, date: str, heading: str, borne: tuple[int, ...]
) -> None:
    if date:
        stated(instrument, "date", date)
    if heading:
        with_changelog(instrument, heading)
    assert days(packed(companion, instrument)) == {(*borne, 0, 0, 0)}


def test_a_changelog_that_does_not_ship_dates_nothing(instrument: Path, companion: Any) -> None:
    """It could change, and the bytes with it, while all that ships stays the same."""
    with_changelog(instrument, "## [1.0] - 2026-11-30")
    facts = instrument / "release.toml"
    facts.write_text(
        facts.read_text("utf-8").replace("[contents]\n", '[contents]\nexclude = ["CHANGELOG.md"]\n'), "utf-8"
    )
    assert days(packed(companion, instrument)) == {(1980, 1, 1, 0, 0, 0)}


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the time zone is the computer's own there")
def test_two_computers_on_two_days_give_the_same_bytes(
    instrument: Path, companion: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    stated(instrument, "date", "2026-11-27")
    sums = set()
    try:
        for zone, touched in (("Pacific/Kiritimati", 1e9), ("America/Los_Angeles", 1.7e9)):
            monkeypatch.setenv("TZ", zone)
            time.tzset()
            for path in instrument.rglob("*"):
                if path.is_file() and ".companion" not in path.parts:
                    os.utime(path, (touched, touched))
            sums.add(hashlib.sha256(packed(companion, instrument).read_bytes()).hexdigest())
    finally:
        monkeypatch.undo()
        time.tzset()
    assert len(sums) == 1


def test_another_day_is_another_archive_and_the_proof_is_stale(releasable: Path, companion: Any) -> None:
    first = packed(companion, releasable).read_bytes()
    stated(releasable, "date", "1999-12-31")
    steps = {one["id"]: one["state"] for one in companion("status", releasable, "--json").json["steps"]}
    assert steps["archive"] == "stale"
    assert packed(companion, releasable).read_bytes() != first


@pytest.mark.parametrize(
    "date", ["27.11.2026", "2026-02-30", "1979-12-31", "2108-01-01", "２０２６-11-27", "20261127", " "]
)
def test_a_day_no_archive_can_bear_is_told(instrument: Path, companion: Any, date: str) -> None:
    stated(instrument, "date", date)
    found = companion("check", instrument, "facts", "--json").json["findings"]
    assert [(one["rule"], one["where"]) for one in found if one["rule"] == "fact-invalid"] == [
        ("fact-invalid", "instrument.date")
    ]


@pytest.mark.parametrize("date", ["1980-01-01", "2107-12-31", "2024-02-29"])
def test_a_day_that_archives_can_bear_is_not(instrument: Path, companion: Any, date: str) -> None:
    stated(instrument, "date", date)
    found = companion("check", instrument, "facts", "--json").json["findings"]
    assert "fact-invalid" not in {one["rule"] for one in found}


def test_an_update_bears_the_day_too(update_due: Path, companion: Any) -> None:
    stated(update_due, "date", "2026-12-01")
    assert days(packed(companion, update_due, "--since", "1.0")) == {(2026, 12, 1, 0, 0, 0)}


def test_drafts_bear_the_day_that_is_stated(instrument: Path, companion: Any) -> None:
    stated(instrument, "date", "1999-12-31")
    assert "1999-12-31" in companion("draft", instrument, "changelog").out
    assert "1999-12-31" in companion("draft", instrument, "page").out


def test_what_players_have_is_not_replaced_by_other_bytes_of_the_same_content(
    releasable: Path, companion: Any, one_line: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An older companion packed it, or another one will: what is released stays."""
    from companion.steps.desk import Desk

    assert companion("release", releasable).code == 0
    archive = releasable / "releases" / ARCHIVE
    before = archive.read_bytes()
    assert companion("pack", releasable).code == 0
    assert archive.read_bytes() == before, "the same bytes are no others"
    monkeypatch.setattr(Desk, "day", "2001-01-01")
    one_line(companion("pack", releasable), "1.0 is released", "those that players have", "The released archive stays")
    assert archive.read_bytes() == before
    archive.write_bytes(b"PK damaged")
    (archive.with_name(f"{ARCHIVE}.sha256")).write_text("0" * 64)
    assert companion("pack", releasable).code == 0, "what lies there is not what players have"
