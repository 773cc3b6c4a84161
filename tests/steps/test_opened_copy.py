"""What is taken for known of an opened copy: only what the proof has just held to the working folder, byte for byte."""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

import companion.steps.looks.archive as looks
from companion.workshop import Workshop

Seen = list[Mapping[str, Any]]


@pytest.fixture
def packed(demo_folder: Path, mend_demo: Callable[..., None]) -> Path:
    mend_demo(demo_folder)
    assert Workshop.open(demo_folder).pack().kept
    return demo_folder


@pytest.fixture
def believed(monkeypatch: pytest.MonkeyPatch) -> Seen:
    """What each opened copy was believed to hold, by path."""
    seen: Seen = []
    real = looks.judge_opened

    def watched(desk: Any, opened: Path, proven: Mapping[str, Any]) -> list[Any]:
        seen.append(proven)
        return real(desk, opened, proven)

    monkeypatch.setattr(looks, "judge_opened", watched)
    return seen


def with_another_byte(archive: Path) -> None:
    """Write the archive anew, whole for every reader, with the first text file changed by a letter."""
    with zipfile.ZipFile(archive) as old:
        members = [(info, old.read(info)) for info in old.infolist()]
    changed = next(info.filename for info, _ in members if info.filename.endswith(".txt"))
    with zipfile.ZipFile(archive, "w") as new:
        for info, data in members:
            new.writestr(info, data + b"!" if info.filename == changed else data)


def test_a_copy_that_is_what_was_packed_is_not_read_once_more(packed: Path, believed: Seen) -> None:
    Workshop.open(packed).check(("archive",))
    (proven,) = believed
    ships = {entry.path: entry.size for entry in Workshop.open(packed).desk().ships}
    assert {path: ids.size for path, ids in proven.items()} == ships


def test_a_copy_that_differs_is_read_for_what_it_holds(packed: Path, believed: Seen) -> None:
    (archive,) = (packed / "releases").glob("*.zip")
    with_another_byte(archive)
    found = Workshop.open(packed).check(("archive",)).step("archive").findings
    assert "archive-differs" in {finding.rule for finding in found}
    assert believed == [{}]
