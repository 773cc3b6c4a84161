"""A stranger's folder under every command that writes: whatever lies in our places, and whenever it comes to lie there.

Nothing outside is touched, nothing is run or waited for, nothing of the maker's is lost, and what cannot be done is
told in one line.
"""

from __future__ import annotations

import errno
import os
import shutil
import socket
import stat
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest

from companion.core import below
from companion.steps.deeds.hidden import BACK_IN_PLACE
from tests.awkward.writing import WRITES, live_in, prepare
from tests.core.test_hold import Swap

pytestmark = pytest.mark.skipif(os.name == "nt", reason="links need rights there that a test does not have")
SECRET: Final = b"the only copy of something of the player's\n"
PROGRAM: Final = "#!/bin/sh\ntouch {}\n"
FOLDERS: Final = (
    ".companion",
    ".companion/evidence",
    ".companion/evidence/contents",
    ".companion/drafts",
    ".companion/bounces",
    ".companion/kits",
    ".companion/hidden",
    ".companion/restore-aside",
    ".companion/history.git",
    ".companion/history.git/objects",
    ".companion/history.git/objects/pack",
    ".companion/history.git/objects/info",
    ".companion/history.git/refs",
    ".companion/history.git/refs/heads",
    ".companion/history.git/no-worktree",
    "releases",
    "../copy.git",
    "../copy.git/objects",
    "../copy.git/objects/pack",
    "../old.git/objects/pack",
    "../old.git/objects/info",
)
FILES: Final = (
    ".companion/cache.sqlite3",
    ".companion/cache.sqlite3-wal",
    ".companion/cache.sqlite3-shm",
    ".companion/lock",
    ".companion/lock.holder",
    ".companion/building.lock",
    ".companion/building.lock.holder",
    ".companion/history.lock",
    ".companion/history.lock.holder",
    ".companion/restore.json",
    ".companion/hidden.json",
    ".companion/Where the originals are.txt",
    ".companion/format.json",
    ".companion/drafts/README.md",
    ".companion/drafts/README.md.before",
    ".companion/drafts/README.md.unsettled.json",
    ".companion/drafts/README.md.older.json",
    ".companion/bounces/Slate Choir 1.0 keys.mid",
    ".companion/bounces/there.wav",
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
    "releases/Slate Choir 1.0.release.json",
    "README.md",
    "CHANGELOG.md",
    "release.toml",
    "../old.git/packed-refs",
    "../old.git/packed-refs.copy",
    "../old.git/mirror.lock",
)


def link_to_a_copy(target: Path, outside: Path) -> None:
    target.symlink_to(outside / "copy")


def link_to_nothing(target: Path, outside: Path) -> None:
    target.symlink_to(outside / "new")


def link_to_itself(target: Path, outside: Path) -> None:
    target.symlink_to(target.name)


def link_to_a_device(target: Path, outside: Path) -> None:
    target.symlink_to("/dev/null")


def pipe(target: Path, outside: Path) -> None:
    os.mkfifo(target)


def folder(target: Path, outside: Path) -> None:
    target.mkdir()
    (target / "letter.txt").write_bytes(SECRET)


def device(target: Path, outside: Path) -> None:
    try:
        os.mknod(target, stat.S_IFCHR | 0o666, os.makedev(1, 3))
    except PermissionError:
        pytest.skip("devices are made by root alone")


def door(target: Path, outside: Path) -> None:
    here = Path.cwd()
    os.chdir(target.parent)  # the whole path is longer than such a name may be
    try:
        with socket.socket(socket.AF_UNIX) as one:
            one.bind("s")
        Path("s").rename(target.name)
    finally:
        os.chdir(here)


KINDS: Final = (link_to_a_copy, link_to_nothing, link_to_itself, link_to_a_device, pipe, folder, device, door)


@pytest.fixture
def kept(instrument: Path, companion: Any, standin: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    lived_in = live_in(instrument, companion, standin)
    hooks = lived_in / ".companion" / "history.git" / "hooks"
    hooks.mkdir()
    for place in (hooks, lived_in.parent / "copy.git" / "hooks", lived_in.parent / "old.git" / "hooks"):
        place.mkdir(parents=True, exist_ok=True)
        for name in ("pre-receive", "update", "post-update", "reference-transaction", "post-checkout", "fsmonitor"):
            (place / name).write_text(PROGRAM.format(tmp_path / "run"), encoding="utf-8")
            (place / name).chmod(0o755)
    shutil.rmtree(lived_in.parent / "copy.git")
    return lived_in.parent


def anew(kept: Path, work: Path) -> Path:
    shutil.rmtree(work, ignore_errors=True)
    shutil.copytree(kept, work, symlinks=True)
    return work / "Slate Choir"


def state(outside: Path) -> dict[str, bytes | None]:
    return {str(one.relative_to(outside)): one.read_bytes() if one.is_file() else None for one in outside.rglob("*")}


def samples(folder: Path) -> dict[str, bytes]:
    """What is the maker's alone, and no command ever changes; where it is hidden for a test, as it lies there."""
    place = folder / ".companion" / "hidden" if not (folder / "Samples").exists() else folder
    return {one.name: one.read_bytes() for one in (*place.glob("Samples/*.wav"), place / "Slate.eeng")}


def _planted(place: str, kind: Callable[[Path, Path], None], folder: Path, outside: Path) -> bool:
    """Put a stranger's thing in a place; tell whether there was any place for it."""
    target = Path(os.path.normpath(folder / place))
    shutil.rmtree(outside, ignore_errors=True)
    outside.mkdir()
    if target.is_dir():
        shutil.copytree(target, outside / "copy")
        (outside / "copy" / "letter").write_bytes(SECRET)
        shutil.rmtree(target)
    else:
        (outside / "copy").write_bytes(target.read_bytes() if target.is_file() else SECRET)
        target.unlink(missing_ok=True)
    (outside / "letter").write_bytes(SECRET)
    target.parent.mkdir(parents=True, exist_ok=True)
    kind(target, outside)
    return True


def _hostile(
    kept: Path, tmp_path: Path, companion: Any, kind: Callable[[Path, Path], None], places: tuple[str, ...]
) -> Counter[str]:
    counts, outside = Counter[str](), tmp_path / "outside"
    for place in places:
        folder = anew(kept, tmp_path / "work")
        before = samples(folder)
        _planted(place, kind, folder, outside)
        there = state(outside)
        counts["places"] += 1
        for name, one in WRITES.items():
            result = companion(*one.on(folder))
            told = f"{kind.__name__} at {place}: {name}: {result}"
            assert result.code in (0, 1, 2), told
            assert "Traceback" not in result.err + result.out, told
            lines = [line for line in result.err.splitlines() if line != BACK_IN_PLACE]
            assert result.code != 2 or len(lines) <= 1 or "not restored" in result.out, told
            assert "The system refused" not in result.err, told
            assert state(outside) == there, told
            counts[f"ended with {result.code}"] += 1
            counts["commands"] += 1
        companion("away", "back", folder)
        assert samples(folder) == before, place
        assert not (tmp_path / "run").exists(), place
    return counts


@pytest.mark.timeout(120)
def test_a_link_or_a_pipe_in_some_of_our_places(kept: Path, tmp_path: Path, companion: Any) -> None:
    for kind, places in (
        (link_to_a_copy, (".companion/restore-aside", ".companion/hidden", "../copy.git", ".companion/bounces")),
        (link_to_nothing, (".companion/bounces/there.wav", ".companion/hidden.json", "../old.git/mirror.lock")),
        (link_to_itself, ("../copy.git", "releases/Slate Choir 1.0.zip")),
        (pipe, ("releases/Slate Choir 1.0.release.json", ".companion/kits", "../old.git/packed-refs")),
    ):
        counts = _hostile(kept, tmp_path, companion, kind, places)
        assert counts["commands"] == len(places) * len(WRITES)


READ: Final = (
    ".companion/evidence/*/*.json",
    ".companion/drafts/*",
    ".companion/history.git/objects/pack/*.pack",
    ".companion/history.git/objects/pack/*.idx",
    "../old.git/objects/pack/*.pack",
    "../old.git/objects/pack/*.idx",
    "Samples/*.wav",
    "*.eeng",
    "README.md",
)
"""Files that are there and only read, by many commands."""
READS: Final = (
    ("status",),
    ("snapshots", "--verify"),
    ("compare", "1"),
    ("contents",),
    ("check", "contents", "sound", "words"),
    ("away", "hide"),
    ("pack",),
    ("snapshot", "-m", "with it"),
    ("restore", "1", "--to", "../back"),
    ("mirror", "../old.git"),
)


def _said_in_a_line(companion: Any, folder: Path, command: tuple[str, ...]) -> int:
    verb, *rest = (str(folder.parent / word[3:]) if word.startswith("../") else word for word in command)
    group = [verb, rest.pop(0)] if verb == "away" else [verb]
    result = companion(*group, folder, *rest)
    assert result.code in (0, 1, 2), (command, result)
    assert "Traceback" not in result.err + result.out, (command, result)
    lines = [line for line in result.err.splitlines() if line != BACK_IN_PLACE]
    assert result.code != 2 or len(lines) <= 1, (command, result)
    return int(result.code)


@pytest.mark.parametrize("pattern", READ)
def test_no_pipe_in_the_place_of_a_file_is_waited_for(
    kept: Path, tmp_path: Path, companion: Any, monkeypatch: pytest.MonkeyPatch, pattern: str
) -> None:
    passed_over: list[str] = []  # what Python prints as “Exception ignored”, with a traceback
    monkeypatch.setattr(
        sys,
        "unraisablehook",
        lambda one: passed_over.append(f"{getattr(one.object, '__module__', '')} {one.exc_value}"),
    )
    folder = anew(kept, tmp_path / "work")
    victims = sorted(folder.parent.glob(os.path.normpath(f"{folder.name}/{pattern}")))
    assert victims
    for victim in victims:
        victim.unlink()
        os.mkfifo(victim)
    codes = {command: _said_in_a_line(companion, folder, command) for command in READS}
    assert [one for one in passed_over if one.startswith("companion")] == []
    if not pattern.startswith((".companion", "../")):
        assert codes["away", "hide"] == 2, "what ships and cannot be read is not played elsewhere"
        assert codes["pack",] in (1, 2)


@pytest.mark.campaign
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("kind", KINDS)
def test_anything_in_any_of_our_places_under_any_command(
    kept: Path, tmp_path: Path, companion: Any, kind: Callable[[Path, Path], None]
) -> None:
    counts = _hostile(kept, tmp_path, companion, kind, FOLDERS + FILES)
    print(f"\n{kind.__name__}: {dict(counts)}")


# --- swapped while a command runs ------------------------------------------------------------------------------------

VICTIMS: Final = (
    ".companion",
    ".companion/evidence",
    ".companion/drafts",
    ".companion/bounces",
    ".companion/history.git",
    ".companion/history.git/objects/pack",
    "releases",
    "../old.git",
    "../old.git/objects/pack",
)


def _swapped(
    kept: Path, tmp_path: Path, companion: Any, name: str, victims: tuple[str, ...], moments: int
) -> Counter[str]:
    """Swap a folder for a link to one that looks the same, at calls spread over the whole run of a command."""
    counts, outside = Counter[str](), tmp_path / "outside"
    for place in victims:
        at, step = 1, 0
        while at > 0:
            folder = anew(kept, tmp_path / "work")
            prepare(name, folder, companion)
            victim = Path(os.path.normpath(folder / place))
            shutil.rmtree(outside, ignore_errors=True)
            if not victim.is_dir():
                break
            shutil.copytree(victim, outside)
            (outside / "letter").write_bytes(SECRET)
            there = state(outside)
            swap = Swap(victim, outside, at if step else 1 << 30)
            with pytest.MonkeyPatch.context() as patch:
                swap.everywhere(patch)
                result = companion(*WRITES[name].on(folder))
            told = f"{place} at call {at} of {name}: {result}"
            if not step:  # the first run only counts
                step = max(1, ((1 << 30) - swap.left) // moments)
                continue
            if not swap.done:
                break
            counts["swaps"] += 1
            counts[f"ended with {result.code}"] += 1
            assert result.code in (0, 1, 2), told
            assert "Traceback" not in result.err + result.out, told
            now = state(outside)
            for path in now.keys() | there.keys():  # SQLite knows paths alone, and makes nothing of its own there
                assert now.get(path) == there.get(path) or path.startswith("cache.sqlite3"), f"{told}: {path}"
            at += step
    return counts


@pytest.mark.timeout(120)
@pytest.mark.skipif(not below.BY_HANDLE, reason="this system has no calls that start from an open folder")
@pytest.mark.parametrize("name", ["draft", "snapshot", "perform"])
def test_a_folder_swapped_for_a_link_in_a_command_leads_nothing_astray(
    kept: Path, tmp_path: Path, companion: Any, name: str
) -> None:
    counts = _swapped(kept, tmp_path, companion, name, (".companion", ".companion/drafts", ".companion/bounces"), 6)
    assert counts["swaps"] >= 6


@pytest.mark.campaign
@pytest.mark.timeout(1200)
@pytest.mark.skipif(not below.BY_HANDLE, reason="this system has no calls that start from an open folder")
@pytest.mark.parametrize("name", [one for one in WRITES if one != "demo"])
def test_a_folder_swapped_for_a_link_in_any_command(kept: Path, tmp_path: Path, companion: Any, name: str) -> None:
    counts = _swapped(kept, tmp_path, companion, name, VICTIMS, 25)
    print(f"\n{name}: {dict(counts)}")


def test_the_kinds_are_what_they_say(tmp_path: Path) -> None:
    """Else nothing is tried above."""
    (tmp_path / "outside").mkdir()
    found = {}
    for kind in KINDS:
        target = tmp_path / kind.__name__
        kind(target, tmp_path / "outside")
        found[kind.__name__] = stat.S_IFMT(target.lstat().st_mode)
    links = [name for name, what in found.items() if what == stat.S_IFLNK]
    assert len(links) == 4
    assert (found["pipe"], found["folder"], found["door"]) == (stat.S_IFIFO, stat.S_IFDIR, stat.S_IFSOCK)
    with pytest.raises(OSError, match=os.strerror(errno.ELOOP)):
        (tmp_path / "link_to_itself").stat()
