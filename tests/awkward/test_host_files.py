"""What the host opens while the originals are hidden: real programs that hold real files, and looks made up."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

from companion.core.errors import CompanionError
from companion.core.folder import Places
from companion.core.progress import QUIET, Watch
from companion.steps.deeds import hidden
from companion.steps.deeds.host_files import HeldFile, HostFiles, watch_host

HOLDS = "import sys, mmap; a = [open(p, 'rb') for p in sys.argv[1:]]; print('ready', flush=True); sys.stdin.read()"


@pytest.fixture
def away(tmp_path: Path) -> tuple[Places, Path]:
    """A folder whose originals are hidden, and the copy."""
    folder, copy = tmp_path / "Slate", tmp_path / "elsewhere" / "Slate Choir"
    for place in (folder, copy):
        (place / "Samples").mkdir(parents=True)
        (place / "Slate.eeng").write_bytes(b"patch")
        (place / "Samples" / "one.wav").write_bytes(b"1")
        (place / "Samples" / "two.wav").write_bytes(b"2")
        (place / "readme.txt").write_bytes(b"r")
    (folder / "release.toml").write_text("", encoding="utf-8")
    (folder / ".companion").mkdir()
    places = Places(folder)
    hidden.hide(places, ["Samples", "Slate.eeng", "readme.txt"], copy, "2026-01-01")
    return places, copy


@pytest.fixture
def holding() -> Iterator[Callable[..., subprocess.Popen[str]]]:
    running = []

    def hold(*paths: Path) -> subprocess.Popen[str]:
        program = subprocess.Popen(
            [sys.executable, "-c", HOLDS, *map(str, paths)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        running.append(program)
        assert program.stdout is not None
        assert program.stdout.readline() == "ready\n"
        return program

    yield hold
    for program in running:
        program.communicate("")


def test_a_program_that_holds_the_copy_is_the_host(
    away: tuple[Places, Path], holding: Callable[..., Any], tmp_path: Path
) -> None:
    places, copy = away
    (tmp_path / "other.wav").write_bytes(b"o")
    holding(copy / "Slate.eeng", copy / "Samples/one.wav", tmp_path / "other.wav")
    found = watch_host(places, "", 0, QUIET)
    assert (found.opened, found.outside, found.looks) == (("Samples/one.wav", "Slate.eeng"), (), 1)
    assert found.not_seen == ("Samples/two.wav", "readme.txt")
    assert len(found.hosts) == 1


def test_originals_and_files_of_their_name_elsewhere_are_reached_for(
    away: tuple[Places, Path], holding: Callable[..., Any], tmp_path: Path
) -> None:
    places, copy = away
    (tmp_path / "old").mkdir()
    old = [tmp_path / "old" / name for name in ("ONE.wav", "readme.txt")]
    for path in old:
        path.write_bytes(b"1")
    original = places.hidden / "Samples" / "two.wav"
    holding(copy / "Slate.eeng", original, *old)
    found = watch_host(places, "", 0, QUIET)
    assert {Path(path) for _, path in found.outside} == {original, old[0]}, "a readme of that name is nobody's sample"


def test_another_program_is_no_host_unless_it_is_named(away: tuple[Places, Path], holding: Callable[..., Any]) -> None:
    places, _ = away
    program = holding(places.hidden / "Samples" / "one.wav")
    assert watch_host(places, "", 0, QUIET).hosts == ()
    import psutil

    name = psutil.Process(program.pid).name()
    assert [Path(path).name for _, path in watch_host(places, name[:5].upper(), 0, QUIET).outside] == ["one.wav"]
    assert watch_host(places, "no such program", 0, QUIET).hosts == ()


def made_up(places: Places, looks: list[list[HeldFile]], process: str = "", watch: Watch = QUIET) -> HostFiles:
    """Let the looks come one after the other; the watch ends behind the last."""
    left = iter(looks)
    told: list[str] = []
    running = Watch(lambda progress: told.append(progress.line), every=0.0)

    def look(only: Callable[[int, str], bool]) -> Iterable[HeldFile]:
        now = next(left)
        if now is looks[-1]:
            running.cancel()
        return [one for one in now if only(one.pid, one.name)]

    found = watch_host(places, process, None, running, look, lambda _: None)
    assert all("looks" in line and "0 files," not in line for line in told[1:])
    return found


def test_what_is_seen_once_stays_seen_and_cancelling_ends_it(away: tuple[Places, Path]) -> None:
    places, copy = away
    patch, one = str(copy / "Slate.eeng"), str(copy / "Samples/one.wav")
    original = str(places.hidden / "Samples/one.wav")
    found = made_up(
        places,
        [
            [HeldFile(7, "other", original)],
            [HeldFile(8, "host", patch)],
            [HeldFile(8, "host", original), HeldFile(7, "other", original)],
            [HeldFile(8, "host", one)],
        ],
    )
    assert found.looks == 4
    assert found.hosts == ("host",)
    assert found.opened == ("Samples/one.wav", "Slate.eeng")
    assert found.outside == (("host", original),), "not those of a program that never opened the copy"


def test_ours_in_the_working_folder_is_nobodys_original(away: tuple[Places, Path]) -> None:
    places, copy = away
    held = [HeldFile(8, "host", str(copy / "Slate.eeng")), HeldFile(8, "host", str(places.ours / "cache.sqlite3"))]
    assert made_up(places, [held]).outside == ()
    held.append(HeldFile(8, "host", str(places.folder / "new.wav")))
    assert [path for _, path in made_up(places, [held]).outside] == [str(places.folder / "new.wav")]


def test_nothing_is_watched_where_nothing_is_hidden_or_the_copy_is_gone(away: tuple[Places, Path]) -> None:
    places, copy = away
    for path in sorted(copy.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() else path.unlink()
    with pytest.raises(CompanionError, match="The copy is gone"):
        watch_host(places, "", 0, QUIET)
    hidden.bring_back(places)
    with pytest.raises(CompanionError, match="No originals are hidden"):
        watch_host(places, "", 0, QUIET)


def test_the_command_leaves_the_originals_hidden(
    companion: Callable[..., Any], away: tuple[Places, Path], holding: Callable[..., Any]
) -> None:
    places, copy = away
    came = companion("away", "watch", places.folder, "--for", 0)
    assert came.code == 0
    assert "No program was seen" in came.out
    holding(copy / "Slate.eeng", places.hidden / "Samples" / "one.wav")
    came = companion("away", "watch", places.folder, "--for", 0)
    assert came.code == 1
    assert "1 of 4 files of the copy seen open" in came.out
    assert "--reached-originals" in came.out
    assert hidden.is_hidden(places)
    hidden.bring_back(places)
    came = companion("away", "watch", places.folder, "--for", 0)
    assert (came.code, came.err.count("\n")) == (2, 1)
