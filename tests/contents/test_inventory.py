from __future__ import annotations

import hashlib
import os
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from companion.contents.inventory import KEY, Inventory, remembered_folders, take_inventory
from companion.core import census, scratch
from companion.core.cache import Cache
from companion.core.entries import Entry, Kind
from companion.core.errors import Cancelled, CompanionError
from companion.core.facts import Contents
from companion.core.progress import QUIET, Progress, Watch

FACTS = Contents(patches=("*.slab",), samples=("Samples/**",))


def aged(path: Path, seconds: float = 60) -> None:
    """Set a file's time back. Its ctime cannot be, so that tests lower the racy limit instead."""
    then = time.time() - seconds
    os.utime(path, (then, then))


@pytest.fixture
def calm(monkeypatch: pytest.MonkeyPatch) -> None:
    """Trust hashes of files made just now, as after two seconds."""
    monkeypatch.setattr(census, "GRAIN_NS", -10_000_000_000)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = tmp_path / "work"
    (root / "Samples" / "close").mkdir(parents=True)
    (root / "Samples" / "close" / "a.wav").write_bytes(b"aaaa")
    (root / "Samples" / "b.wav").write_bytes(b"bb")
    (root / "Slate.slab").write_bytes(b"patch")
    return root


def by_path(found: Inventory) -> dict[str, Entry]:
    return {entry.path: entry for entry in found.entries}


def look(folder: Path, cache: Cache, *, rehash: bool = False, facts: Contents = FACTS) -> Inventory:
    return take_inventory(folder, facts, cache, QUIET, rehash=rehash)


def test_paths_sizes_hashes_and_kinds(folder: Path) -> None:
    with Cache(None) as cache:
        found = look(folder, cache)
    assert [(e.path, e.size, e.kind) for e in found.entries] == [
        ("Samples/b.wav", 2, Kind.SAMPLE),
        ("Samples/close/a.wav", 4, Kind.SAMPLE),
        ("Slate.slab", 5, Kind.PATCH),
    ]
    assert by_path(found)["Samples/b.wav"].sha256 == hashlib.sha256(b"bb").hexdigest()
    assert found.hashed == 3


@pytest.mark.usefixtures("calm")
def test_the_second_look_reads_nothing_and_finds_the_same(folder: Path) -> None:
    with Cache(None) as cache:
        first = look(folder, cache)
        second = look(folder, cache)
    assert second.hashed == 0
    assert second.entries == first.entries


@pytest.mark.usefixtures("calm")
def test_only_what_changed_is_read(folder: Path) -> None:
    with Cache(None) as cache:
        look(folder, cache)
        (folder / "Samples" / "b.wav").write_bytes(b"longer")
        (folder / "Slate.slab").unlink()
        found = look(folder, cache)
        assert found.hashed == 1
        assert [e.path for e in found.entries] == ["Samples/b.wav", "Samples/close/a.wav"]
        assert look(folder, cache).hashed == 0


@pytest.mark.usefixtures("calm")
@pytest.mark.skipif(os.name == "nt", reason="links need a privilege on Windows")
def test_an_unchanged_folder_is_not_written_down_again(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (folder / "link").symlink_to("Slate.slab")
    with Cache(None) as cache:
        first = look(folder, cache)
        monkeypatch.setattr(cache, "put", lambda *given: pytest.fail("written again"))
        assert look(folder, cache).entries == first.entries


@pytest.mark.usefixtures("calm")
def test_new_facts_change_kinds_without_reading(folder: Path) -> None:
    with Cache(None) as cache:
        look(folder, cache)
        found = look(folder, cache, facts=Contents())
    assert found.hashed == 0
    assert by_path(found)["Slate.slab"].kind is Kind.OTHER


@pytest.mark.usefixtures("calm")
def test_same_size_and_time_but_other_content_is_noticed(folder: Path) -> None:
    sample = folder / "Samples" / "b.wav"
    aged(sample)
    with Cache(None) as cache:
        before = by_path(look(folder, cache))["Samples/b.wav"]
        times = sample.stat()
        time.sleep(0.02)
        sample.write_bytes(b"xx")
        os.utime(sample, ns=(times.st_atime_ns, times.st_mtime_ns))
        after = by_path(look(folder, cache, rehash=True))["Samples/b.wav"]
        assert (after.size, after.mtime_ns) == (before.size, before.mtime_ns)
        assert after.sha256 == hashlib.sha256(b"xx").hexdigest() != before.sha256
        assert by_path(look(folder, cache))["Samples/b.wav"].sha256 == after.sha256


@pytest.mark.usefixtures("calm")
@pytest.mark.skipif(os.name == "nt", reason="Windows tells when a file was created, not when it was changed")
def test_even_without_rehash_where_the_system_keeps_a_change_time(folder: Path) -> None:
    sample = folder / "Samples" / "b.wav"
    aged(sample)
    with Cache(None) as cache:
        look(folder, cache)
        times = sample.stat()
        time.sleep(0.02)
        sample.write_bytes(b"xx")
        os.utime(sample, ns=(times.st_atime_ns, times.st_mtime_ns))
        assert by_path(look(folder, cache))["Samples/b.wav"].sha256 == hashlib.sha256(b"xx").hexdigest()


def test_a_file_changed_within_two_seconds_is_not_trusted(folder: Path) -> None:
    with Cache(None) as cache:
        look(folder, cache)
        assert look(folder, cache).hashed == 3


def test_ours_and_repositories_are_skipped(folder: Path) -> None:
    for place in (".companion/x", "releases/x.zip", ".git/config", "Samples/lib/.git/config", "Samples/lib/a.wav"):
        (folder / place).parent.mkdir(parents=True, exist_ok=True)
        (folder / place).write_bytes(b"x")
    (folder / "Samples" / "releases").mkdir()
    (folder / "Samples" / "releases" / "r.wav").write_bytes(b"x")
    (folder / "sub").mkdir()
    (folder / "sub" / ".git").write_text("gitdir: ../elsewhere")
    with Cache(None) as cache:
        found = look(folder, cache)
    assert {"Samples/lib/a.wav", "Samples/releases/r.wav"} < {e.path for e in found.entries}
    assert not any(".git" in e.path or e.path.startswith((".companion", "releases")) for e in found.entries)


@pytest.mark.skipif(os.name == "nt", reason="links need a privilege on Windows")
def test_links_are_told_and_not_followed(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "secret.wav").write_bytes(b"x")
    (folder / "out").symlink_to(tmp_path / "outside")
    (folder / "round").symlink_to(folder)
    (folder / "a.wav").symlink_to("Samples/b.wav")
    with Cache(None) as cache:
        links = {e.path: e for e in look(folder, cache).entries if e.link is not None}
    assert links["a.wav"].link == "Samples/b.wav"
    assert links["out"].link == str(tmp_path / "outside")
    assert set(links) == {"a.wav", "out", "round"}
    assert not any(e.sha256 for e in links.values())


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps any bytes as a name")
@pytest.mark.usefixtures("calm")
def test_a_name_that_is_not_utf8_survives(folder: Path) -> None:
    Path(os.fsdecode(os.fsencode(folder) + b"/Samples/b\xff\xfe.wav")).write_bytes(b"odd")
    with Cache(None) as cache:
        first, second = look(folder, cache), look(folder, cache)
    assert second.hashed == 0
    assert first.entries == second.entries
    assert "Samples/b\udcff\udcfe.wav" in by_path(first)


@pytest.mark.skipif(os.name == "nt", reason="no pipes on Windows' disks")
def test_a_pipe_is_a_problem_and_not_waited_for(folder: Path) -> None:
    os.mkfifo(folder / "pipe.wav")
    with Cache(None) as cache:
        entry = by_path(look(folder, cache))["pipe.wav"]
    assert entry.problem == "a pipe, not a file"


def test_a_file_that_cannot_be_opened_costs_that_file(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.open

    def refusing(path: str, *rest: int) -> int:
        if str(path).endswith("b.wav"):
            raise PermissionError(13, "Permission denied")
        return real(path, *rest)

    monkeypatch.setattr(os, "open", refusing)
    with Cache(None) as cache:
        found = by_path(look(folder, cache))
    assert found["Samples/b.wav"].problem == "permission denied"
    assert found["Samples/b.wav"].sha256 == ""
    assert found["Slate.slab"].sha256


@pytest.mark.parametrize(("changes", "problem"), [(2, ""), (9, "it changes while it is being read")])
def test_a_file_that_changes_while_read(
    folder: Path, monkeypatch: pytest.MonkeyPatch, changes: int, problem: str
) -> None:
    sample, real, left = folder / "Samples" / "b.wav", scratch.read_some, [changes]

    def writing(handle: int, room: memoryview) -> int:
        got = real(handle, room)
        if os.fstat(handle).st_ino == sample.stat().st_ino and left[0]:
            left[0] -= 1
            with sample.open("ab") as stream:
                stream.write(b"+")
        return got

    monkeypatch.setattr(scratch, "read_some", writing)
    with Cache(None) as cache:
        entry = by_path(look(folder, cache))["Samples/b.wav"]
    assert entry.problem == problem
    assert bool(entry.sha256) == (not problem)
    if not problem:
        assert entry.sha256 == hashlib.sha256(sample.read_bytes()).hexdigest()


@pytest.mark.usefixtures("calm")
def test_a_stop_keeps_what_was_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(census, "_THREADS", 1)
    watch = Watch()
    real = census.read_file

    def stopping(*given: Any) -> census.Reading:
        done = real(*given)
        watch.cancel()
        return done

    monkeypatch.setattr(census, "read_file", stopping)
    with Cache(None) as cache:
        with pytest.raises(Cancelled):
            take_inventory(folder, FACTS, cache, watch)
        monkeypatch.setattr(census, "read_file", real)
        assert look(folder, cache).hashed == 2


def test_progress_counts_bytes(folder: Path) -> None:
    reports: list[Progress] = []
    with Cache(None) as cache:
        take_inventory(folder, FACTS, cache, Watch(reports.append, every=0))
    last = [p for p in reports if p.unit == "bytes"][-1]
    assert (last.done, last.total) == (11, 11)


def test_a_damaged_cache_only_costs_time(folder: Path) -> None:
    with Cache(None) as cache:
        cache.put(remembered_folders(cache).name, [(KEY, b"\x93nonsense")])
        assert look(folder, cache).hashed == 3


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with Cache(None) as cache, pytest.raises(CompanionError, match="look through the folder"):
        look(tmp_path / "nowhere", cache)
