from __future__ import annotations

import hashlib
import os
import random
import shutil
import sys
import threading
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import deflate
import pytest

from companion.archive import external, packing, unpacking
from companion.archive.build import PendingArchive, pending_archive
from companion.archive.inspect import inspect
from companion.archive.model import Opened, Opinion
from companion.archive.plan import ArchivePlan
from companion.archive.prove import Proof, prove
from companion.archive.unpacking import unpack
from companion.core import regular
from companion.core.errors import Cancelled, CompanionError
from companion.core.progress import QUIET, Progress, Watch

RawZip = Callable[..., Path]


def build(made: ArchivePlan, target: Path) -> PendingArchive:
    with pending_archive(made, target, QUIET) as new:
        new.accept()
    return new


def _whole(proof: Proof) -> bool:
    return proof.extracted is not None and not any(finding.blocks for finding in proof.findings)


@pytest.fixture(autouse=True)
def _nobody_else(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ask no other unpacker: what it said would hide what the companion misses."""
    monkeypatch.setattr(external, "ask", lambda path, watch: [])


@pytest.fixture
def proven(tmp_path: Path) -> Callable[..., Proof]:
    turn = iter(range(1000))

    def run(path: Path, **more: Any) -> Proof:
        return prove(path, into=tmp_path / f"into{next(turn)}", watch=QUIET, **more)

    return run


def _rules(proof: Proof) -> list[str]:
    return sorted({finding.rule for finding in proof.findings})


@pytest.fixture(params=[8 << 20, 3000])
def sizes(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run a test with members opened in memory, and again with them streamed."""
    monkeypatch.setattr(unpacking, "WHOLE", request.param)
    monkeypatch.setattr(unpacking, "BLOCK", min(request.param, 1 << 20))
    monkeypatch.setattr(packing, "CHUNK", request.param)


@pytest.mark.usefixtures("sizes")
@pytest.mark.parametrize("threads", [1, 3])
def test_what_went_in_comes_out(
    tmp_path: Path,
    planned: Callable[..., ArchivePlan],
    audio: Callable[..., bytes],
    proven: Callable[..., Proof],
    threads: int,
) -> None:
    contents = {
        "Samples/ä.wav": audio(50_000),
        "Samples/noise.bin": random.Random(1).randbytes(30_000),
        "a/b/c/d.txt": b"deep",
        "empty": b"",
        "run.sh": b"#!",
    }
    made = planned(tmp_path / "in", contents)
    built = build(made, tmp_path / "x.zip")
    proof = proven(built.target, manifest=made.manifest, checksum=built.sha256, threads=threads)
    assert proof.findings == ()
    assert _whole(proof)
    assert (proof.members, proof.bytes, proof.size, proof.sha256) == (5, made.size, built.size, built.sha256)
    assert proof.checked_with == ("the companion",)
    assert proof.extracted is not None
    found = {
        path.relative_to(proof.extracted).as_posix(): path for path in proof.extracted.rglob("*") if path.is_file()
    }
    assert {name: path.read_bytes() for name, path in found.items()} == {
        f"Slate Choir/{path}": data for path, data in contents.items()
    }
    if os.name != "nt":
        assert [name for name, path in found.items() if path.stat().st_mode & 0o100] == ["Slate Choir/run.sh"]


def test_other_content_is_told_from_the_manifest(
    tmp_path: Path, planned: Callable[..., ArchivePlan], proven: Callable[..., Proof]
) -> None:
    built = build(planned(tmp_path / "in", {"a.wav": b"a", "b.wav": b"b", "c.wav": b"c"}), tmp_path / "x.zip")
    wanted = planned(tmp_path / "other", {"a.wav": b"a", "b.wav": b"B", "d.wav": b"d"}).manifest
    proof = proven(built.target, manifest=wanted)
    assert [(finding.rule, finding.path) for finding in proof.findings] == [
        ("archive-differs", "Slate Choir/b.wav"),
        ("archive-differs", "Slate Choir/c.wav"),
        ("archive-differs", "Slate Choir/d.wav"),
    ]
    assert not _whole(proof)
    assert proof.extracted  # everything came out; it is not what it should be


def test_a_wrong_checksum_blocks_and_says_which_file_is_damaged(
    tmp_path: Path, planned: Callable[..., ArchivePlan], proven: Callable[..., Proof]
) -> None:
    noise = random.Random(1).randbytes(5000)
    made = planned(tmp_path / "in", {"a.bin": noise, "b.bin": noise[::-1]})
    built = build(made, tmp_path / "x.zip")
    data = bytearray(built.target.read_bytes())
    data[100] ^= 1
    built.target.write_bytes(bytes(data))
    proof = proven(built.target, checksum=built.sha256)
    assert [(finding.rule, finding.path) for finding in proof.findings] == [
        ("archive-differs", "Slate Choir/a.bin"),
        ("checksum-wrong", ""),
    ]
    assert "CRC-32" in proof.findings[0].measured
    assert (tmp_path / "into0" / "Slate Choir" / "b.bin").read_bytes() == noise[::-1]
    assert proof.extracted is None


@pytest.mark.parametrize("known", [False, True])
def test_damage_in_what_is_packed_is_found_whichever_coder_reads_it(
    tmp_path: Path,
    planned: Callable[..., ArchivePlan],
    audio: Callable[..., bytes],
    proven: Callable[..., Proof],
    known: bool,
) -> None:
    """What our own coders packed goes through the quick one, which says no more than that it is not whole."""
    made = planned(tmp_path / "in", {"a.wav": audio(50_000), "b.wav": audio(50_000, seed=2)})
    built = build(made, tmp_path / "x.zip")
    data = bytearray(built.target.read_bytes())
    data[inspect(built.target).members[0].data + 20_000] ^= 1
    built.target.write_bytes(bytes(data))
    proof = proven(built.target, manifest=made.manifest if known else None)
    assert [(finding.rule, finding.path) for finding in proof.findings] == [("archive-differs", "Slate Choir/a.wav")]
    assert "damaged" in proof.findings[0].measured
    assert (tmp_path / "into0" / "Slate Choir" / "b.wav").read_bytes() == audio(50_000, seed=2)


@pytest.mark.usefixtures("sizes")
@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ({"packed": b"\x07" + bytes(6000)}, "damaged"),
        ({"packed": zlib.compress(b"x" * 9000)}, "damaged"),
        ({"local": {"crc": 1}, "central": {"crc": 1}}, "CRC-32"),
        ({"local": {"size": 8999}, "central": {"size": 8999}}, "more than the 8,999 bytes"),
        ({"local": {"size": 9001}, "central": {"size": 9001}}, "9,000 of the 9,001"),
        ({"method": 0, "local": {"size": 9001}, "central": {"size": 9001}}, "9,000 of the 9,001"),
        ({"method": 0, "local": {"size": 8000}, "central": {"size": 8000}}, "more than the 8,000"),
        ({"trailing": b"hidden"}, "behind its end"),
        ({"short": 3}, ""),
    ],
)
def test_members_that_are_not_what_they_promise(
    raw_zip: RawZip, proven: Callable[..., Proof], tmp_path: Path, entry: dict[str, Any], says: str
) -> None:
    entry = dict(entry)
    data = random.Random(2).randbytes(4500) * 2
    coder = zlib.compressobj(6, zlib.DEFLATED, -15)
    packed = coder.compress(data) + coder.flush() + entry.pop("trailing", b"")
    packed = packed[: len(packed) - entry.pop("short", 0)]
    given = {"data": data} | ({} if entry.get("method") == 0 else {"packed": packed}) | entry
    proof = proven(raw_zip(given, {"name": "Slate Choir/good.wav"}))
    assert [(finding.rule, finding.path) for finding in proof.findings] == [("archive-differs", "Slate Choir/one.wav")]
    assert says in proof.findings[0].measured
    assert not _whole(proof)
    assert (tmp_path / "into0" / "Slate Choir" / "good.wav").read_bytes() == b"content"


@pytest.mark.parametrize(
    ("entry", "rule"),
    [
        ({"name": "S/../../climbed"}, "member-escapes"),
        ({"name": "/tmp/rooted"}, "member-escapes"),
        ({"mode": 0o120777, "data": b"/etc"}, "member-escapes"),
        ({"name": "Slate Choir/Other.wav"}, "member-duplicate"),
        ({"flags": 1}, "member-encrypted"),
        ({"method": 12}, "method-uncommon"),
        ({"central": {"offset": 0}}, "archive-bomb"),
        ({"local": {"crc": 5}}, "archive-differs"),
    ],
)
def test_what_is_dangerous_is_refused_before_anything_is_written(
    raw_zip: RawZip, tmp_path: Path, entry: dict[str, Any], rule: str
) -> None:
    path = raw_zip({"name": "Slate Choir/other.wav"}, entry)
    before = sorted(tmp_path.rglob("*"))
    proof = prove(path, into=tmp_path / "into", watch=QUIET, manifest={"Slate Choir/other.wav": (7, "x")})
    assert rule in _rules(proof)
    assert proof.extracted is None
    assert not _whole(proof)
    assert proof.checked_with == ()
    assert sorted(tmp_path.rglob("*")) == before


def test_blemishes_block_and_it_is_opened_all_the_same(raw_zip: RawZip, proven: Callable[..., Proof]) -> None:
    proof = proven(raw_zip({"name": "ä.wav", "flags": 0}, {"name": "S/b"}), limit_bytes=10)
    assert _rules(proof) == ["name-unflagged", "size-over-limit", "top-level-many"]
    assert proof.extracted is not None
    assert len(list(proof.extracted.rglob("*"))) == 3
    assert not _whole(proof)


def test_folders_listed_as_members_come_out(raw_zip: RawZip, proven: Callable[..., Proof]) -> None:
    proof = proven(raw_zip({"name": "S/empty/", "data": b"", "method": 0, "mode": 0o040755}, {"name": "S/a"}))
    assert _whole(proof)
    assert proof.members == 1
    assert proof.extracted is not None
    assert (proof.extracted / "S" / "empty").is_dir()


def test_a_place_that_is_not_empty_is_refused(raw_zip: RawZip, tmp_path: Path) -> None:
    with pytest.raises(CompanionError, match="not empty"):
        prove(raw_zip(), into=tmp_path, watch=QUIET)


def test_too_little_room_is_told_before_anything_is_written(
    raw_zip: RawZip, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = type("Usage", (), {"free": 6})
    monkeypatch.setattr(shutil, "disk_usage", lambda place: usage)
    with pytest.raises(CompanionError, match="unpacks to 7 B, and only 6 B are free"):
        prove(raw_zip(), into=tmp_path / "deep" / "into", watch=QUIET)
    assert not (tmp_path / "deep").exists()


def test_a_name_this_disk_refuses_costs_that_file(
    tmp_path: Path, raw_zip: RawZip, proven: Callable[..., Proof]
) -> None:
    proof = proven(raw_zip({"name": "S/" + "x" * 300}, {"name": "S/" + "y" * 300 + "/z"}, {"name": "S/a.wav"}))
    assert [finding.rule for finding in proof.findings] == ["archive-differs"] * 2
    assert all("cannot be written here" in finding.measured for finding in proof.findings)
    assert [path.name for path in (tmp_path / "into0" / "S").iterdir()] == ["a.wav"]


def test_a_full_disk_is_told(raw_zip: RawZip, proven: Callable[..., Proof], monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, member: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(unpacking, "_new_file", full)
    with pytest.raises(CompanionError, match="Free some space"):
        proven(raw_zip())


@pytest.mark.usefixtures("sizes")
@pytest.mark.parametrize("known", [False, True])
def test_what_reads_back_differently_is_found(
    raw_zip: RawZip, proven: Callable[..., Proof], monkeypatch: pytest.MonkeyPatch, known: bool
) -> None:
    data = b"content" * 999
    real = unpacking._put
    monkeypatch.setattr(unpacking, "_put", lambda target, block: real(target, bytes(block).replace(b"c", b"k")))
    manifest = {"Slate Choir/one.wav": (len(data), hashlib.sha256(data).hexdigest())} if known else None
    proof = proven(raw_zip({"data": data}), manifest=manifest)
    assert [finding.measured for finding in proof.findings] == ["what was written reads back differently"]


def test_a_system_that_takes_a_little_at_a_time_gets_all() -> None:
    class Slow:
        taken = b""

        def write(self, data: memoryview) -> int:
            self.taken += bytes(data[:7])
            return len(bytes(data[:7]))

    slow: Any = Slow()
    unpacking._put(slow, b"content of some length")
    assert slow.taken == b"content of some length"


def test_it_can_be_stopped(tmp_path: Path, planned: Callable[..., ArchivePlan]) -> None:
    made = planned(tmp_path / "in", {f"{n}.bin": os.urandom(300_000) for n in range(20)})
    built = build(made, tmp_path / "x.zip")

    def show(progress: Progress) -> None:
        if progress.what == "Opening and comparing" and progress.done > 1_000_000:
            watch.cancel()

    watch = Watch(show, every=0.0)
    with pytest.raises(Cancelled):
        prove(built.target, into=tmp_path / "into", watch=watch)
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("unpack")]


def test_others_are_asked_while_it_is_opened(
    raw_zip: RawZip, proven: Callable[..., Proof], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked, opened = threading.Event(), threading.Event()
    real = unpack

    def ask(path: Path, watch: Watch) -> list[Opinion]:
        asked.set()
        return [Opinion(tool="unzip", complaint="" if opened.wait(20) else "asked before, not meanwhile")]

    def unpacking_too(*given: Any, **named: Any) -> list[Opened]:
        assert asked.wait(20), "asked afterwards, not meanwhile"
        opened.set()
        return real(*given, **named)

    monkeypatch.setattr(external, "ask", ask)
    monkeypatch.setattr("companion.archive.prove.unpack", unpacking_too)
    proof = proven(raw_zip())
    assert proof.findings == ()
    assert proof.checked_with == ("the companion", "unzip")


def test_nobody_is_shown_an_archive_that_is_refused(
    raw_zip: RawZip, proven: Callable[..., Proof], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(external, "ask", lambda path, watch: pytest.fail("it was asked"))
    path = raw_zip({"name": "S/../a"})
    proof = proven(path, checksum="0" * 64)
    assert _rules(proof) == ["checksum-wrong", "member-escapes"]
    assert proof.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_what_goes_on_meanwhile_ends_with_the_opening(
    raw_zip: RawZip, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that refuses, or a person who stops it, must not wait for the others to come to their end."""
    ended = []

    def ask(path: Path, watch: Watch) -> list[Opinion]:
        for _ in range(2000):
            if watch.cancelled:
                ended.append("stopped")
                return []
            time.sleep(0.01)
        ended.append("at its own end")
        return []

    def refusing(*given: Any, **named: Any) -> list[Opened]:
        raise CompanionError("No room", "", "")

    monkeypatch.setattr(external, "ask", ask)
    monkeypatch.setattr("companion.archive.prove.unpack", refusing)
    with pytest.raises(CompanionError, match="No room"):
        prove(raw_zip(), into=tmp_path / "into", watch=QUIET)
    assert ended == ["stopped"]
    monkeypatch.setattr("companion.archive.prove.unpack", unpack)
    watch = Watch(lambda progress: watch.cancel() if progress.what.startswith("Waiting") else None)
    with pytest.raises(Cancelled):
        prove(raw_zip(), into=tmp_path / "other", watch=watch)
    assert ended == ["stopped", "stopped"]


def test_hostile_names_come_out_inert(raw_zip: RawZip, proven: Callable[..., Proof]) -> None:
    proof = proven(raw_zip({"name": "S/\x1b]0;x\x07[@click=app.quit].wav\u202e"}, {"name": "\x1b[2J"}))
    assert "top-level-many" in _rules(proof)
    assert "\x1b" not in "".join(finding.measured + finding.where + finding.mend for finding in proof.findings)


# --- damaged copies -------------------------------------------------------------------------------------------------


def _damaged_copies(
    tmp_path: Path, planned: Callable[..., ArchivePlan], audio: Callable[..., bytes], copies: int, anywhere: bool
) -> dict[str, int]:
    """libarchive's way: damage 1 % of the bytes, again and again; anywhere, or only where members' bytes lie."""
    contents = {f"Samples/note {n}.wav": audio(4000 + 100 * n, seed=n) for n in range(6)}
    contents |= {"Slate Choir.patch": random.Random(3).randbytes(3000), "ReadMe ä.txt": b"Unzip first. " * 90}
    archive = build(planned(tmp_path / "in", contents), tmp_path / "x.zip").target
    whole = archive.read_bytes()
    places = list(range(len(whole)))
    if not anywhere:
        places = [at for seen in inspect(archive).members for at in range(seen.data, seen.data + seen.packed)]
    ends = {"no archive": 0, "refused unopened": 0, "damaged": 0}
    refusals = set()
    for turn in range(copies):
        order = random.Random(turn)
        data = bytearray(whole)
        for at in order.sample(places, len(places) // 100):
            data[at] ^= order.randrange(1, 256)
        path = tmp_path / "damaged.zip"
        path.write_bytes(bytes(data))
        into = tmp_path / f"into{turn}"
        try:  # nothing but the archive itself is given: no checksum, no manifest
            proof = prove(path, into=into, watch=QUIET)
        except CompanionError as error:
            refusals.add(error.what)
            ends["no archive"] += 1
            continue
        assert not _whole(proof), turn
        assert any(finding.blocks for finding in proof.findings), turn
        # A contradiction between headers has a place in the archive; damage found by opening has only a name.
        ends["refused unopened" if any(finding.where for finding in proof.findings) else "damaged"] += 1
        shutil.rmtree(into, ignore_errors=True)
    assert refusals <= {"This is not a zip archive"}
    return ends


@pytest.mark.parametrize("anywhere", [True, False])
def test_a_hundred_damaged_copies_are_each_refused(
    tmp_path: Path, planned: Callable[..., ArchivePlan], audio: Callable[..., bytes], anywhere: bool
) -> None:
    ends = _damaged_copies(tmp_path, planned, audio, 100, anywhere)
    assert sum(ends.values()) == 100
    assert anywhere or ends["damaged"] == 100  # headers are whole, so it takes opening to tell


@pytest.mark.campaign
@pytest.mark.parametrize("anywhere", [True, False])
def test_a_thousand_damaged_copies_are_each_refused(
    tmp_path: Path, planned: Callable[..., ArchivePlan], audio: Callable[..., bytes], anywhere: bool
) -> None:
    ends = _damaged_copies(tmp_path, planned, audio, 1000, anywhere)
    print(f"\n1,000 copies damaged {'anywhere' if anywhere else 'in their members'}: {ends}")
    assert sum(ends.values()) == 1000


def test_one_changed_byte_anywhere_is_found_by_the_checksum(
    tmp_path: Path, planned: Callable[..., ArchivePlan], proven: Callable[..., Proof]
) -> None:
    built = build(planned(tmp_path / "in", {"a.wav": b"abc"}), tmp_path / "x.zip")
    whole = built.target.read_bytes()
    refusals = set()
    for at in range(len(whole)):
        built.target.write_bytes(whole[:at] + bytes([whole[at] ^ 0x40]) + whole[at + 1 :])
        try:
            assert not _whole(proven(built.target, checksum=built.sha256))
        except CompanionError as error:
            refusals.add(error.what)
    assert refusals <= {"This is not a zip archive"}


@pytest.mark.skipif(sys.platform == "win32", reason="opens a file the system holds back")
def test_an_archive_that_cannot_be_read_is_told(raw_zip: RawZip, tmp_path: Path) -> None:
    path = raw_zip()
    real = regular.handle_of

    def refusing(asked: Path) -> int:
        if asked == path:
            raise OSError(5, "Input/output error")
        return real(asked)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(regular, "handle_of", refusing)
        with pytest.raises(CompanionError, match="The disk reports a fault"):
            prove(path, into=tmp_path / "into", watch=QUIET)


def test_sums_are_those_of_the_files_on_disk(tmp_path: Path, raw_zip: RawZip) -> None:
    path = raw_zip({"data": b"x" * 99})
    (opened,) = unpack(path, inspect(path).members, tmp_path / "into", QUIET)
    assert opened == Opened(name="Slate Choir/one.wav", size=99, sha256=hashlib.sha256(b"x" * 99).hexdigest())


def test_length_symbols_the_standard_forbids_are_damage(
    raw_zip: Callable[..., Path], proven: Callable[..., Proof]
) -> None:
    """RFC 1951, 3.2.6: 286 and 287 never occur. libdeflate reads them as 285, which is 258 bytes; others refuse.

    The packed bytes by hand: one block of fixed codes, “a”, a length, distance 1, the end.
    """
    content = b"a" * 259
    forbidden, allowed = bytes.fromhex("4b1c0300"), bytes.fromhex("4b1c0500")
    assert deflate.deflate_decompress(forbidden, 259) == content
    with pytest.raises(zlib.error):
        zlib.decompress(forbidden, -15)
    assert zlib.decompress(allowed, -15) == content
    proof = proven(raw_zip({"name": "S/a", "data": content, "packed": forbidden}))
    assert _rules(proof) == ["archive-differs"]
    assert not _whole(proof)
    assert _whole(proven(raw_zip({"name": "S/a", "data": content, "packed": allowed})))
