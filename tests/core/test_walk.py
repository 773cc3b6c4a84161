"""One walk: files, links, empty folders, repositories, and what is none of these."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from companion.core.errors import Cancelled, CompanionError
from companion.core.progress import QUIET, Watch
from companion.core.walk import Walk


def made(folder: Path, *paths: str) -> None:
    for path in paths:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(b"x")


def test_files_with_their_looks_empty_folders_and_repositories(tmp_path: Path) -> None:
    made(tmp_path, "a.wav", "b/c.wav", ".git/config", "lib/.git/config", "lib/d.wav", "sub/.git", "x/.companion/e")
    (tmp_path / "b/empty/deep").mkdir(parents=True)
    (tmp_path / "y/.companion").mkdir(parents=True)
    walk = Walk(tmp_path, QUIET, lambda _parent: None)
    looks = dict(walk)
    assert looks == {path: (tmp_path / path).lstat() for path in ("a.wav", "b/c.wav", "lib/d.wav", "x/.companion/e")}
    assert sorted(walk.repositories) == [".", "lib", "sub"]
    assert sorted(walk.empty) == ["b/empty/deep", "sub"]
    assert (walk.links, walk.problems) == ([], [])


def test_what_is_skipped_is_not_there(tmp_path: Path) -> None:
    made(tmp_path, "a/keep", "a/drop", "b/drop", "c/drop/deep")

    def skips(parent: str) -> Callable[[str], bool] | None:
        asked.append(parent)
        return None if parent == "c" else lambda name: name == "drop"

    asked: list[str] = []
    walk = Walk(tmp_path, QUIET, skips)
    assert sorted(path for path, _ in walk) == ["a/keep", "c/drop/deep"]
    assert walk.empty == ["b"]
    assert sorted(asked) == ["", "a", "b", "c", "c/drop"]


@pytest.mark.skipif(os.name == "nt", reason="links and pipes need POSIX")
def test_links_are_not_followed_and_pipes_are_told(tmp_path: Path) -> None:
    made(tmp_path, "a")
    (tmp_path / "round").symlink_to(tmp_path)
    (tmp_path / "broken").symlink_to("nowhere")
    os.mkfifo(tmp_path / "pipe")
    walk = Walk(tmp_path, QUIET, lambda _parent: None)
    assert [path for path, _ in walk] == ["a"]
    assert dict(walk.links) == {path: (tmp_path / path).lstat() for path in ("round", "broken")}
    assert walk.problems == [("pipe", "a pipe, not a file")]


def test_a_folder_that_cannot_be_opened_costs_what_lies_in_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made(tmp_path, "a", "closed/b")
    real = os.scandir

    def refusing(path: str) -> object:
        if path.rstrip("/").endswith("closed"):
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(os, "scandir", refusing)
    walk = Walk(tmp_path, QUIET, lambda _parent: None)
    assert [path for path, _ in walk] == ["a"]
    assert walk.problems == [("closed", "the folder could not be opened: permission denied")]
    assert walk.empty == []


def test_a_folder_that_is_not_there_is_an_error_and_a_stop_is_heard(tmp_path: Path) -> None:
    with pytest.raises(CompanionError, match="look through the folder"):
        list(Walk(tmp_path / "nowhere", QUIET, lambda _parent: None))
    watch = Watch()
    watch.cancel()
    with pytest.raises(Cancelled):
        list(Walk(tmp_path, watch, lambda _parent: None))


@pytest.mark.skipif(os.name == "nt", reason="Windows' paths are shorter than that")
def test_folders_may_lie_deeper_than_python_recurses(tmp_path: Path) -> None:
    here = Path.cwd()
    try:
        os.chdir(tmp_path)
        for _ in range(1200):
            Path("d").mkdir()
            os.chdir("d")
        Path("x").write_bytes(b"x")
        os.chdir(here)
        walk = Walk(tmp_path, QUIET, lambda _parent: None)
        assert [path for path, _ in walk] == ["d/" * 1200 + "x"]
    finally:
        os.chdir(here)
        subprocess.run(["rm", "-rf", str(tmp_path / "d")], check=True)  # rmtree recurses
