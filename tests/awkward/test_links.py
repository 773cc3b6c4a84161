"""A working folder from a stranger: every place the companion writes to is a link, a pipe or a folder of theirs."""

from __future__ import annotations

import os
import shutil
import stat
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.skipif(os.name == "nt", reason="links need rights there that a test does not have")

SECRET = b"the only copy of something of the player's\n"
OURS = (
    ".companion",
    ".companion/evidence",
    ".companion/evidence/contents",
    ".companion/drafts",
    ".companion/bounces",
    ".companion/history.git",
    ".companion/history.git/objects",
    ".companion/history.git/objects/pack",
    ".companion/history.git/refs",
    ".companion/history.git/refs/snapshots",
    "releases",
)
FILES = (
    ".companion/cache.sqlite3",
    ".companion/cache.sqlite3-wal",
    ".companion/lock",
    ".companion/lock.holder",
    ".companion/building.lock",
    ".companion/history.lock",
    ".companion/restore.json",
    ".companion/drafts/README.md",
    ".companion/drafts/README.md.before",
    ".companion/history.git/packed-refs",
    ".companion/history.git/packed-refs.copy",
    ".companion/history.git/last-number",
    ".companion/history.git/listing",
    ".companion/history.git/objects/info/doubted",
    ".companion/history.git/config",
    ".companion/history.git/no-config",
    ".companion/history.git/HEAD",
    "releases/Slate Choir 1.0.zip",
    "releases/Slate Choir 1.0.zip.sha256",
    "releases/Slate Choir 1.0 page.md",
    "README.md",
    "CHANGELOG.md",
    "release.toml",
)
VERBS: tuple[tuple[str, ...], ...] = (
    ("status",),
    ("check",),
    ("snapshot", "-m", "one"),
    ("snapshots",),
    ("waive", "sample-unused", "--all", "-r", "meant"),
    ("draft", "readme", "--write"),
    ("draft", "changelog", "--write"),
    ("draft", "page", "--write"),
    ("away", "--kind", "originals hidden", "--result", "pass", "--engine-version", "7.1"),
    ("pack",),
    ("release",),
    ("restore", "1"),
    ("forget", "1"),
    ("perform",),
)


@pytest.fixture
def lived_in(instrument: Path, companion: Any) -> Path:
    """A folder in which everything has been written once."""
    for verb, *rest in VERBS[:10]:
        companion(verb, instrument, *rest)
    return instrument


def state(outside: Path) -> dict[str, bytes | None]:
    return {
        str(path.relative_to(outside)): path.read_bytes() if path.is_file() else None for path in outside.rglob("*")
    }


def run_all(folder: Path, companion: Any, without: tuple[str, ...] = ()) -> list[Any]:
    results = [companion(verb, folder, *rest) for verb, *rest in VERBS if verb not in without]
    for result in results:
        assert result.code in (0, 1, 2), result
        assert "Traceback" not in result.err
        assert result.code != 2 or len(result.err.strip().splitlines()) == 1 or "not restored" in result.out, result
    return results


@pytest.mark.parametrize("place", OURS)
def test_nothing_is_written_below_a_linked_folder(lived_in: Path, tmp_path: Path, companion: Any, place: str) -> None:
    outside = tmp_path / "outside"
    target = lived_in / place
    if target.is_dir():
        shutil.copytree(target, outside)  # what the stranger's link leads to looks like what should be there
        shutil.rmtree(target)
    else:
        outside.mkdir()
    (outside / "letter.txt").write_bytes(SECRET)
    target.parent.mkdir(parents=True, exist_ok=True)
    target.symlink_to(outside, target_is_directory=True)
    before = state(outside)
    results = dict(zip(VERBS, run_all(lived_in, companion), strict=True))
    assert state(outside) == before
    assert target.is_symlink()
    if place == ".companion/evidence/contents":  # only what would be written right there is not
        return
    for verb in (("snapshot", "-m", "one"), ("draft", "readme", "--write")):
        assert results[verb].code == 2
        assert "link" in results[verb].err


@pytest.mark.parametrize("place", FILES)
def test_no_file_is_written_through(lived_in: Path, tmp_path: Path, companion: Any, place: str) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    target = lived_in / place
    letter = outside / "letter.txt"
    letter.write_bytes(target.read_bytes() if target.is_file() else SECRET)
    target.unlink(missing_ok=True)
    target.parent.mkdir(parents=True, exist_ok=True)
    target.symlink_to(letter)
    before = state(outside)
    run_all(lived_in, companion)
    assert state(outside) == before


@pytest.mark.parametrize("place", FILES)
def test_nothing_is_made_where_a_link_leads_to_nothing(
    lived_in: Path, tmp_path: Path, companion: Any, place: str
) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    target = lived_in / place
    target.unlink(missing_ok=True)
    target.parent.mkdir(parents=True, exist_ok=True)
    target.symlink_to(outside / "new.txt")
    run_all(lived_in, companion)
    assert state(outside) == {}


@pytest.mark.timeout(120)
@pytest.mark.parametrize(
    "place",
    [
        ".companion/pipe",
        ".companion/evidence/sound",
        ".companion/drafts",
        ".companion/restore.json",
        ".companion/history.git/packed-refs",
        "releases",
    ],
)
def test_a_pipe_in_our_places_hangs_nothing(lived_in: Path, companion: Any, place: str) -> None:
    target = lived_in / place
    if target.is_dir():
        shutil.rmtree(target)
    target.unlink(missing_ok=True)
    os.mkfifo(target)
    run_all(lived_in, companion)


def a_pipe(place: Path) -> None:
    os.mkfifo(place)


def a_folder(place: Path) -> None:
    place.mkdir()
    (place / "letter.txt").write_bytes(SECRET)


def a_device(place: Path) -> None:
    try:
        os.mknod(place, stat.S_IFCHR | 0o666, os.makedev(1, 3))
    except PermissionError:
        pytest.skip("devices are made by root alone")


@pytest.mark.campaign
@pytest.mark.parametrize("make", [a_pipe, a_folder, a_device])
@pytest.mark.parametrize("place", FILES)
@pytest.mark.timeout(120)
def test_anything_else_in_place_of_a_file_hangs_nothing_and_costs_nothing(
    lived_in: Path, companion: Any, makers: Any, place: str, make: Any
) -> None:
    target = lived_in / place
    target.unlink(missing_ok=True)
    target.parent.mkdir(parents=True, exist_ok=True)
    make(target)
    before = {path: one for path, one in makers(lived_in).items() if path.startswith(("Samples/", "Slate.eeng", place))}
    run_all(lived_in, companion, without=("restore",))  # which brings back what lay there, and keeps this first
    after = makers(lived_in)
    assert {path: after.get(path) for path in before} == before
    if make is a_folder and target.is_dir():
        assert (target / "letter.txt").read_bytes() == SECRET


def test_a_folder_of_real_files_is_written_to(lived_in: Path, companion: Any) -> None:
    assert companion("snapshot", lived_in, "-m", "again").code == 0
    assert companion("draft", lived_in, "readme", "--write").code in (0, 1)
    assert (lived_in / "README.md").is_file()
