"""kill -9 at random points of packing: the old archive or a whole new one, and nothing in the next one's way."""

from __future__ import annotations

import hashlib
import os
import random
import subprocess
import sys
import time
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest

from companion.core.lock import held

pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals of this kind are POSIX")

FULL: Final = ("pack",)
UPDATE: Final = ("pack", "--since", "1.0")
MADE: Final = {FULL: "Slate Choir 1.1.zip", UPDATE: "Slate Choir 1.0 to 1.1.zip"}
AIMS: Final = {"anywhere": 1.0, "hashing": 0.2, "packing": 0.15, "proving": 0.1, "placing": 0.03}
"""What is waited for before a kill, and the share of a whole run within which it then comes."""
Verb = tuple[str, ...]
_NO_PATH: Final = bytes(one if one not in b"/\\" else 0 for one in range(256))


class Bench:
    """One folder that is packed, its content new each time, and what there is to know of it."""

    def __init__(self, folder: Path, temporary: Path, companion: Any, begin: Any, verb: Verb) -> None:
        self.folder, self.temporary, self.verb = folder, temporary, verb
        self.companion, self.begin = companion, begin
        self.archive = folder / "releases" / MADE[verb]
        self.checksum = self.archive.with_name(f"{self.archive.name}.sha256")
        self.lock = folder / ".companion" / "building.lock"
        self.first = opened(folder / "releases" / "Slate Choir 1.0.zip")
        self.old = b""
        self.seconds = 1.0

    def change(self, chance: random.Random, size: int) -> None:
        """Write recordings that pack as audio does, none of which was there before: ``size`` bytes in all."""
        for index in range(4):
            noise = chance.randbytes(size // 8).translate(_NO_PATH)  # in which no drive and no folder stands by chance
            data = noise + bytes(size // 8)
            (self.folder / "Samples" / f"more_{index}.raw").write_bytes(data)

    def start(self, **more: Any) -> subprocess.Popen[str]:
        running: subprocess.Popen[str] = self.begin(self.verb[0], self.folder, *self.verb[1:], **more)
        return running

    def drafts(self) -> list[Path]:
        return list(self.archive.parent.glob(".*.part"))

    def others(self) -> set[str]:
        """The names beside the archive, its checksum and what is not finished yet."""
        mine = {self.archive, self.checksum, *self.drafts()}
        return {path.name for path in self.archive.parent.iterdir() if path not in mine}

    @property
    def proven(self) -> bool:
        steps = self.companion("status", self.folder, "--json").json["steps"]
        return bool(next(step for step in steps if step["id"] == "archive")["state"] == "proven")

    def assert_whole(self) -> None:
        """Fail unless the archive holds exactly what the folder ships; an update, together with the old archive."""
        content = opened(self.archive)
        if self.verb == UPDATE:
            content = self.first | content
            assert b"need not be downloaded again" in content.pop("Slate Choir/UPDATE.txt")
        assert content == shipped(self.folder)

    def assert_own_checksum(self) -> None:
        assert self.checksum.read_text("ascii").split()[0] == hashlib.sha256(self.archive.read_bytes()).hexdigest()


def shipped(folder: Path) -> dict[str, bytes]:
    """What the archive has to hold, by the names it has to have."""
    stays = (".companion", "releases", "release.toml")
    return {
        f"Slate Choir/{path.relative_to(folder).as_posix()}": path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.relative_to(folder).parts[0] not in stays
    }


def opened(archive: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(archive) as members:
        return {name: members.read(name) for name in members.namelist()}


@pytest.fixture
def bench(
    update_due: Path, tmp_path: Path, companion: Any, begin: Any, monkeypatch: pytest.MonkeyPatch
) -> Callable[[Verb], Bench]:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "tmp"))  # where ``begin`` lets programs put theirs
    return lambda verb: Bench(update_due, tmp_path / "tmp", companion, begin, verb)


@pytest.fixture
def snapshots_stand(bench: Any, tmp_path: Path, companion: Any, makers: Any, fsck: Any) -> Callable[[Path], None]:
    """Fail unless every snapshot there is by now restores to what it restored to before, and git finds nothing."""
    kept: dict[int, Any] = {}

    def check(folder: Path) -> None:
        fsck(folder)
        for shot in companion("snapshots", folder, "--json").json["snapshots"]:
            into = tmp_path / f"snapshot {shot['number']}.{time.monotonic_ns()}"
            assert companion("restore", folder, shot["number"], "--into", into).code == 0
            assert makers(into) == kept.setdefault(shot["number"], makers(into))

    return check


def wait(one: Bench, running: subprocess.Popen[str], aim: str, chance: random.Random) -> None:
    """Wait for a random moment: anywhere in the whole run, or soon after a sign of how far it is."""
    before = one.archive.stat().st_ino
    signs: dict[str, Callable[[], object]] = {
        "anywhere": lambda: True,
        "hashing": one.lock.exists,
        "packing": one.drafts,
        "proving": lambda: any(zipfile.is_zipfile(path) for path in one.drafts()),
        "placing": lambda: one.archive.stat().st_ino != before,
    }
    until = time.monotonic() + 20
    while not signs[aim]() and running.poll() is None and time.monotonic() < until:
        time.sleep(0.0002)
    time.sleep(chance.uniform(0, one.seconds * AIMS[aim]))


def at(one: Bench, running: subprocess.Popen[str]) -> str:
    """Return what a run was at when it was killed, as far as what it left behind tells."""
    if running.returncode >= 0:
        return "over already"
    if one.archive.read_bytes() != one.old:
        return "placed" if one.checksum.exists() else "placed, its checksum not yet"
    if drafts := one.drafts():
        return "proving" if any(zipfile.is_zipfile(path) for path in drafts) else "packing"
    return "hashing" if one.lock.exists() else "starting"


def judge(one: Bench) -> None:
    """Fail unless the old archive stands, or a whole new one, and the evidence says of it what is true."""
    assert one.archive.is_file()
    if one.checksum.exists():
        one.assert_own_checksum()
    if one.archive.read_bytes() != one.old:
        one.assert_whole()
        assert one.companion("prove", one.archive).code == 0
    elif one.verb == FULL:
        assert not one.proven, "the old one is no proof of the content there is now"


def pack_again(one: Bench, *, as_program: bool) -> None:
    """Pack as the next run does: nobody removes a lock for it, and it clears away whatever the killed one left."""
    if as_program:
        began = time.monotonic()
        running = one.start()
        out, err = running.communicate(timeout=60)
        assert running.returncode == 0, out + err
        one.seconds = time.monotonic() - began
    else:
        assert one.companion(one.verb[0], one.folder, *one.verb[1:]).code == 0
    one.assert_whole()
    one.assert_own_checksum()
    assert one.verb == UPDATE or one.proven
    assert one.drafts() == []
    # Python itself looks for a place for temporary files by a file of four letters, and may be killed at that.
    left = [path for path in one.temporary.iterdir() if path.is_dir() or path.stat().st_size > 4]
    assert left == [], "what the killed one had opened does not stay on the disk"
    # Another lock of a killed one lies there until somebody takes that one, and stands in nobody's way.
    with held(one.lock.with_name("lock"), "looking"):
        pass
    assert list(one.lock.parent.glob("*lock*")) == []
    assert list(one.lock.parent.rglob("*.part")) == []


@pytest.fixture
def campaign(bench: Any, makers: Any, snapshots_stand: Any) -> Callable[..., Counter[str]]:
    """Kill a command, judge what is left, and run it to its end, again and again; count what it was killed at.

    every: how often the snapshots are restored as well, and the next run is a program of its own. size: bytes of new
    content each time.
    """

    def run(verb: Verb, kills: int, *, every: int, size: int) -> Counter[str]:
        one, chance, counts = bench(verb), random.Random(kills), Counter[str]()
        assert one.companion("snapshot", one.folder, "-m", "before").code == 0
        snapshots_stand(one.folder)
        one.change(chance, size)
        pack_again(one, as_program=True)
        others = one.others()
        for kill in range(1, kills + 1):
            one.change(chance, size)
            one.old, before = one.archive.read_bytes(), makers(one.folder)
            running = one.start()
            wait(one, running, list(AIMS)[kill % len(AIMS)], chance)
            running.kill()
            assert running.communicate()[1] == ""
            counts[at(one, running)] += 1
            judge(one)
            assert one.others() == others, "nothing half under another name"
            assert makers(one.folder) == before, "nothing of the maker's is touched"
            if kill % every == 0:
                snapshots_stand(one.folder)
            pack_again(one, as_program=kill % every == 0)
        return counts

    return run


@pytest.fixture
def kill_at_each(
    bench: Any, makers: Any, snapshots_stand: Any, injecting: Any, tmp_path: Path
) -> Callable[[Verb, str], Counter[str]]:
    """Kill a command as it is about to make the Nth call of one kind, for N = 1, 2, 3 … until it makes no more."""

    def run(verb: Verb, call: str) -> Counter[str]:
        one, chance, counts = bench(verb), random.Random(call), Counter[str]()
        one.change(chance, 1 << 20)
        pack_again(one, as_program=True)
        others = one.others()
        for number in range(1, 200):
            one.change(chance, 1 << 20)
            one.old, before = one.archive.read_bytes(), makers(one.folder)
            # No other unpacker is found, and asked: it would be killed in its place.
            alone = {"PATH": str(tmp_path / "none"), "PYTHONDONTWRITEBYTECODE": "1"}
            running = one.start(before=injecting(call, "signal=KILL", number), env=alone)
            running.communicate(timeout=60)
            if running.returncode == 0:
                return counts
            counts[at(one, running)] += 1
            judge(one)
            assert one.others() == others
            assert makers(one.folder) == before
            pack_again(one, as_program=False)
        pytest.fail("it was killed 199 times")

    return run


LINUX = pytest.mark.skipif(sys.platform != "linux", reason="strace is Linux's own")


@LINUX
def test_killed_before_each_rename(kill_at_each: Any) -> None:
    counts = kill_at_each(FULL, "rename")
    assert counts["proving"] >= 2, "the checksum of the old one, and the archive"
    assert counts["placed, its checksum not yet"] == 1
    assert counts["placed"] == 1, "the evidence"


@LINUX
@pytest.mark.campaign
@pytest.mark.parametrize("call", ["write", "fsync", "rename", "unlink", "mkdir", "ftruncate,pwrite64"])
@pytest.mark.parametrize("verb", [FULL, UPDATE], ids=" ".join)
def test_killed_before_each_call(kill_at_each: Any, verb: Verb, call: str) -> None:
    counts = kill_at_each(verb, call)
    print(f"\n{' '.join(verb)}, killed before each {call} ({counts.total()}), at: {dict(counts)}")


@pytest.mark.parametrize("verb", [FULL, UPDATE], ids=" ".join)
def test_six_kills(campaign: Any, verb: Verb) -> None:
    counts = campaign(verb, 6, every=6, size=1 << 20)
    assert counts["starting"] + counts["over already"] < 6, counts


@pytest.mark.campaign
@pytest.mark.parametrize(("verb", "kills"), [(FULL, 120), (UPDATE, 60)], ids=["pack", "pack --since"])
def test_many_kills(campaign: Any, verb: Verb, kills: int) -> None:
    counts = campaign(verb, kills, every=1, size=4 << 20)
    print(f"\n{kills} kills of {' '.join(verb)}, at: {dict(counts)}")
    assert min(counts[one] for one in ("hashing", "packing", "proving", "placed")) >= 4, counts
