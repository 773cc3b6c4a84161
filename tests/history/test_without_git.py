"""Snapshots without a git program: everything but a mirror in a repository elsewhere; where git is there, it agrees."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.core.errors import CompanionError
from companion.history import listing
from companion.history.history import History
from companion.history.store import hermetic
from tests.history.test_names import SAMPLE, three


@pytest.fixture(params=["with git", "without git"])
def path(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A search path with git on it or with nothing; a program is started by nobody in either case."""
    (tmp_path / "no programs").mkdir()
    if request.param == "without git":
        monkeypatch.setenv("PATH", str(tmp_path / "no programs"))
    for name in ("Popen", "run", "call", "check_output", "check_call"):
        monkeypatch.setattr(subprocess, name, lambda *_args, **_named: pytest.fail("a program was started"))
    return str(request.param)


def test_every_verb_but_one(
    folder: Path, tmp_path: Path, path: str, state: Any, monkeypatch: pytest.MonkeyPatch, git: Any
) -> None:
    other = tmp_path / "other"
    other.mkdir()
    with History(folder) as history:
        contents = three(folder, history)
        for number in range(12):  # many commits, once read by one call of git
            (folder / "n.txt").write_text(str(number), "utf-8")
            history.take(f"more {number}")
        (folder / ".companion/history.git/listing").unlink()
        assert len(listing.snapshots(folder)) == 15
        assert history.compare(1, 3).changed == (SAMPLE,)
        now = state(folder)
        assert history.restore(1).failed == ()
        assert history.read(1, SAMPLE) == contents[0]
        assert history.restore(15).failed == ()
        assert state(folder) == now
        assert history.verify().whole
        assert history.size().total > 600_000
        assert history.forget(range(5, 15)).remark == ""
        assert history.mirror(tmp_path / "copy.git").new == 5
    for index in (folder / ".companion/history.git/objects/pack").glob("*.idx"):
        index.unlink()
    with History(folder) as history:
        (folder / "n.txt").write_text("with new indexes", "utf-8")
        history.take("again")
        assert history.verify().whole
    with History(other) as history:
        assert history.adopt(tmp_path / "copy.git").broken == ()
        history.restore(3)
        assert (other / SAMPLE).read_bytes() == contents[2]
    monkeypatch.undo()
    for place in (folder / ".companion/history.git", other / ".companion/history.git", tmp_path / "copy.git"):
        assert git(place, "fsck", "--full", "--strict", "--no-dangling") == ""
    with History(folder) as history:
        shots = history.snapshots()
    for shot in shots:
        assert git(folder / ".companion/history.git", "log", "-1", "--format=%s", shot.id).strip() == shot.label
    work = tmp_path / "checked out"
    git(tmp_path, "clone", "-q", str(folder / ".companion/history.git"), str(work))
    git(work, "checkout", "-q", shots[0].id)
    shutil.rmtree(work / ".git")
    assert {name: one for name, one in state(work).items() if one != ("folder",)} == {
        name: one for name, one in state(folder).items() if one != ("folder",)
    }


def test_a_mirror_elsewhere_says_in_one_line_that_it_needs_git(
    folder: Path, history: History, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    history.take("first")
    (tmp_path / "no programs").mkdir()
    monkeypatch.setenv("PATH", str(tmp_path / "no programs"))
    for address in ("ssh://host.example/a.git", "https://host.example/a.git", "me@host.example:a.git"):
        with pytest.raises(CompanionError, match="needs git, which is not installed") as told:
            history.mirror(address)
        assert "\n" not in told.value.line
        assert "or mirror to a folder" in told.value.line
    assert history.mirror(tmp_path / "copy.git").new == 1


@pytest.mark.parametrize("options", [(), ("-f", "--depth=50", "--window=50"), ("--window=0", "--max-pack-size=1m")])
def test_what_git_packed_is_read_and_indexed_without_it(
    folder: Path, history: History, git: Any, options: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, state: Any
) -> None:
    """Texts that change a little are packed as differences to one another, by distance and by name."""
    text = "".join(f"line {number} of the notes\n" for number in range(4000))
    (folder / "take.wav").write_bytes(os.urandom(700_000))
    for number in range(6):
        (folder / "notes.txt").write_text(text.replace("line 7", f"row {number}"), "utf-8")
        (folder / "take.wav").write_bytes((folder / "take.wav").read_bytes()[:-1000] + os.urandom(1000))
        history.take(f"n{number}")
    place = folder / ".companion/history.git"
    git(place, "repack", "-a", "-d", "-q", *options)
    kept = {number: (history.read(number, "notes.txt"), history.read(number, "take.wav")) for number in range(1, 7)}
    for index in (place / "objects/pack").glob("*.idx"):
        index.unlink()
    monkeypatch.setattr(hermetic, "git_program", lambda: pytest.fail("git was looked for"))
    with History(folder) as again:
        with again._store.writing("mending the indexes"):
            pass
        assert again.verify().whole
        assert {n: (again.read(n, "notes.txt"), again.read(n, "take.wav")) for n in kept} == kept
        assert again.forget([2, 3]).remark == ""
        assert again.read(6, "notes.txt") == kept[6][0]
        assert again.verify().whole
    assert git(place, "fsck", "--full", "--strict", "--no-dangling") == ""


def test_objects_that_git_keeps_each_in_a_file_are_read(folder: Path, history: History, git: Any) -> None:
    contents = three(folder, history)
    place = folder / ".companion/history.git"
    packs = sorted((place / "objects/pack").glob("*.pack"))
    moved = [(place / pack.name) for pack in packs]
    for pack, to in zip(packs, moved, strict=True):
        pack.rename(to)
        pack.with_suffix(".idx").unlink()
    for pack in moved:
        with pack.open("rb") as stream:
            subprocess.run(
                ["git", "--git-dir", str(place), "unpack-objects", "-q"], stdin=stream, check=True, capture_output=True
            )
        pack.unlink()
    with History(folder) as again:
        assert [again.read(number, SAMPLE) for number in (1, 2, 3)] == contents


@pytest.fixture
def damaged_packs(folder: Path, history: History, git: Any) -> Callable[[int], None]:
    text = "".join(f"line {number}\n" for number in range(2000))
    for number in range(4):
        (folder / "notes.txt").write_text(text + str(number), "utf-8")
        history.take(f"n{number}")
    place = folder / ".companion/history.git"
    git(place, "repack", "-a", "-d", "-f", "-q")
    pack = next((place / "objects/pack").glob("*.pack"))
    whole = pack.read_bytes()

    def damage(at: int) -> None:
        pack.chmod(0o644)
        data = bytearray(whole)
        data[at % len(data)] ^= 0x41
        pack.write_bytes(bytes(data))

    return damage


def test_damage_in_a_pack_of_differences_never_gives_other_content_and_never_crashes(
    folder: Path, damaged_packs: Callable[[int], None]
) -> None:
    text = "".join(f"line {number}\n" for number in range(2000))
    size = next((folder / ".companion/history.git/objects/pack").glob("*.pack")).stat().st_size
    for at in range(12, size, max(1, size // 80)):
        damaged_packs(at)
        with History(folder) as again:
            for number in range(1, 5):
                try:
                    assert again.read(number, "notes.txt").decode() == text + str(number - 1)
                except CompanionError:
                    continue
            assert not again.verify().whole
