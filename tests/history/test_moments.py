"""A maker saves a file within the very moments in which a restore replaces it: the edit stays."""

from __future__ import annotations

import contextlib
import os
import random
import threading
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.core import below
from companion.core.below import Below, Linked, Located
from companion.core.errors import Cancelled
from companion.core.progress import Progress, Watch
from companion.history.history import History
from companion.history.restore_files import CHANGED, Placer

NAME = "Samples/struck/slate_0.wav"
EDIT = b"saved by the maker at the last moment"

Save = Callable[[Path], None]


def over(path: Path) -> None:
    path.write_bytes(EDIT)


def in_its_place(path: Path) -> None:
    """As most programs save: beside, then in place of it."""
    beside = path.with_name(path.name + "~")
    beside.write_bytes(EDIT)
    beside.replace(path)


def in_place_with_old_times(path: Path) -> None:
    """Of the same size, and with the old time put back."""
    status = path.stat()
    path.write_bytes(EDIT[:1] * status.st_size)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


SAVES = (over, in_its_place, in_place_with_old_times)
WAYS = ("exchange", "link", "neither")


@pytest.fixture(params=WAYS)
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Every way of putting a file in another's place that a disk may leave."""
    if request.param != "exchange":
        monkeypatch.setattr(below, "_newer_rename", lambda: None)
    if request.param == "neither":

        def refused(*_arguments: Any, **_named: Any) -> None:
            raise PermissionError(1, "Operation not permitted")

        monkeypatch.setattr(os, "link", refused)
    return str(request.param)


def two_states(folder: Path, history: History) -> bytes:
    """One snapshot, then other content, long enough ago that times tell; return what is there now."""
    history.take("good")
    (folder / NAME).write_bytes(b"re-recorded")
    (folder / "Samples/added.wav").write_bytes(b"added since")
    old = time.time() - 100
    for path in (NAME, "Samples/added.wav"):
        os.utime(folder / path, (old, old))
    return (folder / NAME).read_bytes()


@pytest.mark.parametrize("save", SAVES)
def test_an_edit_right_before_a_file_is_replaced_stays(
    folder: Path, history: History, save: Save, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    two_states(folder, history)
    real = below.swap

    def saving_first(source: Located, target: Located, spare: Located) -> Located:
        if target.name.endswith("slate_0.wav") and not saved:
            save(folder / NAME)
            saved.append((folder / NAME).read_bytes())
        return real(source, target, spare)

    saved: list[bytes] = []
    monkeypatch.setattr(below, "swap", saving_first)
    done = history.restore(1)
    assert saved
    if save is in_place_with_old_times:  # nothing but reading it again would tell, and that was done a moment before
        assert (folder / NAME).read_bytes() != b"re-recorded"
        return
    assert done.failed == ((NAME, CHANGED),)
    assert (folder / NAME).read_bytes() == EDIT
    assert done.removed == ("Samples/added.wav",), "the rest is done"
    assert not (folder / ".companion/restore-aside").exists()
    assert not (folder / ".companion/restore.json").exists()


@pytest.mark.parametrize("save", SAVES[:2])
def test_an_edit_right_before_a_file_is_taken_away_stays(
    folder: Path, history: History, save: Save, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    two_states(folder, history)
    real, path = below.move, folder / "Samples/added.wav"

    def saving_first(source: Located, target: Located) -> None:
        if source.name.endswith("added.wav"):
            save(path)
        real(source, target)

    monkeypatch.setattr(below, "move", saving_first)
    done = history.restore(1)
    assert done.failed == (("Samples/added.wav", CHANGED),)
    assert path.read_bytes() == EDIT
    assert done.written == (NAME,)


def test_a_file_made_where_one_is_about_to_come_stays(
    folder: Path, history: History, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    history.take("good")
    (folder / NAME).unlink()
    real = below.move_new

    def saving_first(source: Located, target: Located) -> None:
        if target.name.endswith("slate_0.wav"):
            (folder / NAME).write_bytes(EDIT)
        real(source, target)

    monkeypatch.setattr(below, "move_new", saving_first)
    done = history.restore(1)
    assert done.failed == ((NAME, "something was put in its place while the restore ran"),)
    assert (folder / NAME).read_bytes() == EDIT


def test_a_file_taken_away_at_the_last_moment_is_brought_back(
    folder: Path, history: History, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    two_states(folder, history)
    real = below.swap

    def gone_first(source: Located, target: Located, spare: Located) -> Located:
        (folder / NAME).unlink()
        return real(source, target, spare)

    monkeypatch.setattr(below, "swap", gone_first)
    done = history.restore(1)
    assert done.failed == ()
    assert (folder / NAME).read_bytes() == history.read(1, NAME)


def test_two_edits_at_the_worst_moments_both_stay(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    two_states(folder, history)
    real, edits = below.swap, iter([b"first edit", b"second edit"])

    def saving_first(source: Located, target: Located, spare: Located) -> Located:
        (folder / NAME).write_bytes(next(edits))
        return real(source, target, spare)

    monkeypatch.setattr(below, "swap", saving_first)
    done = history.restore(1)
    assert (folder / NAME).read_bytes() == b"first edit"
    assert (folder / "Samples/struck/slate_0 (restore 1).wav").read_bytes() == b"second edit"
    assert [path for path, _ in done.failed] == [NAME]
    assert "“slate_0 (restore 1).wav” beside it" in done.failed[0][1]


def test_what_somebody_puts_where_a_restore_goes_stays_when_that_is_stopped(
    folder: Path, history: History, tmp_path: Path
) -> None:
    history.take("good")
    into = tmp_path / "into"
    watch: Watch

    def work_on_then_cancel(progress: Progress) -> None:
        if progress.what == "Restoring" and progress.done:
            (into / "Samples").mkdir(exist_ok=True)
            (into / "Samples/theirs.txt").write_bytes(EDIT)
            watch.cancel()

    watch = Watch(work_on_then_cancel, every=0)
    with pytest.raises(Cancelled):
        history.restore(1, into=into, watch=watch)
    assert [path.relative_to(into).as_posix() for path in into.rglob("*") if path.is_file()] == ["Samples/theirs.txt"]


def _edits(folder: Path, history: History, rounds: int, seed: int) -> Counter[str]:
    """Save a file at some moment of a restore, again and again; count where the edit is afterwards."""
    chance, counts = random.Random(seed), Counter[str]()
    history.take("good")
    for turn in range(rounds):
        (folder / NAME).write_bytes(b"re-recorded %d" % turn)
        edit = b"edit %d" % turn
        path, delay, save = folder / NAME, chance.uniform(0, 0.12), chance.choice((over, in_its_place))

        def work(delay: float = delay, path: Path = path, edit: bytes = edit, save: Save = save) -> None:
            time.sleep(delay)
            if save is over:
                path.write_bytes(edit)
            else:
                beside = path.with_name("beside")
                beside.write_bytes(edit)
                beside.replace(path)

        saver = threading.Thread(target=work)
        saver.start()
        with contextlib.suppress(Exception):
            history.restore(1)
        saver.join()
        found = [path for path in folder.rglob("*") if path.is_file() and ".companion" not in path.parts]
        held = any(path.read_bytes() == edit for path in found)
        kept = held or any(
            history.read(one.number, NAME) == edit for one in history.snapshots() if NAME in history.files(one.number)
        )
        counts["in the folder" if held else "in a snapshot" if kept else "lost"] += 1
    return counts


@pytest.mark.campaign
def test_no_edit_is_lost_to_a_restore_whenever_it_comes(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = Placer._put

    def slowly(*arguments: Any) -> None:
        time.sleep(0.05)  # a slow disk: the moments in between last
        real(*arguments)

    monkeypatch.setattr(Placer, "_put", slowly)
    counts = _edits(folder, history, 60, 3)
    print(f"\nedits within a restore: {dict(counts)}")
    assert counts["lost"] == 0


# -- below a folder, through no link ----------------------------------------------------------------------------------


@pytest.fixture(params=[True, False], ids=["by handle", "by path"])
def below_folder(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Below:
    monkeypatch.setattr(below, "BY_HANDLE", request.param and below.BY_HANDLE)
    (tmp_path / "root/a/b").mkdir(parents=True)
    (tmp_path / "root/a/b/c.txt").write_text("c", "utf-8")
    (tmp_path / "outside/b").mkdir(parents=True)
    (tmp_path / "outside/b/c.txt").write_text("outside", "utf-8")
    return Below(tmp_path / "root")


@pytest.mark.skipif(os.name == "nt", reason="links need rights there that a test does not have")
@pytest.mark.parametrize("link", ["a", "a/b"])
def test_no_link_on_the_way_is_followed(below_folder: Below, tmp_path: Path, link: str) -> None:
    assert below.look(below_folder.name("a/b/c.txt")).st_size == 1
    below_folder.forget()
    (tmp_path / "root" / link).rename(tmp_path / "moved")
    (tmp_path / "root" / link).symlink_to(tmp_path / "outside" / link[2:], target_is_directory=True)
    with pytest.raises(Linked):
        below_folder.name("a/b/c.txt")
    (tmp_path / "root" / link).unlink()
    (tmp_path / "root" / link).write_text("a file", "utf-8")
    with pytest.raises(OSError, match="directory"):
        below.look(below_folder.name("a/b/c.txt"))
    below_folder.close()


@pytest.mark.skipif(not below.BY_HANDLE, reason="there a folder can be swapped between the look and the deed")
def test_a_folder_swapped_after_it_was_opened_leads_nothing_astray(tmp_path: Path) -> None:
    (tmp_path / "root/a").mkdir(parents=True)
    (tmp_path / "outside").mkdir()
    (tmp_path / "root/a/c.txt").write_text("mine", "utf-8")
    (tmp_path / "outside/c.txt").write_text("outside", "utf-8")
    reached = Below(tmp_path / "root")
    place = reached.name("a/c.txt")
    (tmp_path / "root/a").rename(tmp_path / "moved")
    (tmp_path / "root/a").symlink_to(tmp_path / "outside", target_is_directory=True)
    below.remove(place)
    reached.close()
    assert (tmp_path / "outside/c.txt").exists()
    assert not (tmp_path / "moved/c.txt").exists()


def test_folders_held_are_let_go_of(tmp_path: Path) -> None:
    for number in range(50):
        (tmp_path / f"{number}").mkdir()
        (tmp_path / f"{number}/x").write_text("x", "utf-8")
    before = set(Path("/proc/self/fd").iterdir()) if Path("/proc/self/fd").exists() else set()
    reached = Below(tmp_path)
    for number in range(50):
        below.look(reached.name(f"{number}/x"))
    assert len(reached._held) <= 1
    reached.close()
    if before:
        assert len(set(Path("/proc/self/fd").iterdir())) <= len(before) + 1


@pytest.mark.skipif(os.name == "nt", reason="links need rights there that a test does not have")
def test_marking_a_file_does_not_mark_what_a_link_in_its_place_leads_to(below_folder: Below, tmp_path: Path) -> None:
    (tmp_path / "root/a/b/c.txt").chmod(0o600)
    below.set_permissions(below_folder.name("a/b/c.txt"), 0o755)
    assert (tmp_path / "root/a/b/c.txt").stat().st_mode & 0o777 == 0o755
    if not below.BY_HANDLE:
        return
    (tmp_path / "root/a/b/c.txt").unlink()
    (tmp_path / "outside/b/c.txt").chmod(0o600)
    (tmp_path / "root/a/b/c.txt").symlink_to(tmp_path / "outside/b/c.txt")
    with pytest.raises(OSError, match="symbolic links"):
        below.set_permissions(below_folder.name("a/b/c.txt"), 0o755)
    assert (tmp_path / "outside/b/c.txt").stat().st_mode & 0o777 == 0o600
