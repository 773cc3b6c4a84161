"""kill -9 while a release is recorded, or an upload is checked: all of it or nothing, and the next run finishes it."""

from __future__ import annotations

import os
import random
import shutil
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.archive.record import damaged_records, read_records

pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals of this kind are POSIX")
LINUX = pytest.mark.skipif(sys.platform != "linux", reason="strace is Linux's own")
CALLS = ("write", "fsync", "unlink", "mkdir", "ftruncate,pwrite64", "link")


class Bench:
    """A folder that is ready for its release, laid out anew for each kill, and an upload of it fetched again."""

    def __init__(self, ready: Path, place: Path, companion: Any, begin: Any, makers: Any, fsck: Any) -> None:
        self.ready, self.place, self.companion, self.begin = ready, place, companion, begin
        self.makers, self.fsck = makers, fsck
        self.copy = place / "copy.zip"
        shutil.copyfile(ready / "releases" / "Slate Choir 1.0.zip", self.copy)
        self.before = makers(ready)
        self.archive = self.copy.read_bytes()

    def fresh(self, number: int, *, released: bool) -> Path:
        folder = self.place / str(number) / "Slate Choir"
        shutil.copytree(self.ready, folder)
        if released:
            assert self.companion("release", folder).code == 0
        return folder

    def judge_release(self, folder: Path) -> str:
        """Fail unless it is recorded or not, and can be brought to its end; return how far it had come."""
        assert self.makers(folder) == self.before, "nothing of the maker's is touched"
        assert (folder / "releases" / "Slate Choir 1.0.zip").read_bytes() == self.archive
        assert damaged_records(folder / "releases") == []
        recorded = len(read_records(folder / "releases"))
        self.fsck(folder)
        again = self.companion("release", folder)
        at = {(0, 0): "nothing recorded", (1, 0): "recorded, not tagged", (1, 2): "all done"}[recorded, again.code]
        assert again.code == 0 or "recorded already" in again.err
        (record,) = read_records(folder / "releases")
        shots = self.companion("snapshots", folder, "--json").json["snapshots"]
        assert [one["version"] for one in shots if one["number"] == record.snapshot] == ["1.0"]
        into = folder.parent / "restored"
        assert self.companion("restore", folder, record.snapshot, "--into", into).code == 0
        assert self.makers(into) == self.before
        assert self.companion("release", folder).code == 2
        (folder / "notes.txt").write_text("more", encoding="utf-8")
        assert self.companion("snapshot", folder, "-m", "after").code == 0
        assert list(folder.rglob("*.part")) == [], "the next snapshot clears away what was left half written"
        return at

    def judge_upload(self, folder: Path) -> str:
        """Fail unless the check is noted or not; return which."""
        assert self.makers(folder) == self.before
        assert damaged_records(folder / "releases") == []
        (record,) = read_records(folder / "releases")
        at = "noted" if record.uploads else "not noted"
        assert record.verified == bool(record.uploads)
        assert self.companion("upload", folder, self.copy).code == 0
        (record,) = read_records(folder / "releases")
        assert record.verified
        return at


@pytest.fixture
def bench(
    releasable: Path,
    tmp_path: Path,
    companion: Any,
    begin: Any,
    makers: Any,
    fsck: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> Bench:
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", os.devnull)
    place = tmp_path / "kills"
    place.mkdir()
    return Bench(releasable, place, companion, begin, makers, fsck)


@pytest.fixture
def kill_at_each(bench: Bench, injecting: Any) -> Callable[[str, str], Counter[str]]:
    """Kill a command as it is about to make the Nth call of one kind, for N = 1, 2, 3 … until it makes no more."""

    def run(verb: str, call: str) -> Counter[str]:
        counts = Counter[str]()
        for number in range(1, 400):
            folder = bench.fresh(number, released=verb == "upload")
            words = ("upload", folder, bench.copy) if verb == "upload" else ("release", folder)
            before = injecting(call, "signal=KILL", number)
            running = bench.begin(*words, before=before, env={"PYTHONDONTWRITEBYTECODE": "1"})
            running.communicate(timeout=120)
            if running.returncode == 0:
                return counts
            counts[bench.judge_upload(folder) if verb == "upload" else bench.judge_release(folder)] += 1
            shutil.rmtree(folder.parent)
        pytest.fail("it was killed 399 times")

    return run


@LINUX
@pytest.mark.campaign
def test_a_release_killed_before_each_rename_is_finished_by_the_next(kill_at_each: Any) -> None:
    counts = kill_at_each("release", "rename")
    assert counts["nothing recorded"] >= 1
    assert counts["recorded, not tagged"] >= 1, counts


@LINUX
@pytest.mark.campaign
@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize("verb", ["release", "upload"])
def test_killed_before_each_call(kill_at_each: Any, verb: str, call: str) -> None:
    counts = kill_at_each(verb, call)
    print(f"\n{verb}, killed before each {call} ({counts.total()}), at: {dict(counts)}")


@pytest.mark.campaign
@pytest.mark.parametrize("verb", ["release", "upload"])
def test_killed_at_random(bench: Bench, verb: str) -> None:
    kills, chance, counts, whole = 100, random.Random(verb), Counter[str](), 1.0
    for number in range(kills + 1):
        folder = bench.fresh(number, released=verb == "upload")
        words = ("upload", folder, bench.copy) if verb == "upload" else ("release", folder)
        began = time.monotonic()
        running = bench.begin(*words)
        if number == 0:  # how long a whole run takes
            running.communicate(timeout=120)
            whole = time.monotonic() - began
            continue
        time.sleep(chance.uniform(0.3, 1.0) * whole)
        running.kill()
        running.communicate()
        counts[bench.judge_upload(folder) if verb == "upload" else bench.judge_release(folder)] += 1
        shutil.rmtree(folder.parent)
    print(f"\n{kills} kills of {verb} at random, at: {dict(counts)}")
