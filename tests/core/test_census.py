"""Ids of files: both from one read, and when what was remembered may be taken for the file's own."""

from __future__ import annotations

import hashlib
import os
import subprocess
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import pytest

from companion.core import census, scratch
from companion.core.cache import Cache
from companion.core.census import Census, Ids, NotStill, Reading, ids_of, read_file, read_ids, steadily
from companion.core.errors import Cancelled
from companion.core.progress import QUIET, Watch

NOW = 1_800_000_000_000_000_000
IDS = Ids(bytes(32), bytes(range(20)), 9)


def look(age_ns: int, *, size: int = 9, mtime: int = 0, ctime: int = 0, inode: int = 2**64 - 1) -> os.stat_result:
    """Return the look of a file that was written ``age_ns`` before NOW; mtime, ctime: nanoseconds off that."""
    seconds = (0o100644, inode, 1, 1, 0, 0, size, 0, 0, 0)
    times = {"st_atime_ns": 0, "st_mtime_ns": NOW - age_ns + mtime, "st_ctime_ns": NOW - age_ns + ctime}
    return os.stat_result(seconds, times)


def kept(known: Census, paths: Iterable[str]) -> dict[str, Ids]:
    rows = known._table.get_many([os.fsencode(path) for path in paths])
    return {os.fsdecode(key): Ids(row.sha256, row.blob, row.size) for key, row in rows.items()}


@pytest.mark.parametrize("data", [b"", b"abc", bytes(range(256)) * 9000])
def test_both_ids_come_of_one_read(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "a").write_bytes(data)
    read = read_file(tmp_path, "a", lambda _count: None)
    assert read.ids == ids_of(data)
    assert read.ids.sha256 == hashlib.sha256(data).digest()
    git = subprocess.run(["git", "hash-object", "--no-filters", "a"], cwd=tmp_path, capture_output=True, text=True)
    assert read.ids.blob.hex() == git.stdout.strip()
    assert read.ids.size == len(data)
    if data == b"abc":  # FIPS 180-4's own example
        assert read.ids.sha256.hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize(("age", "trusted"), [(1, False), (2_000_000_000, False), (2_000_000_001, True)])
def test_no_file_written_within_two_seconds_of_being_read_is_trusted(age: int, trusted: bool) -> None:
    known = Census(Cache(None))
    reading = Reading(look(age), IDS, NOW, still=True)
    known.remember([("Samples/a.wav", reading)])
    assert known.known([("Samples/a.wav", look(age))]) == ({"Samples/a.wav": IDS} if trusted else {})
    assert reading.certain == trusted
    assert kept(known, ["Samples/a.wav", "b"]) == {"Samples/a.wav": IDS}, "what was read was read"


@pytest.mark.parametrize("newer", [{"mtime": 2 * 10**9}, {"ctime": 2 * 10**9}])
def test_either_time_makes_it_young(newer: dict[str, int]) -> None:
    assert not Reading(look(3 * 10**9, **newer), IDS, NOW, still=True).certain
    assert Reading(look(3 * 10**9), IDS, NOW, still=True).certain
    assert not Reading(look(3 * 10**9), IDS, NOW, still=False).certain


@pytest.mark.parametrize("other", [{"size": 8}, {"mtime": -1}, {"ctime": -1}, {"inode": 7}])
def test_none_is_known_of_a_file_that_looks_otherwise(other: dict[str, int], tmp_path: Path) -> None:
    with Cache(tmp_path / "cache") as cache:
        Census(cache).remember([("a", Reading(look(10**10), IDS, NOW, still=True))])
        known = Census(cache)
        assert known.known([("a", look(10**10))]) == {"a": IDS}
        assert known.known([("a", look(10**10, **other))]) == {}
        assert known.known([("a", look(10**10, inode=0))]) == {"a": IDS}, "Windows' listings tell no inode"


def test_what_did_not_hold_still_is_not_remembered() -> None:
    known = Census(Cache(None))
    known.remember([("a", Reading(look(10**10), IDS, NOW, still=False)), ("b", Reading(None, None, NOW))])
    assert kept(known, ["a", "b"]) == {}


def test_rows_of_files_that_are_gone_are_dropped_once_they_are_many(monkeypatch: pytest.MonkeyPatch) -> None:
    known = Census(Cache(None))
    reading = Reading(look(10**10), IDS, NOW, still=True)
    known.remember((str(number), reading) for number in range(1002))
    known.forget_absent([("0", look(1)), ("1", look(1))])
    assert len(kept(known, [str(number) for number in range(1002)])) == 1002, "a thousand cost nothing"
    known.forget_absent([("0", look(1))])
    assert set(kept(known, [str(number) for number in range(1002)])) == {"0"}


def test_a_file_that_ends_early_is_not_still(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"abc")
    handle = os.open(tmp_path / "a", os.O_RDONLY)
    try:
        with pytest.raises(NotStill):
            read_ids(handle, 4, lambda _count: None)
    finally:
        os.close(handle)


def test_a_file_that_keeps_getting_shorter_costs_that_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a").write_bytes(b"abc")
    tries: list[int] = []

    def ended(handle: int, room: memoryview) -> int:
        tries.append(handle)
        return 0

    monkeypatch.setattr(scratch, "read_some", ended)
    read = read_file(tmp_path, "a", lambda _count: None)
    assert (read.ids, read.problem) == (None, "it changes while it is being read")
    assert len(tries) == census.ATTEMPTS


@pytest.mark.skipif(os.name == "nt", reason="links and pipes need POSIX")
def test_no_link_is_followed_and_no_pipe_waited_for(tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b"x")
    (tmp_path / "link").symlink_to("secret")
    os.mkfifo(tmp_path / "pipe")
    for name in ("link", "pipe", "nothing"):
        read = read_file(tmp_path, name, lambda _count: None)
        assert (read.ids, bool(read.problem)) == (None, True), name


def test_a_file_just_written_is_read_once_more_when_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reads: list[int] = []

    def read(handle: int, before: os.stat_result, last: bool) -> tuple[Ids, bool]:
        reads.append(1)
        return read_ids(handle, before.st_size, lambda _count: None), True

    again: list[int] = []
    real = census._settled

    def settled(*given: Any) -> bool:
        again.append(1)
        return real(*given)

    monkeypatch.setattr(census, "_settled", settled)
    (tmp_path / "a").write_bytes(b"abc")
    assert steadily(tmp_path / "a", read).still
    assert (reads, again) == ([1], [])
    assert steadily(tmp_path / "a", read, settle=lambda _: None).still
    assert (reads, again) == ([1, 1], [1])


def test_what_was_read_until_a_stop_is_remembered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(census, "_THREADS", 1)
    for name in "abc":
        (tmp_path / name).write_bytes(name.encode())
    watch, known = Watch(), Census(Cache(None))
    real = census.read_file

    def stopping(*given: object) -> Reading:
        watch.cancel()
        return real(tmp_path, str(given[1]), lambda _count: None)

    monkeypatch.setattr(census, "read_file", stopping)
    files = [(name, (tmp_path / name).stat()) for name in "cab"]
    with pytest.raises(Cancelled):
        known.read(tmp_path, files, watch)
    assert set(kept(known, "abc")) == {"a"}


def test_they_are_kept_now_and_then(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(census, "_KEEP_EVERY", -1.0)
    (tmp_path / "a").write_bytes(b"a")
    (tmp_path / "b").write_bytes(b"b")
    known = Census(Cache(None))
    sizes: list[int] = []
    real = known.remember

    def remembering(read: Sequence[tuple[str, Reading]]) -> None:
        sizes.append(len(read))
        real(read)

    monkeypatch.setattr(known, "remember", remembering)
    found = known.read(tmp_path, [(name, (tmp_path / name).stat()) for name in "ab"], QUIET)
    assert sum(sizes) == 2  # each once, whichever thread comes to it
    assert sizes[-1:] == [0]  # before the last one: the end had nothing left to keep
    assert kept(known, "ab") == {path: one.ids for path, one in found.items()}
    assert all(abs(one.when - time.time_ns()) < 60 * 10**9 for one in found.values())
