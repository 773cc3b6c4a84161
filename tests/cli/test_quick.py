"""The list of snapshots in a hurry: it says what the whole command line says, and leaves the rest to it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.cli import quick
from companion.history.history import History

Companion = Callable[..., Any]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "slate choir"
    folder.mkdir()
    with History(folder) as history:
        for number, label in enumerate(("first", "“rounder” ♭ \x1b[1m", ""), 1):
            (folder / "a.wav").write_bytes(b"%d" % number)
            history.take(label)
        history.tag_release(2, "1.0")
    return folder


def said(*words: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "companion", *map(str, words)]
    return subprocess.run(command, capture_output=True, encoding="utf-8", cwd=cwd)


def test_it_says_what_the_whole_command_line_says(
    folder: Path, companion: Companion, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = companion("snapshots", folder)
    assert (whole.code, len(whole.out.splitlines())) == (0, 3)
    assert quick.answered([str(folder)])
    assert capsys.readouterr().out == whole.out
    monkeypatch.chdir(folder)
    assert quick.answered([])
    assert capsys.readouterr().out == whole.out
    done = said("snapshots", folder)
    assert (done.returncode, done.stdout, done.stderr) == (0, whole.out, "")
    assert said("snapshots", cwd=folder).stdout == whole.out


@pytest.mark.parametrize(
    "words",
    [
        ["--json", "FOLDER"],
        ["FOLDER", "--size"],
        ["-h"],
        [""],
        ["FOLDER", "FOLDER"],
        ["FOLDER/none"],
        ["FOLDER/a.wav"],
        ["a\0b"],
    ],
    ids=" ".join,
)
def test_what_is_not_plainly_that_is_for_the_whole_command_line(
    folder: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert not quick.answered([word.replace("FOLDER", str(folder)) for word in words])
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("name", ["restore.json", "hidden.json", "format.json"])
@pytest.mark.parametrize("kind", ["file", "link"])
def test_a_folder_in_which_something_is_to_be_mended_first_is_too(folder: Path, name: str, kind: str) -> None:
    assert quick.answered([str(folder)])
    place = folder / ".companion" / name
    if kind == "file":
        place.write_text("{}")
    else:
        place.symlink_to("nowhere")
    assert not quick.answered([str(folder)])


def test_a_list_that_is_not_remembered_or_not_true_is_too(folder: Path) -> None:
    history = folder / ".companion" / "history.git"
    listing, names = (history / "listing").read_bytes(), (history / "packed-refs").read_bytes()
    (history / "listing").write_bytes(listing[:-1])
    assert not quick.answered([str(folder)])
    (history / "listing").unlink()
    assert not quick.answered([str(folder)])
    (history / "listing").write_bytes(listing)
    assert quick.answered([str(folder)])
    (history / "packed-refs").write_bytes(names[:-50])
    assert not quick.answered([str(folder)]), "a snapshot that the names lost is for those who mend it"


def test_no_history_is_for_the_whole_command_line(tmp_path: Path) -> None:
    assert not quick.answered([str(tmp_path)])
    done = said("snapshots", tmp_path)
    assert (done.returncode, done.stdout.startswith("No snapshots yet.")) == (0, True)


def test_a_shell_that_completes_is_not_answered(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("_COMPANION_COMPLETE", "bash_complete")
    assert not quick.answered([str(folder)])


def test_a_terminal_that_lacks_a_sign_gets_it_written_out(folder: Path) -> None:
    command = [sys.executable, "-m", "companion", "snapshots", str(folder)]
    done = subprocess.run(command, capture_output=True, env={"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})
    assert done.returncode == 0, done.stderr
    assert b'"rounder" b ' in done.stdout


@pytest.mark.skipif(os.name == "nt", reason="a pipe without a reader is another error there")
def test_a_reader_that_has_gone_changes_nothing(folder: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    command = [sys.executable, "-m", "companion", "snapshots", str(folder)]
    buffered = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    done = subprocess.run(command, stdout=writer, stderr=subprocess.PIPE, env=buffered)
    os.close(writer)
    assert (done.returncode, done.stderr) == (0, b"")


def test_it_imports_next_to_nothing(folder: Path) -> None:
    code = (
        f"import sys; sys.argv = ['companion', 'snapshots', {str(folder)!r}]\n"
        "from companion.cli import main; main()\n"
        "print(*sorted(sys.modules), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=True)
    modules = set(done.stderr.split())
    assert not modules & {"click", "msgspec", "sqlite3", "hashlib", "dataclasses", "inspect", "git", "logging"}
    assert len([name for name in modules if name.partition(".")[0] == "companion"]) <= 17
    assert len(modules) <= 100
