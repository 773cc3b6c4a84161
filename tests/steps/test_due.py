"""When a snapshot is due, at the edges of its rule."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from companion.core.entries import Kind
from companion.steps.account.due import DAY, FIRST, HOUR, Due, Unkept, age_of, due_of, many
from companion.steps.account.moved import Change, Counts, Moved, moved_by

NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)


def ago(seconds: float) -> str:
    return (NOW - timedelta(seconds=seconds)).isoformat().replace("+00:00", "Z")


def due(moved: Moved, age: float = 60, samples: int = 1_000) -> Due | None:
    return due_of(Unkept(snapshot=3, at=ago(age), samples=samples, moved=moved), NOW)


@pytest.mark.parametrize(
    ("samples", "needed"),
    [(0, 3), (1, 3), (60, 3), (61, 4), (80, 4), (81, 5), (380, 19), (381, 20), (400, 20), (20_000, 20)],
)
def test_many_is_twenty_or_a_twentieth_but_three_at_least(samples: int, needed: int) -> None:
    assert many(samples) == needed


@pytest.mark.parametrize(("samples", "few"), [(1_000, 19), (100, 4), (10, 2)])
def test_one_sample_fewer_is_not_due_yet(samples: int, few: int) -> None:
    assert due(Moved(samples=Counts(changed=few)), samples=samples) is None
    found = due(Moved(samples=Counts(changed=few + 1)), samples=samples)
    assert found
    assert found.because == f"{few + 1} samples changed since snapshot 3"
    assert found.label == f"{few + 1} samples changed"


def test_samples_count_whatever_became_of_them() -> None:
    moved = Moved(samples=Counts(added=5, removed=5, changed=5, renamed=5))
    assert due(moved)
    assert due(Moved(samples=Counts(added=5, removed=5, changed=5, renamed=4))) is None


@pytest.mark.parametrize(
    "moved",
    [Moved(facts=True), Moved(patches=Counts(changed=1)), Moved(scripts=Counts(added=1))],
    ids=["facts", "patch", "script"],
)
def test_what_is_worked_on_is_due_after_an_hour(moved: Moved) -> None:
    assert due(moved, HOUR - 1) is None
    assert due(moved, HOUR)


@pytest.mark.parametrize("moved", [Moved(others=1), Moved(samples=Counts(changed=2))], ids=["readme", "two samples"])
def test_anything_else_is_due_after_a_day(moved: Moved) -> None:
    assert due(moved, DAY - 1) is None
    assert due(moved, DAY)


def test_nothing_moved_is_never_due() -> None:
    assert due(Moved(), 100 * DAY) is None


def test_without_any_snapshot_the_first_one_is_due() -> None:
    assert due_of(Unkept(), NOW) == Due(because="no snapshot of this folder yet", label=FIRST)


@pytest.mark.parametrize("at", ["2027-01-01T00:00:00Z", "no time", ""])
def test_a_time_that_tells_nothing_counts_as_old(at: str) -> None:
    """The clock was ahead when the snapshot was taken, or has been set back since; or the time cannot be read."""
    assert due_of(Unkept(snapshot=3, at=at, samples=10, moved=Moved(facts=True)), NOW)
    assert due_of(Unkept(snapshot=3, at=at, samples=10, moved=Moved(others=1)), NOW)
    assert due_of(Unkept(snapshot=3, at=at, samples=10, moved=Moved()), NOW) is None


def test_ages() -> None:
    assert age_of(ago(90), NOW) == 90
    assert age_of("2026-03-10T11:59:00", NOW) == 60, "without a zone it is UTC"
    assert age_of(ago(-1), NOW) is None
    assert age_of("soon", NOW) is None


KINDS = {
    "wav": Kind.SAMPLE,
    "ir": Kind.IMPULSE,
    "patch": Kind.PATCH,
    "js": Kind.SCRIPT,
    "md": Kind.DOCUMENT,
    "toml": Kind.DOCUMENT,
}


def moved(*changes: Change) -> Moved:
    return moved_by(changes, lambda path: Kind.SYSTEM if path == ".DS_Store" else KINDS[path.rpartition(".")[2]])


def test_changes_are_counted_by_kind() -> None:
    found = moved(
        ("a.wav", None, "1"), ("b.ir", "2", "3"), ("c.wav", "4", None), ("d.patch", "5", "6"), ("e.js", "7", None),
        ("read.md", "8", "9"), ("release.toml", "10", "11"), (".DS_Store", "12", "13"),
    )  # fmt: skip
    assert found == Moved(
        samples=Counts(added=1, removed=1, changed=1),
        patches=Counts(changed=1),
        scripts=Counts(removed=1),
        facts=True,
        others=1,
    )
    assert found.text == (
        "1 sample added, 1 removed, 1 changed, patch changed, script removed, facts changed, 1 other file"
    )


def test_the_same_content_elsewhere_is_one_renamed() -> None:
    assert moved(("a.wav", "1", None), ("b.wav", None, "1")).samples == Counts(renamed=1)
    assert moved(("a.wav", "1", None), ("b.wav", None, "2")).samples == Counts(added=1, removed=1)
    twins = moved(("a.wav", "1", None), ("b.wav", None, "1"), ("c.wav", None, "1")).samples
    assert twins == Counts(added=1, renamed=1)


def test_what_only_a_system_writes_is_nothing() -> None:
    found = moved((".DS_Store", "1", "2"))
    assert not found.any
    assert found.text == ""


def test_several_patches_are_told_with_their_number() -> None:
    assert moved(("a.patch", "1", "2"), ("b.patch", "1", "2")).text == "2 patches changed"
