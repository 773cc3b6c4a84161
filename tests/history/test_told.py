"""What a snapshot does not hold, or holds half of, is always told; and a comparison calls nothing gone that it could
not look at."""

from __future__ import annotations

import mmap
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from companion.cli.base import commands
from companion.core import census
from companion.core.errors import CompanionError
from companion.history import folder_state, reader
from companion.history.compare import difference
from companion.history.history import History
from companion.history.model import KeptFile

NAME = "Samples/struck/slate_1.wav"


def run(*arguments: object) -> tuple[int, str]:
    done = CliRunner().invoke(commands, [str(one) for one in arguments], standalone_mode=False)
    if isinstance(done.exception, CompanionError):
        return 2, done.exception.line
    assert done.exception is None, done.exception
    return done.return_value or 0, done.output


def put(folder: Path, path: str, text: str = "x") -> None:
    (folder / path).parent.mkdir(parents=True, exist_ok=True)
    (folder / path).write_text(text, "utf-8")


def unreadable(monkeypatch: pytest.MonkeyPatch, *paths: Path) -> None:
    """Have the system refuse to open some files, as another program's lock does; permissions say nothing to root."""
    real, bad = os.open, {str(path) for path in paths}

    def refusing(path: Any, flags: int, *more: Any, **named: Any) -> int:
        if str(path) in bad:
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, flags, *more, **named)

    monkeypatch.setattr(os, "open", refusing)


LEFT_OUT = {
    "Sub/.companion/history.git/HEAD": "Sub/.companion/history.git",
    "Sub/.companion/notes.txt": "Sub/.companion/notes.txt",
    ".companion/notes.txt": ".companion/notes.txt",
    ".companion/takes/one.wav": ".companion/takes",
    "Sub/.git/HEAD": "Sub/.git",
}


@pytest.mark.parametrize("path", LEFT_OUT)
def test_what_lies_in_a_place_that_is_not_kept_is_told(folder: Path, path: str) -> None:
    put(folder, path)
    code, out = run("snapshot", folder, "-m", "one")
    assert code == 1
    assert f"  left out: {LEFT_OUT[path]} (" in out
    assert path not in History(folder).files(1)


@pytest.mark.parametrize(
    "path",
    [
        ".companion/bounces/b.wav",
        ".companion/drafts/README.md",
        ".companion/lock.holder",
        ".companion/kits/kit.zip",
        ".companion/hidden.json",
        ".companion/building.lock",
        ".companion/cache.sqlite3-wal",
        "releases/old.zip",
        ".git/HEAD",
        "Sub/.companion/evidence/sound/1.json",
        "Sub/companion/notes.txt",
    ],
)
def test_what_is_ours_or_is_kept_is_not(folder: Path, path: str) -> None:
    put(folder, path)
    code, out = run("snapshot", folder, "-m", "one")
    assert (code, "left out" in out) == (0, False), out


def test_originals_that_are_hidden_are_told_as_that(folder: Path, history: History) -> None:
    put(folder, ".companion/hidden/Samples/one.wav")
    taken = history.take("while they are hidden")
    assert taken.left_out == (
        (".companion/hidden", "originals that are hidden for an away test: bring them back first"),
    )


@pytest.mark.skipif(os.name == "nt", reason="there are no such pipes there")
def test_a_pipe_is_told_by_what_it_is(folder: Path) -> None:
    os.mkfifo(folder / "pipe")
    assert run("snapshot", folder, "-m", "one")[0] == 1
    code, out = run("restore", folder, 1, "--only", "pipe")
    assert (code, "Snapshot 1 holds no “pipe”: a pipe, not a file" in out) == (2, True)
    with History(folder) as history, pytest.raises(CompanionError, match="holds no such file: a pipe, not a file"):
        history.read(1, "pipe")
    code, out = run("restore", folder, 1, "--only", "nothing")
    assert (code, "holds no “nothing” (" in out or out.startswith("Snapshot 1 holds no “nothing”.")) == (2, True), out
    code, out = run("snapshot", folder / "pipe")
    assert code == 2
    assert "a pipe" in out


def test_a_file_that_changes_while_it_is_read_gives_1(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = census.looks_the_same
    monkeypatch.setattr(
        census, "looks_the_same", lambda one, two: one.st_size != len("# Changelog\n") and real(one, two)
    )
    code, out = run("snapshot", folder, "-m", "one")
    assert (code, "  changed while it was read: CHANGELOG.md" in out) == (1, True), out


# -- comparing --------------------------------------------------------------------------------------------------------


def test_what_could_not_be_read_is_not_called_removed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert run("snapshot", folder, "-m", "one")[0] == 0
    (folder / NAME).write_bytes(b"changed since")
    unreadable(monkeypatch, folder / NAME)
    code, out = run("compare", folder, 1)
    assert (code, "removed" in out) == (1, False), out
    assert f"not compared: {NAME} (it could not be read: Permission denied)" in out
    monkeypatch.undo()
    code, out = run("compare", folder, 1)
    assert (code, f"changed: {NAME}" in out) == (0, True)


def test_what_a_snapshot_left_out_is_not_called_added_or_removed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert run("snapshot", folder, "-m", "one")[0] == 0
    (folder / NAME).write_bytes(b"changed since")
    unreadable(monkeypatch, folder / NAME)
    assert run("snapshot", folder, "-m", "two")[0] == 1
    monkeypatch.undo()
    put(folder, "more.txt")
    assert run("snapshot", folder, "-m", "three")[0] == 0
    for pair, told in (((1, 2), "not compared"), ((2, 3), "not in snapshot 2: ")):
        code, out = run("compare", folder, *pair)
        assert (code, told in out, f"removed: {NAME}" in out, f"added: {NAME}" in out) == (1, True, False, False), out
    code, out = run("compare", folder, 1, 3)
    assert (code, f"changed: {NAME}" in out) == (0, True)


def test_a_folder_that_could_not_be_opened_hides_all_that_is_in_it() -> None:
    one, two = KeptFile("1" * 40, 1, 0o100644), KeptFile("2" * 40, 1, 0o100644)
    shut = (("Samples", "the folder could not be opened: permission denied"),)
    found = difference({"Samples/a": one, "b": two}, {"Samples2/a": two}, 1, None, ((), shut))
    assert (found.removed, found.added, found.renamed) == ((), (), (("b", "Samples2/a"),))
    assert {path for path, _ in found.unread} == {"Samples/a", "Samples"}
    found = difference({}, {"a": one}, 1, 2, (((".", "the folder could not be opened"),), ()))
    assert (found.added, found.unread) == ((), (("a", "not in snapshot 1: the folder could not be opened"),))
    assert difference({"a": one}, {}, 1, 2, ((), (("ab", "a pipe"),))).removed == ("a",)
    both = (("pipe", "a pipe, not a file"),)
    assert difference({"a": one}, {"a": one}, 1, 2, (both, both)).unread == (), "nobody asks for a pipe"


# -- files that do not hold still -------------------------------------------------------------------------------------

SIZE = 2 << 20


def _in_one(path: Path, content: bytes) -> None:
    path.write_bytes(content)


def _in_pieces(path: Path, content: bytes) -> None:
    with path.open("wb", buffering=0) as stream:
        for at in range(0, SIZE, 64 << 10):
            stream.write(content[at : at + (64 << 10)])
            time.sleep(0.002)


def _in_halves(path: Path, content: bytes) -> None:
    with path.open("r+b", buffering=0) as stream:
        stream.write(content[: SIZE // 2])
        time.sleep(0.12)
        stream.write(content[SIZE // 2 :])


def _mapped(path: Path, content: bytes) -> None:
    with path.open("r+b") as stream, mmap.mmap(stream.fileno(), SIZE) as view:
        for at in range(0, SIZE, 256 << 10):
            view[at : at + (256 << 10)] = content[at : at + (256 << 10)]
            time.sleep(0.002)
        view.flush()


def _torn(content: bytes) -> bool:
    return len(content) != SIZE or len(set(content[:: 4 << 10])) != 1


def _under_a_writer(folder: Path, write: Callable[[Path, bytes], None], rounds: int) -> tuple[int, int, int]:
    """Take snapshots while something writes twelve files without end; return how many are kept, torn, torn unmarked."""
    files = [folder / "Samples" / f"bounce {number}.wav" for number in range(12)]
    for path in files:
        path.write_bytes(b"\0" * SIZE)
    stop = threading.Event()

    def work() -> None:
        turn = 0
        while not stop.is_set():
            turn += 1
            for path in files:
                write(path, bytes([turn % 250 + 1]) * SIZE)

    writer = threading.Thread(target=work)
    writer.start()
    kept = torn = unmarked = 0
    try:
        with History(folder) as history:
            for number in range(rounds):
                taken = history.take(f"n{number}")
                for path in files:
                    name = path.relative_to(folder).as_posix()
                    if name in history.files(taken.number):
                        kept += 1
                        if _torn(history.read(taken.number, name)):
                            torn += 1
                            unmarked += name not in taken.changed_while_read
    finally:
        stop.set()
        writer.join()
    return kept, torn, unmarked


@pytest.mark.campaign
@pytest.mark.parametrize("write", [_in_one, _in_pieces, _in_halves, _mapped])
def test_nothing_torn_is_kept_unmarked_under_a_constant_writer(
    folder: Path, write: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(folder_state, "STEP_NS", 150_000_000)
    kept, torn, unmarked = _under_a_writer(folder, write, 8)
    print(f"\n{write.__name__}: {kept} files of 2 MB kept, {torn} torn, {unmarked} of them unmarked")
    assert unmarked == 0


def test_a_file_that_is_written_on_after_it_was_read_is_marked(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half of it is there, and holds still for longer than any reading waits; the other half comes before the end."""
    real, path = reader.read_files, folder / NAME
    path.write_bytes(b"first half, ")

    def then_the_other_half(*arguments: Any) -> Any:
        done = real(*arguments)
        with path.open("ab") as stream:
            stream.write(b"second half")
        return done

    monkeypatch.setattr(folder_state, "read_files", then_the_other_half)
    taken = history.take("one")
    assert taken.changed_while_read == (NAME,)
    monkeypatch.undo()
    taken = history.take("two")
    assert (taken.new, taken.changed_while_read) == (True, ())
    assert history.read(2, NAME) == b"first half, second half"
