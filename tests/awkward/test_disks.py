"""Disks and clocks: full, failing, read-only, unplugged; files that change under the reader; time set back."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
import time
import wave
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from companion.contents import inventory
from companion.core import census
from companion.core.progress import Watch
from companion.workshop import Workshop

POSIX = pytest.mark.skipif(os.name == "nt", reason="disks and permissions of this kind are POSIX")
TOLD = ("--engine-version", "7.1", "--system", "Windows 11", "--played", "all keys")
TRACED = pytest.mark.skipif(sys.platform != "linux", reason="strace is Linux's own")


@pytest.fixture
def small_disk(tmp_path: Path, instrument: Path, mount: Any) -> Path:
    """The instrument on a disk of four megabytes."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount(disk, "-t", "tmpfs", "-o", "size=4m", "tmpfs")
    return shutil.copytree(instrument, disk / "Slate Choir")


@pytest.mark.parametrize("leave", [0, 32 << 10, 150 << 10])
@pytest.mark.parametrize("arguments", [("snapshot", "-m", "full"), ("pack",), ("restore", 1)])
def test_4_disk_full(
    small_disk: Path,
    companion: Any,
    makers: Any,
    fsck: Any,
    one_line: Any,
    fill: Any,
    arguments: tuple[Any, ...],
    leave: int,
) -> None:
    assert companion("snapshot", small_disk, "-m", "first").code == 0
    assert companion("pack", small_disk).code == 0
    first = makers(small_disk)
    archive = next(small_disk.glob("releases/*.zip"))
    packed = archive.read_bytes()
    for name in ("C4", "G4"):
        with wave.open(str(small_disk / "Samples" / f"slate_{name}.wav"), "wb") as out:
            out.setparams((1, 2, 44100, 0, "NONE", ""))
            out.writeframes(os.urandom(200_000))
    before = makers(small_disk)
    fill(small_disk.parent, leave)
    verb, *rest = arguments
    one_line(companion(verb, small_disk, *rest), "ree ", str(small_disk))
    assert makers(small_disk) == before
    assert archive.read_bytes() == packed
    assert not list(small_disk.rglob("*.part"))
    assert companion("status", small_disk).code == 1, "looking goes on"
    assert companion("snapshots", small_disk).code == 0
    (small_disk.parent / "filler").unlink()
    fsck(small_disk)
    assert companion("snapshots", small_disk, "--verify").code == 0
    assert companion("restore", small_disk, 1).code == 0
    assert makers(small_disk) == first


@pytest.mark.parametrize(
    "arguments",
    [
        ("draft", "readme", "--write"),
        ("waive", "minimum-unproven", "release.toml", "--where", "engine.minimum", "-r", "x"),
        ("away", "--kind", "another player", "--result", "pass", *TOLD),
    ],
)
def test_4_disk_full_while_little_is_written(
    small_disk: Path, companion: Any, makers: Any, one_line: Any, fill: Any, arguments: tuple[Any, ...]
) -> None:
    before = makers(small_disk)
    fill(small_disk.parent, 0)
    verb, *rest = arguments
    one_line(companion(verb, small_disk, *rest), "No space left", "Free some space", str(small_disk))
    assert makers(small_disk) == before
    (small_disk.parent / "filler").unlink()
    assert companion(verb, small_disk, *rest).code == 0


def test_4_disk_full_while_what_was_found_is_kept(small_disk: Path, companion: Any, makers: Any, fill: Any) -> None:
    """Minutes of measuring are shown, though the evidence has no room; the code says that it is not kept."""
    (small_disk / "Samples" / "slate_E4.wav").write_bytes(b"")
    before = makers(small_disk)
    fill(small_disk.parent, 0)
    checked = companion("check", small_disk, "--json")
    assert checked.code == 2
    assert len(checked.err.splitlines()) == 1
    for word in ("No space left", "Free some space", str(small_disk)):
        assert word in checked.err
    assert ("file-empty", "Samples/slate_E4.wav") in checked.rules
    assert {step["id"]: step["state"] for step in checked.json["steps"]}["contents"] == "failing"
    assert makers(small_disk) == before
    (small_disk.parent / "filler").unlink()
    assert companion("status", small_disk, "--json").json["steps"][1]["state"] == "open", "it was in memory alone"
    assert companion("check", small_disk).code == 1


@TRACED
@pytest.mark.parametrize(
    ("verb", "call", "when"),
    [
        *(("snapshot", "write", 3), ("snapshot", "fsync", 1), ("snapshot", "rename", 2)),
        # The first two writes of a pack may be the lock's note, and the trial by which Python finds a temporary folder.
        *(("pack", "write", 3), ("pack", "fsync", 1), ("pack", "rename", 1)),
    ],
)
def test_4_disk_full_at_a_certain_call(
    instrument: Path,
    companion: Any,
    shell: Any,
    makers: Any,
    fsck: Any,
    injecting: Any,
    verb: str,
    call: str,
    when: int,
) -> None:
    assert companion("snapshot", instrument, "-m", "first").code == 0
    (instrument / "Licence.txt").write_text("Another.\n", encoding="utf-8")
    before = makers(instrument)
    result = shell(verb, instrument, before=injecting(call, "error=ENOSPC", when), env={"PYTHONDONTWRITEBYTECODE": "1"})
    assert result.code == 2, result
    assert len(result.err.splitlines()) == 1
    assert "No space left" in result.err
    assert makers(instrument) == before
    assert not list(instrument.rglob("*.part"))
    assert not list(instrument.glob("releases/*.zip"))
    fsck(instrument)
    assert companion("snapshots", instrument, "--verify").code == 0
    assert companion("snapshot", instrument).code == companion("pack", instrument).code == 0


@TRACED
def test_5_eio_while_a_sample_is_read(
    instrument: Path, companion: Any, shell: Any, makers: Any, fsck: Any, injecting: Any
) -> None:
    bad = instrument / "Samples" / "slate_E4.wav"
    before = makers(instrument)
    failing = injecting("read,readv,pread64", "error=EIO", "1+", bad)
    checked = shell("check", instrument, "--json", before=failing)
    assert checked.code == 1, checked.err
    assert ("file-unreadable", "Samples/slate_E4.wav") in checked.rules
    assert {step["id"] for step in checked.json["steps"]} >= {"contents", "sound", "words"}, "the rest goes on"
    taken = shell("snapshot", instrument, "-m", "x", before=failing)
    assert taken.code == 1
    assert "left out: Samples/slate_E4.wav" in taken.out
    assert "Input/output error" in taken.out
    packed = shell("pack", instrument, before=failing)
    assert packed.code == 2
    assert "Samples/slate_E4.wav" in packed.err
    assert makers(instrument) == before
    fsck(instrument)
    assert not list(instrument.glob("releases/*.zip"))
    assert companion("check", instrument, "contents").code == 0, "what the disk said once is not remembered"


@TRACED
@pytest.mark.parametrize("name", ["release.toml", "Slate.eeng", "Licence.txt"])
def test_5_eio_elsewhere(instrument: Path, shell: Any, makers: Any, injecting: Any, name: str) -> None:
    before = makers(instrument)
    result = shell("check", instrument, before=injecting("read,readv,pread64", "error=EIO", "1+", instrument / name))
    assert "Traceback" not in result.err
    assert name in result.out + result.err
    if name == "release.toml":
        assert (result.code, len(result.err.splitlines())) == (2, 1)
        assert "disk reports a fault" in result.err
    else:
        assert result.code == 1
    assert makers(instrument) == before


@contextmanager
def read_only(folder: Path, mount: Any) -> Iterator[None]:
    if os.geteuid() == 0:  # permissions do not hold root back, a mount does
        mount(folder, "--bind", str(folder))
        mount(folder, "-o", "remount,ro,bind")
        yield
        return
    folders = [folder, *(path for path in folder.rglob("*") if path.is_dir())]
    for one in folders:
        one.chmod(0o555)
    try:
        yield
    finally:
        for one in folders:
            one.chmod(0o755)


@POSIX
@pytest.mark.parametrize("seen_before", [True, False])
def test_6_read_only_folder(
    instrument: Path, tmp_path: Path, companion: Any, makers: Any, mount: Any, one_line: Any, seen_before: bool
) -> None:
    if seen_before:
        companion("check", instrument)
        assert companion("snapshot", instrument, "-m", "first").code == 0
    before = makers(instrument)
    with read_only(instrument, mount):
        assert companion("status", instrument).code == 1
        checked = companion("check", instrument, "contents", "paths", "sound", "--json")
        assert checked.code == 0, checked.err
        assert {step["state"] for step in checked.json["steps"]} == {"proven"}
        assert "is kept. The folder is read-only" in checked.err
        for looking in (("needs",), ("trials",), ("away",), ("draft", "page")):
            verb, *rest = looking
            assert companion(verb, instrument, *rest).code == 0
        assert companion("measure", instrument / "Samples").code == 0
        for verb, *rest in (
            ("snapshot", "-m", "x"),
            ("pack",),
            ("release",),
            ("draft", "readme", "--write"),
            ("waive", "minimum-unproven", "release.toml", "--where", "engine.minimum", "-r", "x"),
            ("away", "--kind", "another player", "--result", "pass", *TOLD),
        ):
            one_line(companion(verb, instrument, *rest), "read-only", str(instrument))
        if seen_before:
            listed = companion("snapshots", instrument)
            assert listed.code == 0, "what is kept can be looked at"
            assert "first" in listed.out
            assert companion("compare", instrument, 1).code == 0
            assert companion("restore", instrument, 1, "--into", tmp_path / "elsewhere").code == 0
        assert makers(instrument) == before


@contextmanager
def rewriting(path: Path) -> Iterator[None]:
    """Rewrite a file without a pause while the block runs, each time with another byte all through."""
    stop = threading.Event()
    header, size = path.read_bytes()[:44], path.stat().st_size - 44

    def work() -> None:
        turn = 0
        while not stop.is_set():
            turn += 1
            with path.open("r+b") as stream:
                stream.write(header + bytes([turn % 256]) * size)

    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def test_7_file_changing_while_read(
    instrument: Path, tmp_path: Path, companion: Any, shell: Any, makers: Any, fsck: Any
) -> None:
    busy = instrument / "Samples" / "slate_E4.wav"
    busy.write_bytes(busy.read_bytes() + bytes(3 << 20))
    others = {path: kind for path, kind in makers(instrument).items() if path != "Samples/slate_E4.wav"}
    with rewriting(busy):
        checked = shell("check", instrument, "--json")
        taken = shell("snapshot", instrument, "-m", "while it is written", "--json")
        packed = shell("pack", instrument)

    def same_all_through(data: bytes) -> bool:
        return len(set(data[44:])) == 1

    # Each either says so, or read it in a moment of rest, and then whole.
    assert checked.code == 1, checked.err
    told = [f["measured"] for f in checked.json["findings"] if f["path"] == "Samples/slate_E4.wav"]
    said = ["it changes while it is being read" in told]
    shot = taken.json["snapshot"]
    marked = [*shot["changed_while_read"], *(path for path, _ in shot["left_out"])]
    assert taken.code == (1 if marked else 0), taken.err
    said.append(marked == ["Samples/slate_E4.wav"])
    if not marked:
        assert companion("restore", instrument, 1, "--into", tmp_path / "kept").code == 0
        assert same_all_through((tmp_path / "kept" / "Samples" / "slate_E4.wav").read_bytes())
    said.append(packed.code == 2)
    if packed.code == 2:
        assert len(packed.err.splitlines()) == 1
        assert "slate_E4.wav" in packed.err
        assert not list(instrument.glob("releases/*"))
    else:
        with zipfile.ZipFile(next(instrument.glob("releases/*.zip"))) as archive:
            assert same_all_through(archive.read("Slate Choir/Samples/slate_E4.wav"))
    assert any(said)
    fsck(instrument)
    assert {path: kind for path, kind in makers(instrument).items() if path != "Samples/slate_E4.wav"} == others
    again = companion("check", instrument, "contents", "--json")
    assert ("file-unreadable", "Samples/slate_E4.wav") not in again.rules, "at rest it is read"


def test_8_clock_set_back(instrument: Path, companion: Any, monkeypatch: pytest.MonkeyPatch, fsck: Any) -> None:
    import companion.history.store.commits as commits
    import companion.workshop as workshops

    for turn, year in enumerate((2030, 2027, 1999), 1):
        monkeypatch.setattr(commits, "now", lambda year=year: datetime(year, 1, 1, tzinfo=UTC))
        monkeypatch.setattr(workshops, "now", lambda year=year: f"{year}-01-01T00:00:00.000Z")
        (instrument / "Licence.txt").write_text(f"Turn {turn}.\n", encoding="utf-8")
        os.utime(instrument / "Licence.txt", (year * 10**6, year * 10**6))
        assert companion("snapshot", instrument, "-m", f"turn {turn}").code == 0
        told = (*TOLD, "--notes", turn)
        assert companion("away", instrument, "--kind", "originals hidden", "--result", "pass", *told).code == 0
        companion("check", instrument)
    listed = companion("snapshots", instrument, "--json").json["snapshots"]
    assert [shot["label"] for shot in listed] == ["turn 3", "turn 2", "turn 1"]
    assert [shot["number"] for shot in listed] == [3, 2, 1]
    assert companion("compare", instrument, 1, 2, "--json").json["changes"]["changed"] == ["Licence.txt"]
    fsck(instrument)
    kept = [
        json.loads(path.read_bytes()) for path in (instrument / ".companion" / "evidence" / "contents").glob("*.json")
    ]
    by_order = sorted(kept, key=lambda one: one["order"])
    assert [one["taken"][:4] for one in by_order] == ["2030", "2027", "1999"]
    assert companion("restore", instrument, 1).code == 0
    assert (instrument / "Licence.txt").read_text("utf-8") == "Turn 1.\n"


def test_9_same_size_and_time(instrument: Path, companion: Any) -> None:
    sample = instrument / "Samples" / "slate_C4.wav"
    assert companion("check", instrument, "contents", "sound").code == 0
    assert companion("snapshot", instrument, "-m", "before").code == 0
    assert companion("pack", instrument).code == 0
    old = sample.read_bytes()
    status = sample.stat()
    time.sleep(0.01)
    new = old[:2000] + bytes(200) + old[2200:]
    sample.write_bytes(new)
    os.utime(sample, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert sample.stat().st_mtime_ns == status.st_mtime_ns
    states = {step["id"]: step["state"] for step in companion("status", instrument, "--json").json["steps"]}
    assert states["sound"] == states["archive"] == "stale"
    assert companion("compare", instrument, 1, "--json").json["changes"]["changed"] == ["Samples/slate_C4.wav"]
    assert companion("snapshot", instrument, "-m", "after", "--json").json["snapshot"]["new"]
    packed = companion("pack", instrument, "--json").json["archive"]
    with zipfile.ZipFile(packed["path"]) as archive:
        assert archive.read("Slate Choir/Samples/slate_C4.wav") == new
    assert companion("restore", instrument, 1).code == 0
    assert sample.read_bytes() == old


def test_9_pack_reads_files_once_and_yet_sees_a_hidden_change(
    instrument: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Windows tells no time of change: there an edit that puts the old time back is seen by reading alone."""
    sample, read = instrument / "Samples" / "slate_C4.wav", list[str]()
    real = census.Census.read

    def reading(self: census.Census, folder: Path, files: Any, watch: Watch) -> Any:
        read.extend(path for path, _ in files)
        return real(self, folder, files, watch)

    with monkeypatch.context() as patch, closing(Workshop(instrument)) as shop:
        patch.setattr(census, "GRAIN_NS", -10_000_000_000)  # nobody writes meanwhile: trusted at once
        patch.setattr(census, "_changed", lambda _status: 0)
        patch.setattr(inventory, "_compared", lambda walked, _known: ([], list(walked)))
        shop.status()
        patch.setattr(census.Census, "read", reading)
        first = shop.pack()
        assert first.kept
        assert [path for path in read if path.startswith("Samples/")] == [], "known, packed, and opened again"
        old, status = sample.read_bytes(), sample.stat()
        sample.write_bytes(old[:2000] + bytes(200) + old[2200:])
        os.utime(sample, ns=(status.st_atime_ns, status.st_mtime_ns))
        second = shop.pack()
        assert second.kept
        assert "Samples/slate_C4.wav" in read
    with zipfile.ZipFile(second.path) as archive:
        assert archive.read("Slate Choir/Samples/slate_C4.wav") == sample.read_bytes() != old


def test_11_over_4_gb_promised(instrument: Path, companion: Any, one_line: Any) -> None:
    long = instrument / "Samples" / "long.wav"
    header = (instrument / "Samples" / "slate_C4.wav").read_bytes()[:44]
    with long.open("wb") as stream:
        stream.write(header[:4] + b"\xf0\xff\xff\xff" + header[8:40] + b"\xc0\xff\xff\xff")
        stream.truncate(8 << 20)
    checked = companion("check", instrument, "contents", "--json")
    assert checked.code == 1
    assert ("file-truncated", "Samples/long.wav") in checked.rules


@pytest.mark.slow
def test_11_over_4_gb(instrument: Path, companion: Any, fsck: Any) -> None:
    """A file whose size takes more than 32 bits, through every command that reads it whole."""
    long = instrument / "Samples" / "long.raw"
    noise = os.urandom(1 << 20)  # which does not pack: four gigabytes of nothing would be taken for a bomb
    with long.open("wb") as stream:
        for _ in range(4096):
            stream.write(noise)
        stream.write(b"1 more")
    assert companion("check", instrument, "contents", "paths", "--json").code == 0
    assert companion("snapshot", instrument, "-m", "long").code == 0
    packed = companion("pack", instrument, "--json")
    assert packed.code == 0, packed.err
    assert "zip64-needed" in {f["rule"] for f in packed.json["archive"]["findings"]}
    with zipfile.ZipFile(packed.json["archive"]["path"]) as archive:
        assert archive.getinfo("Slate Choir/Samples/long.raw").file_size == (4 << 30) + 6
    long.unlink()
    assert companion("restore", instrument, 1).code == 0
    assert long.stat().st_size == (4 << 30) + 6
    fsck(instrument)


@POSIX
@pytest.mark.parametrize("arguments", [("check",), ("snapshot", "-m", "x"), ("pack",), ("restore", 1)])
def test_a_folder_that_goes_away_meanwhile(
    instrument: Path, tmp_path: Path, companion: Any, begin: Any, makers: Any, arguments: tuple[Any, ...]
) -> None:
    """The disk is pulled: the folder is gone under its name, and comes back with all that was on it."""
    assert companion("snapshot", instrument, "-m", "first").code == 0
    first = makers(instrument)
    for index in range(30):
        (instrument / "Samples" / f"more_{index}.wav").write_bytes(os.urandom(1 << 20))
    before = makers(instrument)
    verb, *rest = arguments
    running = begin(verb, instrument, *rest)
    time.sleep(0.3)
    instrument.rename(tmp_path / "gone")
    _, err = running.communicate(timeout=60)
    assert "Traceback" not in err, err
    if running.returncode == 2:
        assert len(err.splitlines()) == 1, err
    assert not instrument.exists() or verb in ("check", "pack"), "no second folder is begun in its place"
    shutil.rmtree(instrument, ignore_errors=True)
    (tmp_path / "gone").rename(instrument)
    companion("status", instrument)
    assert makers(instrument) in (before, first)
    assert companion("snapshots", instrument, "--verify").code == 0
    assert companion("restore", instrument, 1).code == 0
    assert makers(instrument) == first


def test_a_folder_that_is_gone(tmp_path: Path, companion: Any, one_line: Any) -> None:
    for verb, *rest in (
        ("status",),
        ("check",),
        ("pack",),
        ("snapshot",),
        ("snapshots",),
        ("restore", 1),
        ("release",),
    ):
        one_line(companion(verb, tmp_path / "unplugged", *rest), "no such folder", "unplugged")
    assert list(tmp_path.iterdir()) == []


@POSIX
def test_standing_in_a_folder_that_was_deleted(tmp_path: Path, begin: Callable[..., Any]) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    script = f"cd '{gone}' && rmdir '{gone}' && '{sys.executable}' -P -m companion status"
    done = subprocess.run(
        ["sh", "-c", script], capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(Path.cwd())}
    )
    assert done.returncode == 2, done
    assert len(done.stderr.splitlines()) == 1, done.stderr
