"""What tests/awkward does not meet: a pipe among the samples, a builder at work, the folder one stands in."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Companion = Callable[..., Any]
POSIX = pytest.mark.skipif(os.name == "nt", reason="this system cannot hold such a file")


@POSIX
def test_a_pipe_is_reported_and_never_opened(companion: Companion, demo_folder: Path) -> None:
    os.mkfifo(demo_folder / "Samples" / "pipe.wav")
    found = companion("check", demo_folder, "contents", "paths", "sound", "--json").json["findings"]
    assert any(f["path"] == "Samples/pipe.wav" and f["rule"] == "file-unreadable" for f in found)


def test_a_live_holder_is_named(companion: Companion, demo_folder: Path) -> None:
    from companion.core.folder import Places
    from companion.core.lock import held

    with held(Places(demo_folder).building, "building the archive"):
        refused = companion("pack", demo_folder)
    assert refused.code == 2
    assert str(os.getpid()) in refused.err
    assert "building the archive" in refused.err


def test_the_folder_one_stands_in_is_the_default(
    companion: Companion, demo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(demo_folder)
    assert "Slate Choir" in companion("status").out
    assert "Slate Choir" in companion().out


@POSIX
@pytest.mark.parametrize("name", ["plain", "with space", "it's [1] $HOME;#", "-dash"])
def test_what_is_offered_to_run_next_can_be_run(companion: Companion, tmp_path: Path, name: str) -> None:
    """The last line of ``demo``, read as a shell reads it, names the folder that was made."""
    last = companion("demo", tmp_path / name).out.splitlines()[-1]
    assert shlex.split(last) == ["Next:", "companion", str(tmp_path / name)]


@pytest.mark.parametrize(("keys", "screen", "opens"), [(True, True, True), (True, False, False), (False, True, False)])
def test_a_folder_opens_the_app_on_a_terminal_alone(
    companion: Companion, demo_folder: Path, monkeypatch: pytest.MonkeyPatch, keys: bool, screen: bool, opens: bool
) -> None:
    opened: list[Path] = []

    def run_app(folder: Path) -> int:
        opened.append(folder)
        return 0

    monkeypatch.setattr("companion.tui.running.run_app", run_app)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr("sys.stdin.isatty", lambda: keys, raising=False)
    monkeypatch.setattr("sys.stdout.isatty", lambda: screen, raising=False)
    result = companion(demo_folder)
    assert opened == ([demo_folder] if opens else [])
    assert (result.code, "Next:" in result.out) == ((0, False) if opens else (1, True))
