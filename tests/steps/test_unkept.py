"""What no snapshot holds, told of a real folder with a real history, and at what price."""

from __future__ import annotations

import os
import shutil
import sqlite3
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.core import census, scratch
from companion.steps.account.due import Standing
from companion.steps.account.moved import Counts, Moved
from companion.workshop import Workshop

FACTS = '[instrument]\ntitle = "Slate Choir"\nversion = "1.0"\n[contents]\npatches = ["Slate.eeng"]\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "Slate Choir"
    (folder / "Samples").mkdir(parents=True)
    for number in range(30):
        (folder / "Samples" / f"slate_{number:02}.wav").write_bytes(b"%02d" % number * 10)
    (folder / "Slate.eeng").write_bytes(b"patch")
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    return folder


def standing(folder: Path) -> Standing:
    shop = Workshop.open(folder)
    try:
        return shop.status()
    finally:
        shop.close()


def moved(folder: Path) -> Moved:
    unkept = standing(folder).unkept
    assert unkept
    return unkept.moved


def keep(folder: Path, label: str = "kept") -> None:
    shop = Workshop.open(folder)
    shop.snapshot(label)
    shop.close()


def sample(folder: Path, number: int) -> Path:
    return folder / "Samples" / f"slate_{number:02}.wav"


def test_the_first_snapshot_is_due_and_then_everything_is_kept(folder: Path) -> None:
    before = standing(folder)
    assert before.due
    assert before.due.because == "no snapshot of this folder yet"
    keep(folder)
    after = standing(folder)
    assert after.due is None
    assert after.unkept
    assert (after.unkept.snapshot, after.unkept.samples, after.unkept.moved) == (1, 30, Moved())


@pytest.mark.parametrize("looked", [True, False], ids=["looked at in between", "not looked at in between"])
def test_what_changed_since_is_counted(folder: Path, looked: bool) -> None:
    keep(folder)
    if looked:
        standing(folder)
    sample(folder, 0).write_bytes(b"xx" * 10)
    sample(folder, 1).unlink()
    sample(folder, 2).rename(folder / "Samples" / "two.wav")
    (folder / "Samples" / "more.wav").write_bytes(b"more")
    (folder / "Slate.eeng").write_bytes(b"PATCH")
    (folder / "release.toml").write_text(FACTS + "# more\n", encoding="utf-8")
    (folder / "Readme.txt").write_text("Play it.\n", encoding="utf-8")
    samples = Counts(added=1, removed=1, changed=1, renamed=1)
    assert moved(folder) == Moved(samples=samples, patches=Counts(changed=1), facts=True, others=1)
    keep(folder, "again")
    assert not moved(folder).any


def test_three_samples_of_thirty_are_due_and_two_are_not(folder: Path) -> None:
    keep(folder)
    for number in range(2):
        sample(folder, number).write_bytes(b"new")
    assert standing(folder).due is None
    sample(folder, 2).write_bytes(b"new")
    due = standing(folder).due
    assert due
    assert due.because == "3 samples changed since snapshot 1"


def test_a_file_put_back_is_kept_again_and_one_only_touched_always_was(folder: Path) -> None:
    keep(folder)
    standing(folder)
    before = sample(folder, 0).read_bytes()
    sample(folder, 0).write_bytes(b"new")
    os.utime(sample(folder, 1))
    assert moved(folder).samples == Counts(changed=1)
    sample(folder, 0).write_bytes(before)
    assert not moved(folder).any


@pytest.mark.skipif(sys.platform == "win32", reason="no change time to tell it by")
def test_an_older_take_of_the_same_length_put_in_before_any_look_is_seen(folder: Path, tmp_path: Path) -> None:
    older = tmp_path / "older.wav"
    older.write_bytes(b"zz" * 10)
    os.utime(older, (1_000_000_000, 1_000_000_000))
    keep(folder)
    shutil.copy2(older, sample(folder, 0))
    assert moved(folder).samples == Counts(changed=1)


def test_what_a_restore_brought_back_is_kept_though_it_is_not_the_newest(folder: Path) -> None:
    keep(folder, "one")
    for number in range(10):
        sample(folder, number).write_bytes(b"new")
    (folder / "Samples" / "added.wav").write_bytes(b"which the restore takes away")
    shop = Workshop.open(folder)
    shop.restore(1)
    assert [shot.kind for shot in shop.snapshots()] == ["before-restore", "asked"]
    shop.close()
    assert not moved(folder).any
    for number in range(20, 23):
        sample(folder, number).write_bytes(b"newer")
    assert moved(folder).samples == Counts(changed=3), "against the one it was brought back to"


def test_what_a_restore_of_some_paths_brought_back_is_kept_too(folder: Path) -> None:
    keep(folder, "one")
    for number in range(10):
        sample(folder, number).write_bytes(b"new")
    sample(folder, 11).unlink()
    shop = Workshop.open(folder)
    shop.restore(1, ["Samples/slate_00.wav", "Samples/slate_11.wav"])
    shop.close()
    assert not moved(folder).any


def test_a_snapshot_taken_or_forgotten_elsewhere_is_taken_in(folder: Path) -> None:
    sample(folder, 0).write_bytes(os.urandom(20_000))  # enough for its pack to be rewritten without it
    keep(folder)
    standing(folder)
    sample(folder, 0).write_bytes(b"new")
    assert moved(folder).any
    keep(folder, "by another")
    sample(folder, 1).write_bytes(b"new")
    with Workshop.open(folder).history as history:
        history.forget([1])
    unkept = standing(folder).unkept
    assert unkept
    assert (unkept.snapshot, unkept.moved.samples) == (2, Counts(changed=1))


def test_what_is_no_work_of_the_makers_is_nothing(folder: Path) -> None:
    keep(folder)
    shop = Workshop.open(folder)
    shop.check(("contents",))
    shop.close()
    (folder / "Samples" / ".companion").mkdir()
    (folder / "Samples" / ".companion" / "cache").write_bytes(b"of a folder that was worked in once")
    (folder / "Samples" / ".DS_Store").write_bytes(b"of the system")
    (folder / "releases").mkdir()
    (folder / "releases" / "Slate Choir 1.0.zip").write_bytes(b"zip")
    assert not moved(folder).any


@pytest.mark.skipif(sys.platform == "win32", reason="links and odd names need POSIX")
def test_links_and_names_that_are_not_utf8(folder: Path) -> None:
    (folder / "latest.wav").symlink_to("Samples/slate_00.wav")
    odd = folder / "Samples" / os.fsdecode(b"odd\xff.wav")
    odd.write_bytes(b"odd")
    keep(folder)
    assert not moved(folder).any
    (folder / "latest.wav").unlink()
    (folder / "latest.wav").symlink_to("Samples/slate_01.wav")
    odd.write_bytes(b"odder")
    assert moved(folder).samples == Counts(changed=2)


def test_a_look_at_what_has_not_moved_opens_no_history(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(folder)
    sample(folder, 0).write_bytes(b"new")
    first = standing(folder)

    def refuse(*_: Any, **__: Any) -> Any:
        raise AssertionError("the history was opened")

    monkeypatch.setattr("companion.history.store.store.Store", refuse)
    assert standing(folder).unkept == first.unkept
    sample(folder, 1).write_bytes(b"new")
    with pytest.raises(AssertionError, match="opened"):
        standing(folder)


def test_no_file_is_read_for_it(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(folder)
    shop = Workshop.open(folder)
    desk = shop.desk()
    assert desk.mark("archive")  # hashed and looked into now, as every status does
    opened: list[str] = []
    real = os.open

    def noted(path: Any, *more: Any, **named: Any) -> int:
        opened.append(os.fsdecode(path))
        return real(path, *more, **named)

    monkeypatch.setattr(os, "open", noted)

    from companion.steps.account.unkept import unkept_of

    assert unkept_of(desk)
    assert opened, "the history was"
    assert [path for path in opened if ".companion" not in path] == []
    shop.close()


def spoilt_history(folder: Path) -> None:
    for pack in (folder / ".companion" / "history.git" / "objects" / "pack").glob("*.pack"):
        pack.chmod(0o644)
        pack.write_bytes(b"PACK" + bytes(pack.stat().st_size - 4))


def spoilt_names(folder: Path) -> None:
    (folder / ".companion" / "history.git" / "packed-refs").write_bytes(b"\xff\0" * 500)


@pytest.mark.parametrize("spoil", [spoilt_history, spoilt_names])
def test_a_damaged_history_costs_no_status(folder: Path, spoil: Callable[[Path], None]) -> None:
    keep(folder)
    spoil(folder)
    found = standing(folder)
    assert len(found.steps) == 10
    assert found.unkept is None or not found.unkept.snapshot or (spoil is spoilt_names and not found.unkept.moved.any)


def test_a_damaged_cache_costs_only_time(folder: Path) -> None:
    keep(folder)
    sample(folder, 0).write_bytes(b"new")
    standing(folder)
    with sqlite3.connect(folder / ".companion" / "cache.sqlite3") as cache:
        for value in (b"\xc1", b"\x92\xa0\x80", b"\x92\xc4\x00\xc0", b"\x07", b""):
            for table in ("unkept-2", "held-1"):
                cache.execute(f'UPDATE "{table}" SET value = ?', (value,))
            cache.commit()
            assert moved(folder).samples == Counts(changed=1)
    cache.close()


@pytest.mark.parametrize("copied", [False, True])
def test_nothing_is_called_changed_for_want_of_a_cache(folder: Path, tmp_path: Path, copied: bool) -> None:
    """The cache may be lost, unwritable for want of room, or of the disk the folder was copied from."""
    for path in folder.rglob("*.*"):
        os.utime(path, (1_700_000_000, 1_700_000_000))
    keep(folder)
    if copied:
        folder = Path(shutil.copytree(folder, tmp_path / "elsewhere"))
    else:
        (folder / ".companion" / "cache.sqlite3").unlink()
    assert not moved(folder).any
    if not copied:
        (folder / ".companion" / "cache.sqlite3").unlink()
    sample(folder, 0).write_bytes(b"??" * 10)  # as long as it was
    os.utime(sample(folder, 0), (1_600_000_000, 1_600_000_000))
    sample(folder, 1).write_bytes(b"!!" * 10)
    assert moved(folder).samples == Counts(changed=2)


def test_where_no_snapshot_can_be_taken_none_is_due(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(folder))
    assert standing(folder).due, "without git as well as with it"
    monkeypatch.setattr("companion.steps.deeds.folder.os.access", lambda *_: False)
    assert standing(folder).due is None


def test_a_folder_not_begun_and_one_with_nothing_to_lose_are_left_alone(folder: Path) -> None:
    (folder / "release.toml").unlink()
    assert standing(folder).due is None
    shutil.rmtree(folder / "Samples")
    (folder / "Slate.eeng").unlink()
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    assert standing(folder).due is None


def test_how_far_each_snapshot_moved_is_worked_out_once(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(folder)
    sample(folder, 0).write_bytes(b"new")
    (folder / "Slate.eeng").write_bytes(b"PATCH")
    keep(folder, "two")
    shop = Workshop.open(folder)
    two, one = shop.snapshots()
    pair = (one.tree, two.tree)
    assert shop.moves([pair]) == {pair: Moved(samples=Counts(changed=1), patches=Counts(changed=1))}
    assert shop.moves([("ab" * 20, two.tree)]) == {("ab" * 20, two.tree): None}, "damaged, and told so"
    monkeypatch.setattr("companion.history.store.trees.differing", None)
    assert shop.moves([pair])[pair] == Moved(samples=Counts(changed=1), patches=Counts(changed=1))
    shop.close()


def test_what_each_snapshot_costs_is_weighed_once(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shop = Workshop.open(folder)
    assert shop.history_size().alone == {}
    shop.snapshot("one")
    sample(folder, 0).write_bytes(os.urandom(5000))
    shop.snapshot("two")
    with shop.history as history:
        weighed = history.size()
    assert weighed.alone[2] > 5000
    assert shop.history_size() == weighed
    monkeypatch.setattr("companion.history.history.History.size", None)
    assert shop.history_size() == weighed
    shop.close()


def _read_counts(monkeypatch: pytest.MonkeyPatch, folder: Path) -> dict[str, int]:
    """Count how many times the bytes of each of the maker's files are read from their beginning to their end."""
    counts: dict[str, int] = {}
    places: dict[int, str] = {}
    real_open, real_read = os.open, scratch.read_some

    def opening(path: Any, *more: Any, **named: Any) -> int:
        handle = real_open(path, *more, **named)
        text = os.fsdecode(path)
        places[handle] = os.path.relpath(text, folder) if text.startswith(str(folder)) else ""
        return handle

    def reading(handle: int, room: memoryview) -> int:
        path = places.get(handle, "")
        if path and ".companion" not in path and os.lseek(handle, 0, os.SEEK_CUR) == 0:
            counts[path] = counts.get(path, 0) + 1
        return real_read(handle, room)

    monkeypatch.setattr(os, "open", opening)
    monkeypatch.setattr(scratch, "read_some", reading)
    return counts


@pytest.fixture
def at_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody writes meanwhile: what was read is trusted at once, as after two seconds."""
    monkeypatch.setattr(census, "GRAIN_NS", -10_000_000_000)
    monkeypatch.setattr(census, "FRESH_NS", 0)


@pytest.mark.usefixtures("at_rest")
def test_the_first_snapshot_after_a_status_reads_each_file_once_more_and_a_status_after_it_none(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "Samples" / "long.wav").write_bytes(os.urandom(9 << 20))
    (folder / "Samples" / "the same.wav").write_bytes(sample(folder, 0).read_bytes())
    files = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    counts = _read_counts(monkeypatch, folder)
    standing(folder)
    assert counts == {**dict.fromkeys(files, 1), "release.toml": 1}
    keep(folder)
    assert counts == dict.fromkeys(files, 2)
    standing(folder)
    keep(folder, "again")
    assert counts == dict.fromkeys(files, 2)


@pytest.mark.usefixtures("at_rest")
def test_what_a_snapshot_has_read_no_status_reads_again(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "Samples" / "long.wav").write_bytes(os.urandom(9 << 20))
    keep(folder)
    counts = _read_counts(monkeypatch, folder)
    assert standing(folder).unkept
    assert counts == {}


@pytest.mark.usefixtures("at_rest")
def test_a_large_file_that_is_not_what_it_looks_is_kept_as_it_is(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that keeps no change time: other content under the old size and times, between status and snapshot."""
    long = folder / "Samples" / "long.wav"
    long.write_bytes(b"a" * (9 << 20))
    standing(folder)
    monkeypatch.setattr(census._Row, "is_of", lambda row, status: row.size == status.st_size)
    long.write_bytes(b"b" * (9 << 20))
    keep(folder)
    with Workshop.open(folder).history as history:
        assert history.read(1, "Samples/long.wav") == b"b" * (9 << 20)
        assert history.verify().damaged == ()
