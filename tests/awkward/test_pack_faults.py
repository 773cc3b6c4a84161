"""Fail the Nth write, sync, rename and creation for N = 1, 2, 3 … while packing and releasing: the old or the new."""

from __future__ import annotations

import errno
import hashlib
import io
import json
import os
import random
import shutil
import sys
import threading
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest

from companion.archive.record import read_records
from companion.core.files import put_safely
from companion.core.hold import Hold
from companion.history.history import History

FULL: Final = ("pack",)
UPDATE: Final = ("pack", "--since", "1.0")
RELEASE: Final = ("release",)
MADE: Final = {FULL: "Slate Choir 1.0.zip", UPDATE: "Slate Choir 1.0 to 1.1.zip", RELEASE: "Slate Choir 1.0.zip"}
CALLS: Final = {"write": ("write",), "fsync": ("fsync",), "rename": ("replace", "rename"), "create": ("mkdir", "open")}
Verb = tuple[str, ...]
ERRORS: Final = (errno.ENOSPC, errno.EIO)
LINUX = pytest.mark.skipif(sys.platform != "linux", reason="strace is Linux's own")


class Failing:
    """Makes the Nth call of one kind fail, and all later ones if ``on``; from any thread, however Python makes it."""

    def __init__(self, patch: pytest.MonkeyPatch, kind: str) -> None:
        self.left, self.on, self.code, self.hit = 0, False, 0, False
        self._lock = threading.Lock()
        for call in CALLS[kind]:
            patch.setattr(os, call, self._asking(getattr(os, call), opens=call == "open"))
        self._raw = self._raw_file(writes=kind == "write", opens=kind == "create")
        self._open = io.open
        patch.setattr(io, "open", self._opened)
        patch.setattr("companion.archive.unpacking.FileIO", self._raw)

    def arm(self, at: int, code: int, on: bool = False) -> None:
        """Fail from call number ``at`` on; 0: no longer."""
        self.left, self.code, self.on, self.hit = at, code, on, False

    def ask(self, path: object = None) -> None:
        with self._lock:
            self.left -= 1
            if self.left == 0 or (self.on and self.hit):
                self.hit = True
                raise OSError(self.code, os.strerror(self.code), path)

    def _asking(self, real: Callable[..., Any], opens: bool) -> Callable[..., Any]:
        def call(first: Any, *rest: Any, **more: Any) -> Any:
            if not opens or (rest and rest[0] & os.O_CREAT):
                self.ask(first)
            return real(first, *rest, **more)

        return call

    def _raw_file(self, writes: bool, opens: bool) -> type[io.FileIO]:
        ask = self.ask

        class Raw(io.FileIO):
            def __init__(self, file: Any, mode: str = "rb") -> None:
                if opens and not isinstance(file, int):
                    ask(file)
                super().__init__(file, mode.replace("b", ""))

            def write(self, data: Any, /) -> int:
                if writes:
                    ask()
                return super().write(data)

        return Raw

    def _opened(self, file: Any, mode: str = "r", buffering: int = -1, *rest: Any, **more: Any) -> Any:
        if not set(mode) & set("wxa+"):
            return self._open(file, mode, buffering, *rest, **more)
        raw = self._raw(file, mode.replace("t", ""))
        if buffering == 0:
            return raw
        buffered = io.BufferedRandom(raw) if "+" in mode else io.BufferedWriter(raw)
        return buffered if "b" in mode else io.TextIOWrapper(buffered, *rest, **more)


def _copied(folder: Path, into: Path) -> Path:
    """Copy a folder but for its cache, which another command may still hold and which loses nothing but time."""
    return shutil.copytree(folder, into / folder.name, ignore=shutil.ignore_patterns("cache.sqlite3*"))


def _releases(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (folder / "releases").iterdir()}


def _proven(companion: Any, folder: Path, step: str) -> bool:
    steps = companion("status", folder, "--json").json["steps"]
    return bool(next(one for one in steps if one["id"] == step)["state"] == "proven")


def _change(folder: Path, text: str) -> None:
    (folder / "Licence.txt").write_text(text, encoding="utf-8")


@pytest.fixture
def ready(request: pytest.FixtureRequest, companion: Any, verb: Verb) -> Path:
    """A folder in which the command has something to do, and something to lose: an archive, an update, a snapshot."""
    folder: Path = request.getfixturevalue("update_due" if verb == UPDATE else "releasable")
    assert companion("snapshot", folder, "-m", "before").code == 0
    if verb == RELEASE:  # new evidence, and so something to keep in the snapshot of the release
        assert companion("check", folder, "sound").code == 0
    else:
        assert companion(verb[0], folder, *verb[1:]).code == 0
        _change(folder, "CC0 1.0, in other words\n")
    return folder


@pytest.fixture
def quiet(tmp_path: Path, begin: Any, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Ask no other unpacker, which takes longest and writes nothing; return where archives are opened."""
    monkeypatch.setattr("companion.archive.external.ask", lambda path, watch: [])
    place = tmp_path / "tmp"  # ``begin`` makes it, and lets programs of their own use it too
    monkeypatch.setattr("tempfile.tempdir", str(place))
    return place


@pytest.mark.parametrize("kind", CALLS)
@pytest.mark.parametrize("verb", [FULL, UPDATE, RELEASE], ids=" ".join)
def test_the_nth_failure_leaves_the_old_or_the_new(
    ready: Path, quiet: Path, tmp_path: Path, companion: Any, judge: Any, verb: Verb, kind: str
) -> None:
    def run(folder: Path) -> Any:
        return companion(verb[0], folder, *verb[1:])

    aim = _copied(ready, tmp_path / "aim")
    assert run(aim).code == 0
    counts = Counter[str]()
    for turn in range(1, 200):
        at, code = turn, ERRORS[turn % 2]
        folder = _copied(ready, tmp_path / str(turn))
        with pytest.MonkeyPatch.context() as patch:
            failing = Failing(patch, kind)
            failing.arm(at, code, on=at % 3 == 0)
            result = run(folder)
        if not failing.hit:
            assert result.code == 0
            break
        assert "The system refused" not in result.err, "what went wrong, where, and what to do"
        counts[judge(result, folder, ready, aim, verb)] += 1
        assert list(quiet.iterdir()) == []
        again = run(folder)
        assert again.code == 0 or "Nothing is left to do" in again.err, again.err
        _assert_done(companion, folder, aim, verb)
        shutil.rmtree(tmp_path / str(turn))
    print(f"\n{' '.join(verb)}, {kind}: {sum(counts.values())} failures left {dict(counts)}")
    assert counts["old"]
    assert turn < 199


@LINUX
@pytest.mark.campaign
@pytest.mark.parametrize("call", ["write", "fsync", "rename", "unlink", "mkdir"])
@pytest.mark.parametrize("verb", [FULL, UPDATE, RELEASE], ids=" ".join)
def test_the_system_itself_fails(
    ready: Path,
    quiet: Path,
    tmp_path: Path,
    companion: Any,
    shell: Any,
    injecting: Any,
    judge: Any,
    verb: Verb,
    call: str,
) -> None:
    """The same from outside: the Nth system call of any thread fails, whoever makes it."""
    aim = _copied(ready, tmp_path / "aim")
    assert companion(verb[0], aim, *verb[1:]).code == 0
    (tmp_path / "bin").mkdir()  # so that no other unpacker is found, and fails in its place
    (tmp_path / "bin" / "git").symlink_to(str(shutil.which("git")))
    alone = {"PATH": str(tmp_path / "bin"), "PYTHONDONTWRITEBYTECODE": "1"}
    log, counts = tmp_path / "log", Counter[str]()
    for turn in range(2, 400):
        folder = _copied(ready, tmp_path / str(turn))
        what = f"error={errno.errorcode[ERRORS[turn % 2]]}"
        failing = injecting(call, what, turn // 2, log=str(log))
        result = shell(verb[0], folder, *verb[1:], before=failing, env=alone)
        if "INJECTED" not in log.read_text("utf-8"):
            assert result.code == 0, result
            break
        counts[judge(result, folder, ready, aim, verb, unremoved=call == "unlink")] += 1
        again = companion(verb[0], folder, *verb[1:])
        assert again.code == 0 or "Nothing is left to do" in again.err, again.err
        _assert_done(companion, folder, aim, verb)
        assert [path for path in quiet.iterdir() if path.stat().st_size > 4 or path.is_dir()] == []
        shutil.rmtree(tmp_path / str(turn))
    print(f"\n{' '.join(verb)}, {call} of the system: {counts.total()} failures left {dict(counts)}")
    assert counts or call == "mkdir", "an update makes no folder"
    assert turn < 199


@pytest.mark.parametrize("verb", [FULL, UPDATE, RELEASE], ids=" ".join)
def test_a_disk_too_small_leaves_the_old(
    ready: Path, quiet: Path, tmp_path: Path, companion: Any, judge: Any, mount: Any, fill: Any, verb: Verb
) -> None:
    """On a real file system, with a little more room each time until there is enough."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount(disk, "-t", "tmpfs", "-o", "size=6m", "tmpfs")
    if verb != RELEASE:
        (ready / "Samples" / "slate_more.raw").write_bytes(random.Random(1).randbytes(500_000))
    aim = _copied(ready, tmp_path / "aim")
    assert companion(verb[0], aim, *verb[1:]).code == 0
    for leave in range(0, 4 << 20, 24 << 10 if verb == RELEASE else 96 << 10):
        folder = _copied(ready, disk)
        fill(disk, leave)
        result = companion(verb[0], folder, *verb[1:])
        if result.code == 0:
            break
        assert "No space left" in result.err
        assert judge(result, folder, ready, aim, verb) == "old"
        (disk / "filler").unlink()
        assert companion(verb[0], folder, *verb[1:]).code == 0
        _assert_done(companion, folder, aim, verb)
        shutil.rmtree(folder)
    assert leave
    _assert_done(companion, folder, aim, verb)


@pytest.fixture
def judge(tmp_path: Path, companion: Any, makers: Any, fsck: Any) -> Callable[..., str]:
    """Return whether a run that was hit left the ``old`` state or the ``new``; fail on anything between."""

    def _assert_history(folder: Path, ready: Path) -> None:
        fsck(folder)
        assert companion("snapshots", folder, "--verify").code == 0
        for number in _snapshots(ready):
            for name, one in (("then", ready), ("now", folder)):
                shutil.rmtree(tmp_path / name, ignore_errors=True)
                assert companion("restore", one, number, "--into", tmp_path / name).code == 0
            assert makers(tmp_path / "then") == makers(tmp_path / "now")

    def look(result: Any, folder: Path, ready: Path, aim: Path, verb: Verb, *, unremoved: bool = False) -> str:
        if result.code:
            assert (result.code, result.out, len(result.err.splitlines())) == (2, "", 1), result
        found = {name: data for name, data in _releases(folder).items() if not (unremoved and name.endswith(".part"))}
        ended = _ended(found, _releases(ready), _releases(aim), verb)
        assert result.code or ended == "new"
        step = "out" if verb == RELEASE else "archive"
        if verb != UPDATE and _proven(companion, folder, step):
            assert ended == "new", "what is proven is there, and whole"
        assert makers(folder) == makers(ready)
        if verb == RELEASE:
            _assert_history(folder, ready)
        else:
            assert _history(folder) == _history(ready)
        return ended

    return look


def _ended(now: dict[str, bytes], old: dict[str, bytes], new: dict[str, bytes], verb: Verb) -> str:
    if now == old:
        return "old"
    if verb == RELEASE:
        (record,) = now.keys() - old.keys()
        assert record == "Slate Choir 1.0.release.json"
        assert json.loads(now.pop(record))["sha256"] == hashlib.sha256(now[MADE[verb]]).hexdigest()
        assert now == old
        return "new"
    record = MADE[verb].replace(".zip", ".update.json")
    if verb == UPDATE and now[record] == old[record]:  # of an archive that is not there: it counts for nothing
        now[record] = new[record]
    page = "Slate Choir 1.0 page.md"  # drafted once more behind the archive, whose size and checksum it tells
    if page in now and now[page] == old[page]:
        now[page] = new[page]
    checksum = f"{MADE[verb]}.sha256"
    if checksum not in now:
        assert new.pop(checksum)
    assert now == new, "whole, with its own checksum or none"
    return "new"


def _assert_done(companion: Any, folder: Path, aim: Path, verb: Verb) -> None:
    """Fail unless the folder is what a run that met no fault makes of it."""
    now, new = _releases(folder), _releases(aim)
    assert now.keys() == new.keys()
    if verb == RELEASE:
        (record,) = read_records(folder / "releases")
        with History(folder) as history:
            tagged = history.release_snapshot("1.0")
        assert tagged is not None
        assert (tagged.number, tagged.id) == (record.snapshot, record.snapshot_id)
        assert _proven(companion, folder, "out")
        return
    assert now == new
    assert verb == UPDATE or _proven(companion, folder, "archive")


def _history(folder: Path) -> dict[str, bytes]:
    place = folder / ".companion" / "history.git"
    return {path.relative_to(place).as_posix(): path.read_bytes() for path in place.rglob("*") if path.is_file()}


def _snapshots(folder: Path) -> list[int]:
    with History(folder) as history:
        return [one.number for one in history.snapshots()]


def test_a_page_that_could_not_be_given_the_checksum_is_told_until_it_is(
    releasable: Path, companion: Any, one_line: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The archive has its place by then: no two files change in one step."""
    page, archive = (releasable / "releases" / f"Slate Choir 1.0{ending}" for ending in (" page.md", ".zip"))
    old, real = hashlib.sha256(archive.read_bytes()).hexdigest(), put_safely
    assert old in page.read_text("utf-8")
    _change(releasable, "CC0 1.0, in other words\n")

    def refusing(folder: Hold, name: str, data: bytes, *, ours: bool = False) -> None:
        if name == page.name and folder.path == page.parent:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        real(folder, name, data, ours=ours)

    with monkeypatch.context() as patch:
        patch.setattr("companion.core.files.put_safely", refusing)
        one_line(companion("pack", releasable), "The archive is built, but a page", page.name, "hen pack again")
    new = hashlib.sha256(archive.read_bytes()).hexdigest()
    assert old != new
    assert _proven(companion, releasable, "archive")
    assert not _proven(companion, releasable, "words")
    assert ("words-disagree", f"releases/{page.name}") in companion("check", releasable, "words", "--json").rules
    assert companion("pack", releasable).code == 0
    assert hashlib.sha256(archive.read_bytes()).hexdigest() == new
    assert new in page.read_text("utf-8")
    companion("check", releasable, "words")
    assert _proven(companion, releasable, "words")
