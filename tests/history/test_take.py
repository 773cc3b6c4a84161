"""Taking snapshots: what is kept, what is told, and that plain git agrees with every byte."""

from __future__ import annotations

import json
import os
import shutil
import socket
import threading
import time
import types
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from companion.core import census, scratch
from companion.core.errors import Busy, Cancelled, CompanionError
from companion.core.lock import held
from companion.core.progress import Watch
from companion.history import reader, take
from companion.history.history import History
from companion.history.store import commits, packs
from companion.history.store.objects import FILE, LINK, PROGRAM


def test_the_tree_is_the_one_plain_git_writes(
    folder: Path, history: History, git: Any, fsck: Callable[[Path], None], tmp_path: Path
) -> None:
    for name in ("a.b", "a", "a0"):  # git sorts a folder as though it ended in a slash: a.b, a/, a0
        (folder / "order").mkdir(exist_ok=True)
        (folder / "order" / name).write_text(name, "utf-8") if name != "a" else (folder / "order" / "a").mkdir()
    (folder / "order" / "a" / "x").write_text("x", "utf-8")
    (folder / "ünïcode – ♯.wav").write_bytes(b"")
    (folder / os.fsdecode(b"latin-\xe9.wav")).write_bytes(b"not UTF-8")
    snapshot = history.take("first")
    plain = tmp_path / "plain"
    shutil.copytree(folder, plain, symlinks=True, ignore=shutil.ignore_patterns(".companion"))
    git(plain, "init", "-q")
    git(plain, "-c", "core.autocrlf=false", "add", "-A")
    assert git(plain, "write-tree").strip() == snapshot.tree
    fsck(folder)
    names = git(folder / ".companion/history.git", "ls-tree", "-r", "-z", "--name-only", snapshot.id).split("\0")
    assert os.fsdecode(b"latin-\xe9.wav") in names


def test_what_is_ours_or_version_control_stays_out(folder: Path, history: History) -> None:
    for path in (
        ".companion/evidence/sound/1.json",
        ".companion/reports/r.md",
        ".companion/bounces/b.wav",
        "releases/old.zip",
        ".git/config",
        "nested/.git/HEAD",
        "nested/take.wav",
        "linked/.git",
        "linked/a.txt",
        "Takes/releases/kept.txt",
    ):
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_text("x", "utf-8")
    kept = history.files(history.take("first").number)
    assert {".companion/evidence/sound/1.json", ".companion/reports/r.md", "nested/take.wav"} <= kept.keys()
    assert {"linked/a.txt", "Takes/releases/kept.txt", "release.toml", "CHANGELOG.md"} <= kept.keys()
    assert not [path for path in kept if ".git" in path.split("/") or path.startswith("releases/")]
    assert not [
        path for path in kept if path.startswith(".companion/") and path.split("/")[1] not in ("evidence", "reports")
    ]


def test_the_makers_own_repository_is_not_touched(folder: Path, history: History, git: Any, state: Any) -> None:
    git(folder, "init", "-q")
    git(folder, "add", "-A")
    git(folder, "commit", "-q", "-m", "mine")
    (folder / "release.toml").write_text("changed", "utf-8")
    before = state(folder / ".git")
    history.take("ours")
    history.compare(1)
    (folder / "release.toml").write_text("again", "utf-8")
    history.restore(1)
    assert state(folder / ".git") == before
    assert git(folder, "status", "--porcelain", "--untracked-files=no").strip() == "M release.toml"


def test_nothing_changed_gives_the_snapshot_there_is(folder: Path, history: History) -> None:
    first = history.take("first")
    again = history.take("first again")
    assert (first.new, again.new, again.number, again.label) == (True, False, first.number, "first")
    assert len(history.snapshots()) == 1


def test_a_label_asked_for_is_not_dropped_for_one_taken_unasked(folder: Path, history: History) -> None:
    history.take("before restoring", kind="before-restore")
    asked = history.take("the good one")
    assert asked.new
    assert [one.label for one in history.snapshots()] == ["the good one", "before restoring"]


def test_a_snapshot_tells_what_it_holds(folder: Path, history: History) -> None:
    snapshot = history.take("  two\nlines \x1b[31m of \u202e label ")
    listed = history.snapshots()[0]
    assert listed.label == "two lines \\x1b[31m of \\u202e label"
    assert (listed.number, listed.id, listed.kind) == (1, snapshot.id, "asked")
    assert listed.files == 8
    assert listed.bytes == sum(
        len(p.read_bytes())
        for p in folder.rglob("*")
        if p.is_file() and not p.is_symlink() and ".companion" not in p.parts
    ) + len("Samples/struck/slate_0.wav")
    assert listed.empty_folders == ("Takes",)
    assert abs((datetime.fromisoformat(listed.at) - datetime.now(UTC)).total_seconds()) < 60


def test_a_change_under_the_same_size_and_time_is_seen(folder: Path, history: History) -> None:
    sample = folder / "Samples/struck/slate_1.wav"
    old = sample.stat()
    time.sleep(2.1)  # long enough for the first look to be trusted
    history.take("first")
    assert history.take("still").new is False
    data = bytearray(sample.read_bytes())
    data[100] ^= 1
    sample.write_bytes(data)
    os.utime(sample, ns=(old.st_atime_ns, old.st_mtime_ns))
    assert (sample.stat().st_size, sample.stat().st_mtime_ns) == (old.st_size, old.st_mtime_ns)
    assert history.take("second").new
    assert history.read(2, "Samples/struck/slate_1.wav") == bytes(data)


def test_a_second_look_reads_only_what_changed(folder: Path, history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    past = time.time() - 3600
    for path in folder.rglob("*"):
        os.utime(path, (past, past), follow_symlinks=False)
    time.sleep(2.1)
    history.take("first")
    opened: list[str] = []
    real = reader._FileReader.read

    def noting(reader: Any, path: str, *rest: Any) -> Any:
        opened.append(path)
        return real(reader, path, *rest)

    monkeypatch.setattr(reader._FileReader, "read", noting)
    (folder / "CHANGELOG.md").write_text("# Changelog\n\n## 1.0\n", "utf-8")
    history.take("second")
    assert sorted(opened) == ["CHANGELOG.md", "latest.wav"]
    opened.clear()
    history.take("third", kind="release")
    assert len(opened) == 8, "a release is hashed anew, every byte"


def test_numbers_are_never_used_twice_and_order_survives_a_clock_set_back(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in (1, 2, 3):
        (folder / "n").write_text(str(number), "utf-8")
        monkeypatch.setattr(commits, "now", lambda n=number: datetime(2030 - n, 1, 1, tzinfo=UTC))
        assert history.take(f"n{number}").number == number
    assert [one.number for one in history.snapshots()] == [3, 2, 1]
    history.forget([3])
    (folder / "n").write_text("4", "utf-8")
    assert history.take("n4").number == 4
    history.forget([1, 2, 4])
    assert history.snapshots() == []
    assert history.take("n5").number == 5


@pytest.mark.parametrize("name", [".GIT", "git~1", "GIT~1", ".git.", ".git ", ".g\u200cit", ".Git::$INDEX", "a\\.git"])
def test_a_name_git_cannot_hold_is_refused_before_anything_is_written(
    folder: Path, history: History, name: str
) -> None:
    (folder / "Samples" / name).write_text("x", "utf-8")
    with pytest.raises(CompanionError, match="cannot hold"):
        history.take("first")
    assert not list((folder / ".companion/history.git/objects/pack").iterdir())
    (folder / "Samples" / name).unlink()
    assert history.take("first").number == 1


@pytest.mark.parametrize(
    "name", [".gitignore", ".gitmodules", "git", ".gitx", "git~2", "my.git", "a:b.wav", "*.wav", "-n"]
)
def test_its_neighbours_are_kept(folder: Path, history: History, fsck: Callable[[Path], None], name: str) -> None:
    (folder / name).write_text("x = y\n", "utf-8")
    assert name in history.files(history.take("first").number)
    fsck(folder)


def test_a_hostile_list_of_submodules_is_a_file_like_any_other(
    folder: Path, history: History, fsck: Callable[[Path], None]
) -> None:
    text = '[submodule "../../x"]\n\tpath = -x\n\turl = --upload-pack=touch\n\tupdate = !touch x\n'
    (folder / ".gitmodules").write_text(text, "utf-8")
    (folder / "nested").mkdir()
    (folder / "nested" / ".gitmodules").symlink_to("../.gitmodules")
    history.take("first")
    assert history.read(1, ".gitmodules").decode() == text
    fsck(folder)


def test_what_git_would_read_as_its_own_settings_is_a_file_like_any_other(
    folder: Path, history: History, state: Any, fsck: Callable[[Path], None]
) -> None:
    (folder / ".gitattributes").write_text("* filter=x " + "y" * 5000 + "\n", "utf-8")
    (folder / "linked").mkdir()
    for name in (".gitattributes", ".gitignore", ".mailmap"):
        (folder / "linked" / name).symlink_to("../x")
    before = state(folder)
    history.take("first")
    assert {path for path in history.files(1) if ".git" in path or ".mail" in path} == {
        ".gitattributes",
        "linked/.gitattributes",
        "linked/.gitignore",
        "linked/.mailmap",
    }
    fsck(folder)
    (folder / ".gitattributes").unlink()
    shutil.rmtree(folder / "linked")
    assert not history.restore(1).failed
    assert state(folder) == before


def test_a_clock_before_1970_is_no_damage(
    folder: Path, history: History, fsck: Callable[[Path], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(commits, "now", lambda: datetime(1969, 6, 1, tzinfo=UTC))
    assert history.take("first").at == "1969-06-01T00:00:00Z"
    fsck(folder)


def test_what_cannot_be_kept_is_left_out_aloud(folder: Path, history: History) -> None:
    os.mkfifo(folder / "pipe")
    link = socket.socket(socket.AF_UNIX)
    here = Path.cwd()
    os.chdir(folder)  # a socket's path has to be short
    try:
        link.bind("sock")
    finally:
        os.chdir(here)
        link.close()
    taken = history.take("first")
    assert dict(taken.left_out) == {"pipe": "a pipe, not a file", "sock": "a socket, not a file"}
    assert history.snapshots()[0].left_out == taken.left_out
    history.restore(1)
    assert (folder / "pipe").exists(), "what was left out is never removed"


def test_an_unreadable_file_costs_that_file(folder: Path, history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    real = scratch.read_some
    bad = (folder / "Slate Choir.patch").stat().st_ino

    def failing(handle: int, room: memoryview) -> int:
        if os.fstat(handle).st_ino == bad:
            raise OSError(5, "Input/output error")
        return real(handle, room)

    monkeypatch.setattr(scratch, "read_some", failing)
    taken = history.take("first")
    monkeypatch.undo()
    assert taken.left_out == (("Slate Choir.patch", "it could not be read: Input/output error"),)
    assert taken.files == 7
    assert history.take("second").files == 8


def test_a_link_out_of_the_folder_is_kept_as_a_link(folder: Path, history: History, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.wav").write_bytes(b"not ours")
    (folder / "out").symlink_to(outside)
    (folder / "loop").symlink_to(folder)
    history.take("first")
    kept = history.files(1)
    assert not [path for path in kept if path.startswith(("out/", "loop/"))]
    assert history.read(1, "out") == os.fsencode(outside)
    (folder / "out").unlink()
    (folder / "out").mkdir()
    (folder / "out" / "new.wav").write_bytes(b"new")
    history.restore(1)
    assert (folder / "out").is_symlink()
    assert (outside / "secret.wav").read_bytes() == b"not ours"
    assert not (outside / "new.wav").exists()


def test_a_file_that_changes_while_it_is_read_is_tried_again_then_marked(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    restless, once = folder / "Samples/struck/slate_0.wav", folder / "Samples/struck/slate_1.wav"
    real, left = reader._exactly, {restless: 99, once: 1}

    def rewriting(handle: int, count: int) -> memoryview:
        data = real(handle, count)
        for path, times in left.items():
            if times and os.fstat(handle).st_ino == path.stat().st_ino:
                left[path] = times - 1
                with path.open("r+b") as stream:
                    stream.write(os.urandom(16))
                os.utime(path, ns=(times, times))
        return data

    monkeypatch.setattr(reader, "_exactly", rewriting)
    taken = history.take("first")
    assert taken.changed_while_read == ("Samples/struck/slate_0.wav",)
    assert left[restless] == 99 - census.ATTEMPTS
    assert history.snapshots()[0].changed_while_read == taken.changed_while_read
    assert history.read(1, "Samples/struck/slate_1.wav") == once.read_bytes()


@pytest.mark.parametrize("grows", [True, False])
def test_a_large_file_that_grows_or_shrinks_while_it_is_read(
    folder: Path, history: History, fsck: Callable[[Path], None], monkeypatch: pytest.MonkeyPatch, grows: bool
) -> None:
    monkeypatch.setattr(reader, "SMALL", 1000)
    bounce = folder / "bounce.wav"
    bounce.write_bytes(bytes(range(256)) * 20_000)
    real = census.read_ids

    def moving(handle: int, size: int, *rest: Any) -> census.Ids:
        ids = real(handle, size, *rest)
        if size > 4_000_000:
            os.truncate(bounce, size + 1000 if grows else size - 1000)
        return ids

    monkeypatch.setattr(reader, "read_ids", moving)
    taken = history.take("first")
    fsck(folder)
    if grows:
        assert taken.changed_while_read == ("bounce.wav",)
        assert len(history.read(1, "bounce.wav")) in range(5_120_000, 5_125_000, 1000)
    else:
        assert taken.left_out == (("bounce.wav", "it kept getting shorter while it was read"),)
    assert taken.files + len(taken.left_out) == 9


@pytest.mark.parametrize("size", [3 << 20, 9 << 20])
def test_a_long_write_that_began_before_the_file_was_opened_is_seen(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    """Its time was noted when it began: nothing of the file's look tells that it still goes on."""
    content = b"new" * (size // 3)
    (folder / "busy.wav").write_bytes(content)
    torn, real, handles = [0], scratch.read_some, set[int]()
    opened = census._opened

    def opening(path: Path) -> tuple[int, os.stat_result]:
        handle, status = opened(path)
        (handles.add if path.name == "busy.wav" else handles.discard)(handle)
        return handle, status

    def half_old(handle: int, room: memoryview) -> int:
        got = real(handle, room)
        if handle in handles and got and torn[0] < (1 if size < packs.SMALL else 2 * -(-size // scratch.PIECE)):
            torn[0] += 1
            room[:3] = b"old"
        return got

    monkeypatch.setattr(census, "_opened", opening)
    monkeypatch.setattr(scratch, "read_some", half_old)
    taken = history.take("first")
    assert torn[0]
    monkeypatch.undo()
    assert taken.changed_while_read == ()
    assert history.read(1, "busy.wav") == content


def test_a_stop_is_heard_within_a_large_file(folder: Path, history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    """While it is hashed, and while it is written: of a file of gigabytes nobody waits for the end."""
    (folder / "bounce.wav").write_bytes(os.urandom(12 << 20))
    blocks, real, many = [0], scratch.read_some, (12 << 20) // scratch.PIECE
    for stop_at in (3, many + 3):  # of those that are hashed, of those that are written
        watch = Watch()

        def reading(handle: int, room: memoryview, stop_at: int = stop_at, watch: Watch = watch) -> int:
            blocks[0] += len(room) == scratch.PIECE
            if blocks[0] == stop_at:
                watch.cancel()
            return real(handle, room)

        blocks[0] = 0
        with monkeypatch.context() as patch:
            patch.setattr(scratch, "read_some", reading)
            with pytest.raises(Cancelled):
                history.take("first", watch=watch)
        assert blocks[0] == stop_at
    assert history.snapshots() == []


def test_where_there_is_no_executable_bit_a_file_keeps_the_one_it_had(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Windows knows none: a script kept on another system must not lose its own there."""
    history.take("first")
    (folder / "CHANGELOG.md").write_text("more", "utf-8")
    (folder / "new.sh").write_text("#!/bin/sh\n", "utf-8")
    (folder / "render.sh").chmod(0o644)  # as it looks there
    (folder / "new.sh").chmod(0o644)
    monkeypatch.setattr(take, "os", types.SimpleNamespace(name="nt"))
    assert history.take("second").new
    modes = {path: kept.mode for path, kept in history.files(2).items()}
    assert (modes["render.sh"], modes["new.sh"], modes["CHANGELOG.md"]) == (PROGRAM, FILE, FILE)
    assert modes["latest.wav"] == LINK


def test_a_file_at_rest_is_not_read_twice(folder: Path, history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    now = time.time_ns
    monkeypatch.setattr(time, "time_ns", lambda: now() + 1_000_000_000)
    monkeypatch.setattr(census, "read_ids", lambda *_: pytest.fail("read again"))
    assert history.take("first").new


def test_equal_files_are_kept_once_large_and_small(folder: Path, history: History) -> None:
    data = os.urandom(9 << 20)
    for number in range(4):
        (folder / f"twin{number}.wav").write_bytes(data)
        (folder / f"small{number}.wav").write_bytes(data[:5000])
    history.take("first")
    assert history.size().total < 10.2 * (1 << 20)
    assert history.read(1, "twin3.wav") == data


def test_cancelling_leaves_nothing(folder: Path, history: History) -> None:
    history.take("first")
    (folder / "new.wav").write_bytes(os.urandom(50_000))
    watch = Watch()
    watch.cancel()
    with pytest.raises(Cancelled):
        history.take("second", watch=watch)
    packs = folder / ".companion/history.git/objects/pack"
    assert not [path.name for path in packs.iterdir() if path.name.startswith("tmp_")]
    assert [one.number for one in history.snapshots()] == [1]
    assert history.take("second").number == 2


def test_one_writer_at_a_time_and_the_second_is_told_who(folder: Path, history: History) -> None:
    history.take("first")
    inside, leave = threading.Event(), threading.Event()

    def other() -> None:
        with held(folder / ".companion/history.lock", "restoring a snapshot"):
            inside.set()
            leave.wait(10)

    thread = threading.Thread(target=other)
    thread.start()
    inside.wait(10)
    try:
        with pytest.raises(Busy, match=f"process {os.getpid()} .* restoring a snapshot"):
            history.take("second")
        assert history.snapshots()[0].label == "first", "looking needs no lock"
    finally:
        leave.set()
        thread.join()


def test_what_a_dead_run_left_is_cleared(folder: Path, history: History, fsck: Callable[[Path], None]) -> None:
    history.take("first")
    place = folder / ".companion/history.git"
    (place / "objects/pack/tmp_pack_dead").write_bytes(b"half")
    (place / ".packed-refs.dead.part").write_bytes(b"half")
    (place / "packed-refs.lock").write_bytes(b"")
    (folder / ".companion/history.lock").write_text(json.dumps({"pid": 9, "host": "old-laptop"}), "utf-8")
    (folder / "new").write_text("n", "utf-8")
    assert history.take("second").number == 2
    left = {path.name for path in (*place.iterdir(), *(place / "objects/pack").iterdir())}
    assert not [name for name in left if "tmp" in name or name.endswith((".part", ".lock"))]
    fsck(folder)


def test_many_snapshots_keep_few_packs(
    folder: Path, history: History, fsck: Callable[[Path], None], state: Any
) -> None:
    for number in range(60):
        (folder / "Samples" / "n.txt").write_text(str(number), "utf-8")
        history.take(f"n{number}")
    assert len(list((folder / ".companion/history.git/objects/pack").glob("*.pack"))) <= 26
    assert history.read(7, "Samples/n.txt") == b"6"
    assert [one.label for one in history.snapshots()][:2] == ["n59", "n58"]
    fsck(folder)


def test_a_missing_folder_and_a_read_only_one_are_explained(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(CompanionError, match="no such folder"):
        History(tmp_path / "nowhere").take("x")
    here = tmp_path / "here"
    here.mkdir()
    (here / "a").write_text("a", "utf-8")

    def refused(*_: Any, **__: Any) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(Path, "mkdir", refused)
    with pytest.raises(CompanionError, match="read-only"):
        History(here).take("x")
    assert History(here).snapshots() == []
