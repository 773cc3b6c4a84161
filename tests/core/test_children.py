"""A child that cannot begin is told as a fault of ours or of the computer, never as one of a file."""

from __future__ import annotations

import ctypes
import os
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from companion.core import children, one_file
from companion.core.errors import Cancelled, CompanionError
from companion.core.progress import Watch
from companion.sound.measures.pool import Request, run_requests
from tests.core.windows import on_windows

ANSWERS = "from companion.core import children;children.serve(lambda body:body[::-1],1<<30)"
BROKEN = {
    "ends at once": "raise SystemExit(3)",
    "cannot import": "from companion.core import children;children.serve(bytes,1<<30,'companion.nothing')",
    "says something else": "import sys;sys.stdout.write('\\2\\0\\0\\0no');sys.stdout.flush();sys.stdin.read()",
    "says nothing": "import sys;sys.stdin.read()",
}


@pytest.fixture(params=[*BROKEN, "is not there"])
def broken(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> str:
    text = BROKEN.get(request.param)
    command = children.isolated(text) if text else [str(tmp_path / "gone")]
    monkeypatch.setattr(children, "command", lambda module: command)
    if request.param == "says nothing":
        monkeypatch.setattr(children, "START_SECONDS", 0.2)
    return str(request.param)


def told(error: CompanionError) -> None:
    assert error.exit_code == 2
    assert "does not start" in error.line
    assert sys.executable in error.line
    assert "no file of yours is to blame" in error.line.lower()
    assert "\n" not in error.line


def test_a_child_that_cannot_begin_is_told_so(broken: str) -> None:
    child = children.Child("companion.words.stranger")
    with pytest.raises(CompanionError) as caught:
        child.ask(b"abc", 5.0)
    told(caught.value)
    assert child._process is None, "nothing is left running"


def test_no_file_is_blamed_for_workers_that_cannot_begin(broken: str) -> None:
    with pytest.raises(CompanionError) as caught:
        list(run_requests([Request(0, ("a",)), Request(1, ("b",))], Watch(), workers=2))
    told(caught.value)


def test_a_child_that_begins_answers_and_costs_its_request_where_it_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(children, "command", lambda module: children.isolated(ANSWERS))
    child = children.Child("companion.words.stranger")
    assert [child.ask(body, 5.0) for body in (b"abc", b"")] == [b"cba", b""]
    child.close()
    ends = "import os;" + ANSWERS.replace("body[::-1]", "os._exit(1)")
    monkeypatch.setattr(children, "command", lambda module: children.isolated(ends))
    assert child.ask(b"abc", 5.0) is None


def test_a_stop_while_it_begins_is_a_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(children, "command", lambda module: children.isolated(BROKEN["says nothing"]))
    watch = Watch()
    watch.cancel()
    with pytest.raises(Cancelled):
        children.Child("companion.words.stranger").ask(b"abc", 5.0, watch)


def test_one_file_starts_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "frozen", True, raising=False)
    assert children.command("companion.words.stranger") == [sys.executable, "--as-child", "companion.words.stranger"]


@pytest.mark.parametrize("words", [["--as-child"], ["--as-child", "os"], ["--as-child", one_file.CHILDREN[0], "more"]])
def test_one_file_is_no_child_but_those_it_knows(monkeypatch: pytest.MonkeyPatch, words: list[str]) -> None:
    monkeypatch.setattr(sys, "argv", ["companion", *words])
    monkeypatch.setattr("signal.signal", lambda *given: None)
    with pytest.raises(SystemExit) as caught:
        one_file.begin()
    assert caught.value.code == 2


def test_one_file_is_the_child_it_is_started_as(monkeypatch: pytest.MonkeyPatch) -> None:
    from companion.words import stranger

    done: list[str] = []
    monkeypatch.setattr(sys, "argv", ["companion", "--as-child", "companion.words.stranger"])
    monkeypatch.setattr("signal.signal", lambda *given: None)
    monkeypatch.setattr(stranger, "main", lambda: done.append("ran"))
    with pytest.raises(SystemExit) as caught:
        one_file.begin()
    assert (caught.value.code, done) == (0, ["ran"])


def test_what_the_system_brings_finds_its_own_libraries(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", ["companion", "--version"])
    monkeypatch.setenv("LD_LIBRARY_PATH", "/inside")
    monkeypatch.setenv("LD_LIBRARY_PATH_ORIG", "/mine")
    monkeypatch.setenv("DYLD_LIBRARY_PATH", "/inside")
    one_file.begin()
    assert os.environ["LD_LIBRARY_PATH"] == "/mine"
    assert "DYLD_LIBRARY_PATH" not in os.environ
    assert "LD_LIBRARY_PATH_ORIG" not in os.environ


def test_every_child_there_is_may_be_started() -> None:
    package = Path(one_file.__file__).parent.parent
    serving = {
        ".".join(path.relative_to(package.parent).with_suffix("").parts)
        for path in package.rglob("*.py")
        if "children.serve(" in path.read_text("utf-8")
    }
    assert serving == set(one_file.CHILDREN)


def test_what_a_killed_run_unpacked_goes_with_the_next_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    dead, alive = f"{2**31 - 5:08x}", f"{os.getpid():08x}"

    def unpacked(name: str, *, ours: bool = True, days: float = 2) -> Path:
        folder = tmp_path / name
        (folder / "companion").mkdir(parents=True)
        (folder / "companion" / ("_licences.json" if ours else "other.json")).write_text("[]")
        then = time.time() - days * 86_400
        os.utime(folder, (then, then))
        return folder

    gone = unpacked(f"_MEI{dead}abcdef")
    stays = [
        unpacked(f"_MEI{alive}abcdef"),  # its loader runs
        unpacked(f"_MEI{dead}ghijkl", days=0.5),  # it may run on another computer
        unpacked(f"_MEI{dead}mnopqr", ours=False),  # somebody else's program
        unpacked(f"MEI{dead}abcdef"),
        unpacked(f"_MEI{dead}myself"),  # this run
    ]
    (tmp_path / f"_MEI{dead}astray").symlink_to(stays[0], target_is_directory=True)
    monkeypatch.setattr(sys, "_MEIPASS", str(stays[-1]), raising=False)
    one_file.clear_left_behind()
    assert not gone.exists()
    assert all(folder.is_dir() for folder in stays)
    monkeypatch.setattr(sys, "_MEIPASS", str(tmp_path / "nowhere" / "x"), raising=False)
    one_file.clear_left_behind()


@pytest.mark.skipif(os.name == "nt", reason="plays another system on this one")
@pytest.mark.parametrize(("frozen", "processes", "closes"), [(True, 2, True), (True, 3, False), (False, 2, False)])
def test_a_window_that_would_close_is_kept_open(
    monkeypatch: pytest.MonkeyPatch, frozen: bool, processes: int, closes: bool
) -> None:
    kernel = SimpleNamespace(kernel32=SimpleNamespace(GetConsoleProcessList=lambda room, size: processes))
    monkeypatch.setattr(ctypes, "windll", kernel, raising=False)
    monkeypatch.setattr(sys, "frozen", frozen, raising=False)
    assert not one_file.closes_with_us(), "other systems keep it open by themselves"
    on_windows(monkeypatch, one_file)
    assert one_file.closes_with_us() is closes
