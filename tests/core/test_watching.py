"""Which folders are watched for changes, and which changes are worth a look."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from companion.core import watching
from companion.core.watching import folders_to_watch, matters


def names(folder: Path) -> set[str]:
    found = folders_to_watch(folder)
    assert found is not None
    assert len(found) == len(set(found))
    return {place.relative_to(folder).as_posix() for place in found}


def test_every_folder_of_the_maker_is_watched_and_of_ours_what_may_be_put_there(tmp_path: Path) -> None:
    for name in ("Samples/Hummed", "Docs", ".git/objects", ".companion/history.git/refs", ".companion/bounces",
                 ".companion/evidence/sound", ".companion/hidden/1", "Samples/.git"):  # fmt: skip
        (tmp_path / name).mkdir(parents=True)
    (tmp_path / "a.wav").touch()
    assert names(tmp_path) == {
        ".", "Samples", "Samples/Hummed", "Docs", ".companion", ".companion/bounces", ".companion/evidence",
        ".companion/evidence/sound",
    }  # fmt: skip


def test_no_link_is_gone_through(tmp_path: Path) -> None:
    place, outside = tmp_path / "place", tmp_path / "outside"
    for name in (".companion", "Samples"):
        (place / name).mkdir(parents=True)
    (outside / "deep").mkdir(parents=True)
    for link in ("Samples/link", ".companion/evidence", ".companion/bounces", "link"):
        (place / link).symlink_to(outside, target_is_directory=True)
    assert names(place) == {".", "Samples", ".companion"}


def test_a_linked_folder_of_ours_is_not_watched(tmp_path: Path) -> None:
    (tmp_path / "outside" / "bounces").mkdir(parents=True)
    place = tmp_path / "place"
    place.mkdir()
    (place / ".companion").symlink_to(tmp_path / "outside", target_is_directory=True)
    assert names(place) == {"."}


def test_too_many_folders_are_not_watched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(4):
        (tmp_path / f"{number}").mkdir()
    monkeypatch.setattr(watching, "MOST_FOLDERS", 5)
    assert len(folders_to_watch(tmp_path) or ()) == 5
    (tmp_path / "one more").mkdir()
    assert folders_to_watch(tmp_path) is None


def test_a_folder_that_is_gone_is_told(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="nothing"):
        folders_to_watch(tmp_path / "nothing")


@pytest.mark.parametrize(
    ("path", "worth"),
    [
        ("release.toml", True),
        ("Samples/a.wav", True),
        ("Samples", True),
        ("cache.sqlite3", True),
        ("lock", True),
        ("history.git", True),
        (".companion", True),
        (".companion/evidence/sound/a.json", True),
        (".companion/bounces/keys.wav", True),
        (".companion/format.json", True),
        (".companion/restore.json", True),
        (".companion/cache.sqlite3", False),
        (".companion/cache.sqlite3-wal", False),
        (".companion/lock", False),
        (".companion/lock.holder", False),
        (".companion/building.lock", False),
        (".companion/history.git", False),
        (".companion/hidden/1/a.wav", False),
        (".companion/hidden.json", True),
        (".git/index", False),
        ("../elsewhere", False),
    ],
)
def test_what_is_worth_a_look(tmp_path: Path, path: str, worth: bool) -> None:
    assert matters(os.path.join(tmp_path, *path.split("/")), tmp_path) is worth  # noqa: PTH118 -- ".." stays
