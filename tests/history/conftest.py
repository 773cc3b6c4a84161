"""Folders and plain git for the tests of the history."""

from __future__ import annotations

import os
import stat
import subprocess
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from companion.core import census
from companion.history import folder_state
from companion.history.history import History
from companion.history.store import commits, durable

PLAIN_GIT = {
    "GIT_CONFIG_GLOBAL": os.devnull,
    "GIT_CONFIG_NOSYSTEM": "1",
    "GIT_AUTHOR_NAME": "Test",
    "GIT_AUTHOR_EMAIL": "test@localhost",
    "GIT_COMMITTER_NAME": "Test",
    "GIT_COMMITTER_EMAIL": "test@localhost",
}

Git = Callable[..., str]
State = dict[str, tuple[Any, ...]]


@pytest.fixture(autouse=True)
def nobody_writes_in_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every test writes its files just now; each of a thousand snapshots would wait for the next step."""
    monkeypatch.setattr(folder_state, "STEP_NS", 0)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A small instrument: samples, a patch, a script that may be run, a link, an empty folder."""
    root = tmp_path / "Slate Choir"
    (root / "Samples" / "struck").mkdir(parents=True)
    (root / "Takes").mkdir()
    for number in range(3):
        (root / "Samples" / "struck" / f"slate_{number}.wav").write_bytes(os.urandom(3000 + number))
    (root / "Slate Choir.patch").write_bytes(b"PATCH\0" + os.urandom(200))
    (root / "release.toml").write_text('[instrument]\ntitle = "Slate Choir"\nversion = "1.0"\n', "utf-8")
    (root / "CHANGELOG.md").write_text("# Changelog\n", "utf-8")
    (root / "render.sh").write_text("#!/bin/sh\n", "utf-8")
    (root / "render.sh").chmod(0o755)
    (root / "latest.wav").symlink_to("Samples/struck/slate_0.wav")
    return root


@pytest.fixture
def history(folder: Path) -> Iterator[History]:
    with History(folder) as found:
        yield found


@pytest.fixture
def git() -> Git:
    """Run plain git, as an outside judge: ``git(folder, "fsck", ...)``; returns what it prints, raises on failure."""

    def run(where: Path, *arguments: str, **environment: str) -> str:
        clean = {name: value for name, value in os.environ.items() if not name.startswith("GIT_")}
        done = subprocess.run(
            ["git", *arguments], cwd=where, env=clean | PLAIN_GIT | environment, capture_output=True, timeout=120
        )
        assert done.returncode == 0, done.stderr.decode("utf-8", "replace")
        return done.stdout.decode("utf-8", "surrogateescape")

    return run


@pytest.fixture
def fsck(git: Git) -> Callable[[Path], None]:
    """Fail unless ``git fsck --full --strict`` finds nothing at all to say about a folder's history."""

    def check(folder: Path) -> None:
        place = folder / ".companion" / "history.git"
        said = git(place, "fsck", "--full", "--strict", "--no-dangling")
        if "refs/" in (place / "packed-refs").read_text("utf-8"):
            assert said == ""
        else:  # where there is no snapshot yet, or none any more, that much
            assert {line.partition(":")[0] for line in said.splitlines()} <= {"notice"}

    return check


@pytest.fixture
def state() -> Callable[[Path], State]:
    """Everything about a folder that a restore has to bring back: kinds, bytes, links, executable bits."""

    def read(root: Path, *, ours: bool = False) -> State:
        found: State = {}
        for path in sorted(root.rglob("*")):
            relative = path.relative_to(root).as_posix()
            if not ours and relative.split("/")[0] in (".companion", "releases"):
                continue
            status = path.lstat()
            if stat.S_ISLNK(status.st_mode):
                found[relative] = ("link", str(path.readlink()))
            elif stat.S_ISDIR(status.st_mode):
                found[relative] = ("folder",)
            else:
                found[relative] = ("file", path.read_bytes(), bool(status.st_mode & 0o100))
        return found

    return read


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody pulls the plug here and nobody writes meanwhile; a blob remembered for 20 ms is trusted."""
    monkeypatch.setattr(os, "fsync", lambda _handle: None)
    monkeypatch.setattr(durable, "sync_disk", lambda _root: None)
    monkeypatch.setattr(commits, "now", lambda: datetime(2026, 11, 26, tzinfo=UTC))  # the same ids in every run
    monkeypatch.setattr(census, "FRESH_NS", 0)
    monkeypatch.setattr(census, "GRAIN_NS", 20_000_000)
