"""Out: each rule with its neighbour."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from companion.archive.record import ReleaseRecord, Upload
from companion.core.entries import Kind
from companion.core.facts import Contents, Facts
from companion.core.findings import Finding, Severity
from companion.steps.looks.out import look_out
from companion.steps.model import Look, State
from companion.steps.table import STEP_IDS
from companion.trials.reports import Report

UPLOAD = Upload(where="our own page", at="2024-05-02T10:00:00Z", sha256="a" * 64, size=9)
READY = dict.fromkeys(STEP_IDS[:-1], State.PROVEN)


def record(**more: Any) -> ReleaseRecord:
    values: dict[str, Any] = {
        "title": "Slate Choir",
        "version": "1.2",
        "archive": "Slate Choir 1.2.zip",
        "size": 9,
        "sha256": "a" * 64,
        "top": "Slate Choir",
        "files": (),
        "at": "2024-05-01T10:00:00Z",
        "uploads": (UPLOAD,),
    }
    return ReleaseRecord(**{**values, **more})


def look(
    record: ReleaseRecord | None,
    states: dict[str, State],
    reports: tuple[str, ...] = (),
    changelog: str = "",
    *updates: ReleaseRecord,
    before: ReleaseRecord | None = None,
) -> Look:
    ships = [SimpleNamespace(path="Slate.eeng", sha256="b" * 64, kind=Kind.PATCH)]
    desk: Any = SimpleNamespace(
        release_of_this=record, updates_of_this=list(updates), changelog=changelog,
        reports=tuple(Report(id=name, text="") for name in reports),
        release_before=before, ships=ships, facts=Facts(contents=Contents(patches=("*.eeng",))),
    )  # fmt: skip
    return look_out(desk, lambda: states)


def check(*given: Any) -> tuple[Finding, ...]:
    return look(*given).findings


def ids(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.rule for finding in findings]


def test_a_release_whose_upload_was_checked_is_silent() -> None:
    assert check(record(), READY, (), "") == ()
    assert look(record(), READY).details["because"] == "1.2 released 2024-05-01; upload verified on 2024-05-02"


def test_content_that_was_not_released_blocks_and_says_what_is_left() -> None:
    (finding,) = check(None, READY, ("crackle.txt",), "")
    assert (finding.rule, finding.severity) == ("release-unrecorded", Severity.BLOCKS)
    assert finding.measured == "everything is ready: record it"
    states = {**READY, "sound": State.FAILING, "away": State.OPEN, "paths": State.WAIVED}
    assert check(None, states, (), "")[0].measured == "2 steps before it not proven yet"
    assert check(None, {**READY, "sound": State.STALE}, (), "")[0].measured == "1 step before it not proven yet"
    assert look(None, READY).details == {"because": "not released"}


def test_an_upload_nobody_has_checked() -> None:
    (finding,) = check(record(uploads=()), READY, (), "")
    assert (finding.rule, finding.severity) == ("upload-unverified", Severity.WARNS)
    assert finding.path == "releases/Slate Choir 1.2.zip"
    assert look(record(uploads=()), READY).details["because"] == "1.2 released 2024-05-01"


BAD = Upload(where="our own page", at="2024-06-03T10:00:00Z", sha256="b" * 64, size=8)


def test_the_copy_checked_last_counts() -> None:
    (finding,) = check(record(uploads=(UPLOAD, BAD)), READY)
    assert (finding.rule, finding.severity) == ("upload-differs", Severity.BLOCKS)
    assert (finding.path, finding.measured) == ("releases/Slate Choir 1.2.zip", "the copy checked on 2024-06-03")
    assert look(record(uploads=(UPLOAD, BAD)), READY).details["because"] == "1.2 released 2024-05-01"
    assert check(record(uploads=(BAD, UPLOAD)), READY) == ()


def test_update_archives_are_held_to_the_same() -> None:
    update = record(archive="Slate Choir 1.1 to 1.2.zip", since="1.1", sha256="c" * 64, uploads=())
    (finding,) = check(record(), READY, (), "", update)
    assert (finding.rule, finding.path) == ("upload-unverified", "releases/Slate Choir 1.1 to 1.2.zip")
    assert look(record(), READY, (), "", update).details["because"] == "1.2 released 2024-05-01"
    good = Upload(where="our own page", at="2024-07-01T10:00:00Z", sha256="c" * 64, size=8)
    verified = record(archive=update.archive, since="1.1", sha256="c" * 64, uploads=(good,))
    assert check(record(), READY, (), "", verified) == ()
    said = look(record(), READY, (), "", verified).details["because"]
    assert said == "1.2 released 2024-05-01; upload verified on 2024-07-01"
    damaged = record(archive=update.archive, since="1.1", sha256="c" * 64, uploads=(good, BAD))
    assert ids(check(record(), READY, (), "", damaged)) == ["upload-differs"]


CHANGELOG = """# Changelog
## 1.2
- Fixed: the noise on low notes (crackle-c3, report 12, in 2024; 7.txt was no fault of ours)
"""


@pytest.mark.parametrize(
    ("name", "answered"),
    [
        ("crackle-c3.txt", True),
        ("Crackle-C3.txt", True),
        ("crackle-c3", True),
        ("12.eml", True),
        ("12", True),
        ("7.txt", True),
        ("hiss.txt", False),
        ("hiss", False),
        ("crackle-c", False),
        ("2.txt", False),
        ("02.txt", False),
        ("c3.txt", False),
        ("crackle.txt", False),
        ("1.txt", False),
        ("c3 (.txt", False),
        ("caf\udce9\x1b[2J.txt", False),
    ],
)
def test_a_report_is_answered_where_the_changelog_names_it(name: str, answered: bool) -> None:
    findings = check(record(), READY, (name,), CHANGELOG)
    assert ids(findings) == ([] if answered else ["report-open"])
    for finding in findings:
        assert finding.severity is Severity.NOTES
        assert finding.path == f".companion/reports/{name}"
        assert "\x1b" not in finding.limit
        finding.limit.encode()


def test_a_hostile_version_is_shown_inert() -> None:
    assert "\x1b" not in look(record(version="1\x1b[2J"), READY).details["because"]


TWO = (("Slate.eeng", 9, "b" * 64), ("Other.eeng", 9, "c" * 64))


def test_songs_that_would_miss_something_are_told_of_before_the_release() -> None:
    found = look(None, READY, before=record(files=TWO)).findings
    assert [(one.rule, one.severity, one.path) for one in found] == [
        ("release-unrecorded", Severity.BLOCKS, ""),
        ("songs-break", Severity.WARNS, "Other.eeng"),
    ]
    assert "The patch Other.eeng is gone" in found[1].measured


@pytest.mark.parametrize("before", [None, record(files=TWO[:1])])
def test_songs_miss_nothing_where_all_is_there_or_nothing_came_before(before: ReleaseRecord | None) -> None:
    assert ids(look(None, READY, before=before).findings) == ["release-unrecorded"]


def test_once_it_is_released_songs_are_the_changelogs_affair() -> None:
    assert look(record(), READY, before=record(files=TWO)).findings == ()
