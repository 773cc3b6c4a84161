"""At home in a shell: help by the work, the command that was meant, completion, width, colour and pipes."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.cli.base import commands
from companion.cli.render.verbs import FURTHER, GROUPS, grouped, meant

Companion = Callable[..., Any]


def test_each_command_stands_once_in_the_help_with_its_whole_first_sentence(companion: Companion) -> None:
    told = companion("--help").out
    for name, one in commands.everything().items():
        assert len(re.findall(rf"^  {name} ", told, re.MULTILINE)) == 1, name
        sentence = one.get_short_help_str(1000)
        assert not sentence.endswith("...")
        assert " ".join(sentence.split()) in " ".join(told.split()), name


def test_groups_stand_in_the_order_of_the_work(companion: Companion) -> None:
    told = companion("--help").out
    titles = re.findall(r"^([A-Z]\w+):$", told, re.MULTILINE)
    assert [title for title in titles if title in GROUPS] == list(GROUPS)
    everywhere = [name for group in GROUPS.values() for name in group]
    assert len(set(everywhere)) == len(everywhere), "no command stands in two"


def test_a_command_of_no_group_is_shown_all_the_same() -> None:
    assert grouped(["pack", "brand-new", "status"]) == [
        ("Look", ["status"]),
        ("Ship", ["pack"]),
        (FURTHER, ["brand-new"]),
    ]


@pytest.mark.parametrize(
    ("written", "wanted"),
    [
        ("chekc", "check"),
        ("Status", "status"),
        ("snaphot", "snapshot"),
        ("relase", "release"),
        ("diff", "compare"),
        ("undo", "restore"),
        ("zip", "pack"),
        ("--pack", "pack"),
        ("xyzzy", ""),
        ("s", ""),
    ],
)
def test_a_wrong_command_proposes_the_right_one(written: str, wanted: str) -> None:
    assert meant(written, commands.everything()) == wanted


def test_what_is_proposed_is_there_to_be_had() -> None:
    from companion.cli.render import verbs

    assert set(verbs._MEANT.values()) <= set(commands.everything())
    assert not set(verbs._MEANT) & set(commands.everything())


def test_a_wrong_command_is_one_line(companion: Companion, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for words, said in (
        (("chekc", "x"), "You may have meant: companion check"),
        (("chekc",), "You may have meant: companion check"),
        (("xyzzy", "x"), "See: companion --help"),
    ):
        told = companion(*words)
        assert (told.code, told.out) == (2, "")
        assert len(told.err.splitlines()) == 1
        assert said in told.err
    told = companion("xyzzy")
    assert told.code == 2
    assert "There is no such folder" in told.err, "alone it is a folder's name"


def test_a_folder_that_is_called_like_a_wrong_command_is_opened(
    companion: Companion, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "chekc").mkdir()
    told = companion("chekc")
    assert told.code == 1
    assert "no release.toml yet" in told.out, "where there is no terminal, the status is printed"
    assert "There is no such folder" in companion("./nowhere").err


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish", "powershell"])
def test_completion_prints_what_the_shell_takes(companion: Companion, shell: str) -> None:
    from click.shell_completion import get_completion_class

    told = companion("completion", shell)
    if get_completion_class(shell) is None:  # PowerShell's came with click 8.5
        assert told.code == 2
        return
    assert told.code == 0
    assert "_COMPANION_COMPLETE" in told.out
    assert companion("completion", "tcsh").code == 2


def completed(*words: str) -> list[str]:
    """Return what a shell is offered for the last of ``words``."""
    asked = {"_COMPANION_COMPLETE": "zsh_complete", "COMP_WORDS": " ".join(words), "COMP_CWORD": str(len(words) - 1)}
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.argv[0] = 'companion'; from companion.cli import main; main()"],
        env={**os.environ, **asked}, capture_output=True, text=True,
    )  # fmt: skip
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    return [f"{kind} {value}" for kind, value, _ in zip(lines[::3], lines[1::3], lines[2::3], strict=True)]


def test_a_shell_is_offered_commands_folders_and_options() -> None:
    assert completed("companion", "snap") == ["plain snapshot", "plain snapshots", "dir snap"]
    assert set(completed("companion", "")) >= {"plain status", "plain upload", "dir "}
    assert completed("companion", "pack", "--s") == ["plain --since"]
    assert completed("companion", "completion", "z") == ["plain zsh"]
    assert completed("companion", "status", "x")[0].startswith(("file", "dir"))


@pytest.mark.parametrize("columns", ["50", "80"])
def test_help_keeps_to_the_width_there_is(companion: Companion, monkeypatch: pytest.MonkeyPatch, columns: str) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    assert max(map(len, companion("--help").out.splitlines())) <= int(columns)


def test_nothing_is_coloured_in_a_pipe_and_nowhere_with_no_color(
    companion: Companion, demo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(2):
        for words in (("status", demo_folder), ("check", demo_folder, "facts"), ("--help",), ("xyzzy", "x")):
            told = companion(*words)
            assert "\x1b" not in told.out + told.err
        monkeypatch.setenv("NO_COLOR", "1")
        monkeypatch.setenv("FORCE_COLOR", "1")


def test_a_reader_that_goes_early_changes_no_exit_code(tmp_path: Path) -> None:
    if os.name == "nt":
        pytest.skip("the pipe is a POSIX shell's")
    program = f"{sys.executable} -m companion"
    done = subprocess.run(
        ["sh", "-c", f"({program} explain; echo $? >&2) | head -1"], capture_output=True, text=True, cwd=tmp_path
    )
    assert done.stderr.strip() == "0"
    assert len(done.stdout.splitlines()) == 1
