from __future__ import annotations

import contextlib
import hashlib
import io
import os
import random
import stat
import subprocess
import sys
import tempfile
import time
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.archive import coders, packing
from companion.archive.build import PendingArchive, checksum_path, pending_archive
from companion.archive.plan import ArchivePlan, plan
from companion.core.errors import Cancelled, CompanionError
from companion.core.files import part_name
from companion.core.progress import QUIET, Progress, Watch

NAMES = st.text(st.characters(codec="utf-8", exclude_characters='/\\:\0"<>|?*', exclude_categories=["Cc", "Cs", "Cf"]),
                min_size=1, max_size=8).filter(lambda name: name not in (".", ".."))  # fmt: skip
CONTENT = st.one_of(
    st.binary(max_size=300), st.tuples(st.binary(max_size=9), st.integers(0, 9000)).map(lambda p: p[0] * p[1])
)
TREES = st.dictionaries(st.lists(NAMES, min_size=1, max_size=3).map("/".join), CONTENT, min_size=1, max_size=12)


def build(made: ArchivePlan, target: Path, watch: Watch, **more: Any) -> PendingArchive:
    with pending_archive(made, target, watch, **more) as new:
        new.accept()
    return new


def _listed(folder: Path) -> list[tuple[str, Path, int, str]]:
    found = []
    for path in folder.rglob("*"):
        if path.is_file():
            data = path.read_bytes()
            found.append((path.relative_to(folder).as_posix(), path, len(data), hashlib.sha256(data).hexdigest()))
    return found


def _lay(folder: Path, tree: dict[str, bytes], order: random.Random, umask: int) -> list[tuple[str, Path, int, str]]:
    paths = sorted(tree)
    order.shuffle(paths)
    before = os.umask(umask)
    try:
        for path in paths:
            place = folder / path
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(tree[path])
            when = order.randrange(10**9, 2 * 10**9)
            os.utime(place, (when, when))
            place.chmod(order.choice([0o400, 0o644, 0o755, 0o777]))  # a memory stick sets all bits
    finally:
        os.umask(before)
    listed = _listed(folder)
    order.shuffle(listed)
    return listed


@settings(max_examples=30, deadline=None)
@given(TREES, st.integers(0, 2**32))
def test_the_same_content_gives_the_same_bytes(tree: dict[str, bytes], seed: int) -> None:
    order = random.Random(seed)
    with tempfile.TemporaryDirectory() as place, pytest.MonkeyPatch.context() as patch:
        patch.setattr(packing, "CHUNK", 4000)  # so that large members are met too
        here = Path(place)
        try:
            first = plan("Slate Choir", _lay(here / "a", tree, order, 0o022))
            second = plan("Slate Choir", _lay(here / "b", tree, order, 0o077))
        except (CompanionError, OSError):
            return  # two of the names are one, or a file and a folder: no such folder ships
        one = build(first, here / "one.zip", QUIET, threads=1)
        two = build(second, here / "elsewhere" / "two.zip", QUIET, threads=3)
        assert (here / "one.zip").read_bytes() == (here / "elsewhere" / "two.zip").read_bytes()
        assert one.sha256 == two.sha256 == hashlib.sha256((here / "one.zip").read_bytes()).hexdigest()
        assert one.size == (here / "one.zip").stat().st_size
        with zipfile.ZipFile(here / "one.zip") as archive:
            assert archive.testzip() is None
            assert {name: archive.read(name) for name in archive.namelist()} == {
                f"Slate Choir/{path}": data for path, data in tree.items()
            }


def test_headers_are_plain(tmp_path: Path, planned: Callable[..., ArchivePlan], audio: Callable[..., bytes]) -> None:
    made = planned(tmp_path / "in", {"ä.wav": audio(40_000), "n.bin": os.urandom(9000), "go": b"#!", "e.sh": b""})
    build(made, tmp_path / "out.zip", QUIET)
    with zipfile.ZipFile(tmp_path / "out.zip") as archive:
        infos = {info.filename.rpartition("/")[2]: info for info in archive.infolist()}
    assert [info.filename for info in sorted(infos.values(), key=lambda info: info.header_offset)] == sorted(
        info.filename for info in infos.values()
    )
    for name, info in infos.items():
        assert info.date_time == (1980, 1, 1, 0, 0, 0)
        assert info.flag_bits == (0 if name.isascii() else 0x800)
        assert info.compress_type == (8 if name == "ä.wav" else 0)
        assert info.extra == b""
        assert info.external_attr >> 16 == (0o100755 if name == "go" else 0o100644)


def test_checksum_lies_beside_it_as_sha256sum_reads_it(tmp_path: Path, planned: Callable[..., ArchivePlan]) -> None:
    built = build(planned(tmp_path / "in", {"a.wav": b"a"}), tmp_path / "Slate Choir 1.0.zip", QUIET)
    assert checksum_path(built.target) == tmp_path / "Slate Choir 1.0.zip.sha256"
    assert checksum_path(built.target).read_bytes() == f"{built.sha256}  Slate Choir 1.0.zip\n".encode()


@pytest.mark.parametrize("chunk", [1000, 1 << 20])
@pytest.mark.parametrize("change", ["content", "shorter", "longer", "gone"])
def test_a_file_that_changed_is_named_and_nothing_is_left(
    tmp_path: Path, planned: Callable[..., ArchivePlan], monkeypatch: pytest.MonkeyPatch, chunk: int, change: str
) -> None:
    monkeypatch.setattr(packing, "CHUNK", chunk)
    made = planned(tmp_path / "in", {"a.wav": b"a" * 5000, "b.wav": b"b" * 5000})
    place = tmp_path / "in" / "b.wav"
    if change == "gone":
        place.unlink()
    else:
        place.write_bytes({"content": b"b" * 4999 + b"c", "shorter": b"b" * 4999, "longer": b"b" * 5001}[change])
    (tmp_path / "out").mkdir()
    with pytest.raises(CompanionError, match=r"b\.wav"):
        build(made, tmp_path / "out" / "x.zip", QUIET)
    assert list((tmp_path / "out").iterdir()) == []


def _old(folder: Path) -> tuple[Path, dict[str, bytes]]:
    target = folder / "out" / "x.zip"
    target.parent.mkdir()
    target.write_bytes(b"the old archive")
    checksum_path(target).write_bytes(b"its sum")
    return target, _state(target)


def _state(target: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in target.parent.iterdir()}


def test_the_old_archive_stands_until_the_new_one_is_proven(
    tmp_path: Path, planned: Callable[..., ArchivePlan]
) -> None:
    made = planned(tmp_path / "in", {"a.wav": b"a"})
    target, before = _old(tmp_path)

    with pending_archive(made, target, QUIET) as new:
        assert zipfile.ZipFile(new.path).testzip() is None
        assert target.read_bytes() == b"the old archive"
        proven = new.path.read_bytes()
    assert _state(target) == before, "it was not accepted"

    with pending_archive(made, target, QUIET) as new:
        new.accept()
    assert target.read_bytes() == proven
    assert _state(target).keys() == before.keys()
    assert checksum_path(target).read_text().startswith(new.sha256)


def test_what_killed_builds_left_is_cleared_whatever_they_were_to_become(
    tmp_path: Path, planned: Callable[..., ArchivePlan]
) -> None:
    made = planned(tmp_path / "in", {"a.wav": b"a"})
    target, before = _old(tmp_path)
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    for name in (part_name("x", dead.pid, "00c0ffee"), part_name("Another, 0.9", dead.pid, "00c0ffee")):
        target.with_name(name).write_bytes(b"half of it")
    stays = {part_name("x", os.getpid(), "00c0ffee"): b"a live one's", f".x.{dead.pid}-00c0ffee.part": b"not ours"}
    for name, data in stays.items():
        target.with_name(name).write_bytes(data)
    with pending_archive(made, target, QUIET):
        pass
    assert _state(target) == before | stays


@pytest.mark.skipif(os.name == "nt", reason="tells files by their inodes")
def test_what_takes_a_place_is_on_the_disk_first(
    tmp_path: Path, planned: Callable[..., ArchivePlan], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rename may reach the disk before the bytes do: after a power cut the name would stand for nothing."""
    made = planned(tmp_path / "in", {f"{n}.bin": os.urandom(9000) for n in range(6)})
    target, _ = _old(tmp_path)
    done: list[tuple[int, int] | str] = []
    real_sync, real_replace = os.fsync, os.replace

    def identity(status: os.stat_result) -> tuple[int, int]:
        return status.st_ino, 0 if stat.S_ISDIR(status.st_mode) else status.st_size

    def sync(handle: int) -> None:
        real_sync(handle)
        done.append(identity(os.fstat(handle)))

    def replace(name: str, to: str, **folders: int) -> None:
        if to in (target.name, checksum_path(target).name):
            assert identity((target.parent / name).stat()) in done, to
        done.append("aside" if to.endswith(".part") else to)
        real_replace(name, to, **folders)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(os, "replace", replace)
    build(made, target, QUIET)
    folder = identity(target.parent.stat())
    names = [one for one in done if one == folder or isinstance(one, str)]
    assert names == ["aside", folder, "x.zip", folder, "x.zip.sha256", folder], "each rename before the next"


def test_cancelling_leaves_the_old_archive(tmp_path: Path, planned: Callable[..., ArchivePlan]) -> None:
    made = planned(tmp_path / "in", {f"{n}.wav": os.urandom(300_000) for n in range(20)})
    target, before = _old(tmp_path)
    lines: list[Progress] = []

    def show(progress: Progress) -> None:
        lines.append(progress)
        if progress.done > 2_000_000:
            watch.cancel()

    watch = Watch(show, every=0.0)
    with pytest.raises(Cancelled):
        build(made, target, watch)
    assert _state(target) == before
    assert lines[-1].unit == "bytes"
    assert lines[-1].total == made.size


class _Refusing:
    """Refuses the Nth of all writes, syncs and renames that building makes, as a full or broken disk would."""

    def __init__(self, at: int) -> None:
        self.left = at
        self.hit = False

    def ask(self) -> None:
        self.left -= 1
        if self.left == 0:
            self.hit = True
            raise OSError(28, "No space left on device")

    @contextlib.contextmanager
    def everywhere(self) -> Iterator[None]:
        asking, real_open = self.ask, os.fdopen
        real = {name: getattr(os, name) for name in ("replace", "unlink")}

        class Raw(io.FileIO):
            def write(self, data: Any, /) -> int:
                asking()
                return super().write(data)

        def opened(handle: int, mode: str = "r", *rest: Any, **more: Any) -> Any:
            if mode in ("wb", "w+b"):
                raw = Raw(handle, mode)
                asking()
                return io.BufferedRandom(raw) if "+" in mode else io.BufferedWriter(raw)
            return real_open(handle, mode, *rest, **more)

        def asked(name: str) -> Callable[..., Any]:
            def call(path: Any, *rest: Any, **more: Any) -> Any:
                if name != "unlink" or not os.fspath(path).endswith(".part"):  # clearing up is not what is tested
                    asking()
                return real[name](path, *rest, **more)

            return call

        real_sync = os.fsync

        def synced(handle: int) -> None:
            asking()
            real_sync(handle)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(os, "fdopen", opened)
            patch.setattr(os, "fsync", synced)
            for name in real:
                patch.setattr(os, name, asked(name))
            yield


@pytest.mark.parametrize("chunk", [2000, 1 << 20])
def test_a_disk_that_refuses_at_any_point_leaves_the_old_or_the_new(
    tmp_path: Path, planned: Callable[..., ArchivePlan], monkeypatch: pytest.MonkeyPatch, chunk: int
) -> None:
    # SQLite's way: fail the Nth operation for N = 1, 2, 3 … until a run is not hit.
    monkeypatch.setattr(packing, "CHUNK", chunk)
    made = planned(tmp_path / "in", {f"{n}.bin": os.urandom(9000) for n in range(6)})
    new = build(made, tmp_path / "reference" / "x.zip", QUIET)
    fresh = _state(new.target)
    target, before = _old(tmp_path)
    for at in range(1, 500):
        target.write_bytes(b"the old archive")
        checksum_path(target).write_bytes(b"its sum")
        refusing = _Refusing(at)
        with refusing.everywhere(), contextlib.suppress(CompanionError):
            build(made, target, QUIET)
        state = _state(target)
        if not refusing.hit:
            assert state == fresh
            break
        assert state == before, at
    else:
        pytest.fail("it was hit 500 times")
    assert at > 8


def test_a_disk_that_refuses_a_first_archive_leaves_none(tmp_path: Path, planned: Callable[..., ArchivePlan]) -> None:
    made = planned(tmp_path / "in", {"a.bin": b"a"})
    (tmp_path / "out").mkdir()
    target = tmp_path / "out" / "x.zip"
    for at in range(1, 100):
        refusing = _Refusing(at)
        with refusing.everywhere(), contextlib.suppress(CompanionError):
            build(made, target, QUIET)
        if not refusing.hit:
            break
        assert _state(target) == {}, at
    assert _state(target).keys() == {"x.zip", "x.zip.sha256"}
    assert at > 8


@pytest.mark.parametrize("goes_on", [False, True])
def test_where_a_file_has_one_name_only_the_new_archive_stands_without_a_checksum(
    tmp_path: Path, planned: Callable[..., ArchivePlan], monkeypatch: pytest.MonkeyPatch, goes_on: bool
) -> None:
    """A memory stick, say: the old archive cannot be kept under a second name while the new one takes its place."""

    def no_links(*_: Any, **__: Any) -> None:
        raise OSError(1, "Operation not permitted")

    real = os.replace
    renames: list[str] = []

    def replace(path: str, to: str, **folders: int) -> None:
        renames.append(to)
        if len(renames) == 3 or (goes_on and len(renames) > 3):  # the checksum, aside; the archive; its checksum
            raise OSError(5, "Input/output error")
        real(path, to, **folders)

    made = planned(tmp_path / "in", {"a.bin": b"a"})
    target, _ = _old(tmp_path)
    if not goes_on:
        monkeypatch.setattr(os, "link", no_links)
    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(CompanionError, match="The disk reports a fault"):
        build(made, target, QUIET)
    assert zipfile.ZipFile(target).testzip() is None
    assert _state(target).keys() == {"x.zip"}


_BUILDER = """
import hashlib, sys
from pathlib import Path
from companion.archive.build import pending_archive
from companion.archive.plan import plan
from companion.core.progress import QUIET
folder, target = Path(sys.argv[1]), Path(sys.argv[2])
paths = sorted(folder.iterdir())
files = [(p.name, p, p.stat().st_size, hashlib.sha256(p.read_bytes()).hexdigest()) for p in paths]
print("ready", flush=True)
while True:
    with pending_archive(plan("Slate Choir", files), target, QUIET) as new:
        new.accept()
    print("built", flush=True)
"""


@pytest.mark.skipif(os.name == "nt", reason="kill -9 is a POSIX thing")
def test_killed_at_any_moment_the_old_archive_or_the_new_stands(
    tmp_path: Path, planned: Callable[..., ArchivePlan]
) -> None:
    _killed(tmp_path, planned, times=6)


@pytest.mark.campaign
def test_killed_two_hundred_times(tmp_path: Path, planned: Callable[..., ArchivePlan]) -> None:
    _killed(tmp_path, planned, times=200)


def _killed(tmp_path: Path, planned: Callable[..., ArchivePlan], times: int) -> None:
    made = planned(tmp_path / "in", {f"{n}.bin": random.Random(n).randbytes(400_000) for n in range(20)})
    new = build(made, tmp_path / "reference" / "x.zip", QUIET)
    target, before = _old(tmp_path)
    part_seen = 0
    for turn in range(times):
        target.write_bytes(b"the old archive")
        checksum_path(target).write_bytes(b"its sum")
        with subprocess.Popen(
            [sys.executable, "-c", _BUILDER, str(tmp_path / "in"), str(target)], stdout=subprocess.PIPE
        ) as process:
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(random.Random(turn).uniform(0, 0.08))
            process.kill()
        state = _state(target)
        parts = [name for name in state if name.endswith(".part")]
        part_seen += bool(parts)
        assert all(name.startswith(".x.") for name in parts)
        archive = state["x.zip"]
        assert hashlib.sha256(archive).hexdigest() == new.sha256 or archive == b"the old archive"
        checksum = state.get("x.zip.sha256")
        if checksum is not None:
            assert (checksum == b"its sum") == (archive == b"the old archive")
    built = build(made, target, QUIET)
    assert built.sha256 == new.sha256
    assert _state(target).keys() == before.keys()  # what the killed left behind is cleared
    print(
        f"\n{times} kills, {part_seen} of them while an archive was being written: the old or the new stood each time"
    )
    assert part_seen, "no kill came while an archive was being written"


def test_programs_are_known_by_their_beginning_wherever_they_lay(
    tmp_path: Path, planned: Callable[..., ArchivePlan]
) -> None:
    chunk = 9 << 20  # large enough to go in pieces
    programs = {
        "install": b"#!/bin/sh\n",
        "elf": b"\x7fELF\2",
        "mac": b"\xcf\xfa\xed\xfe",
        "big": b"#!" + random.Random(1).randbytes(chunk),
        "big text": b"#!" + b"slate " * (chunk // 6),
    }
    others = {"a.wav": b"RIFF", "empty.sh": b"", "# notes": b"# no program", "noise": random.Random(2).randbytes(chunk)}
    made = planned(tmp_path / "in", {**programs, **others})
    for index, member in enumerate(made.members):
        assert member.source is not None
        member.source.chmod(0o755 if index % 2 else 0o644)
    build(made, tmp_path / "x.zip", QUIET)
    with zipfile.ZipFile(tmp_path / "x.zip") as archive:
        modes = {info.filename.removeprefix("Slate Choir/"): info.external_attr >> 16 for info in archive.infolist()}
        assert archive.testzip() is None
    assert modes == dict.fromkeys(programs, 33261) | dict.fromkeys(others, 33188)


def test_large_members_that_pack_well_are_packed_whole_by_the_better_coder(
    tmp_path: Path, planned: Callable[..., ArchivePlan], audio: Callable[..., bytes]
) -> None:
    """One channel recorded twice, the plainest case: isal alone leaves it a third to a half larger."""
    long = audio(coders.CHUNK + 1, dual=True)
    longer = audio(coders.WHOLE + 1, dual=True)
    plain = audio(coders.CHUNK + 1)
    made = planned(tmp_path / "in", {"long.wav": long, "longer.wav": longer, "plain.wav": plain, "z.txt": b"behind"})
    one = build(made, tmp_path / "one.zip", QUIET, threads=1)
    assert build(made, tmp_path / "many.zip", QUIET, threads=5).sha256 == one.sha256
    with zipfile.ZipFile(one.target) as archive:
        packed = {info.filename.removeprefix("Slate Choir/"): info.compress_size for info in archive.infolist()}
        assert archive.testzip() is None
    level6 = len(zlib.compress(long, 6))
    assert packed["long.wav"] < 1.01 * level6
    assert packed["longer.wav"] > 1.1 * level6 * len(longer) / len(long), (
        "memory has a bound: what is larger goes in pieces"
    )
    assert packed["plain.wav"] == sum(
        len(part)
        for at in (0, coders.CHUNK)
        for part in coders.packed_piece(plain[at : at + coders.CHUNK], last=at > 0)
    )


_MEMORY = """
import hashlib, sys
from pathlib import Path
from companion.archive import external
from companion.archive.build import pending_archive
from companion.archive.plan import plan
from companion.archive.prove import prove
from companion.core.progress import QUIET
source, folder = Path(sys.argv[1]), Path(sys.argv[2])
with source.open("rb") as stream:
    sha256 = hashlib.file_digest(stream, "sha256").hexdigest()
size = source.stat().st_size
files = [(f"long {n}.wav", source, size, sha256) for n in range(int(sys.argv[3]))]
if len(sys.argv) > 4:
    other = Path(sys.argv[4])
    sha256 = hashlib.sha256(other.read_bytes()).hexdigest()
    files += [(f"long {n}, other.wav", other, other.stat().st_size, sha256) for n in range(len(files))]
made = plan("Slate Choir", files)
with pending_archive(made, folder / "x.zip", QUIET) as new:
    new.accept()
external.ask = lambda path, watch: []
proof = prove(folder / "x.zip", manifest=made.manifest, into=folder / "into", watch=QUIET)
assert proof.extracted and not proof.findings, proof.findings
# Not ru_maxrss: that starts at what the parent held when it forked, and a test worker holds much.
status = Path("/proc/self/status").read_text()
print(int(status.partition("VmHWM:")[2].split()[0]) // 1024)
"""


def _peak_memory(place: Path, block: bytes, megabytes: int, copies: int = 1, *others: Path) -> int:
    """Return the peak in MiB of building and proving an archive with so many files of that size, others between."""
    source = place / "long.wav"
    with source.open("wb") as stream:
        for _ in range(megabytes):
            stream.write(block)
    done = subprocess.run(
        [sys.executable, "-c", _MEMORY, str(source), str(place), str(copies), *map(str, others)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read in kibibytes as Linux tells it")
@pytest.mark.parametrize("kind", ["audio", "noise"])
@pytest.mark.parametrize("megabytes", [160, pytest.param(4800, marks=pytest.mark.slow)])
def test_memory_is_bounded_whatever_the_size_of_a_file(
    tmp_path: Path, audio: Callable[..., bytes], kind: str, megabytes: int
) -> None:
    block = audio(1 << 20) if kind == "audio" else random.Random(1).randbytes(1 << 20)
    peak = _peak_memory(tmp_path, block, megabytes)
    print(f"\npeak memory with {megabytes} MiB of {kind}: {peak} MiB (at most 150 MB)")
    assert peak < 143  # MiB, of 150 MB


@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is read in kibibytes as Linux tells it")
def test_memory_is_bounded_when_many_large_members_are_packed_whole(
    tmp_path: Path, audio: Callable[..., bytes]
) -> None:
    """Just under the size, and packing just well enough, so that what comes out is large too."""
    block = audio(10 << 16, dual=True) + audio(6 << 16)
    assert 0.6 < coders.shares([block])[0] < coders.PACKS_WELL
    size = (coders.WHOLE >> 20) - 1
    (tmp_path / "pieces.wav").write_bytes(audio(1 << 20) * size)
    for others in ((), (tmp_path / "pieces.wav",)):
        place = tmp_path / f"with {len(others)}"
        place.mkdir()
        peak = _peak_memory(place, block, size, 6, *others)
        print(f"\npeak memory with six of {size} MiB packed whole, {len(others)} between: {peak} MiB (at most 150 MB)")
        assert peak < 143  # MiB, of 150 MB


def test_large_members_that_do_not_pack_after_all_are_stored(
    tmp_path: Path, planned: Callable[..., ArchivePlan], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(packing, "CHUNK", 10_000)
    monkeypatch.setattr(coders, "seems_packable", lambda samples: True)
    noise = random.Random(1).randbytes(55_555)
    built = build(planned(tmp_path / "in", {"a.bin": noise, "b.txt": b"b" * 99}), tmp_path / "x.zip", QUIET)
    with zipfile.ZipFile(built.target) as archive:
        assert [info.compress_type for info in archive.infolist()] == [0, 8]
        assert archive.read("Slate Choir/a.bin") == noise
        assert archive.testzip() is None
    assert built.sha256 == hashlib.sha256(built.target.read_bytes()).hexdigest()
