"""What is called whole is read alike by everyone: held against unzip, 7z, bsdtar and Python's zipfile.

Archives of six writers are changed in their headers, and packed streams in their bits; what the companion then calls
whole must come out of all four, byte for byte, under the same names, readable by its owner. The other way round nothing
is promised: what one of the four would have read may be refused, and how often that is so is printed.
"""

from __future__ import annotations

import io
import os
import random
import shutil
import stat
import struct
import subprocess
import zipfile
import zlib
from collections import Counter, defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NamedTuple

import deflate
import pytest
from isal import isal_zlib

from companion.archive import coders, external
from companion.archive.inspect import inspect
from companion.archive.plan import ArchivePlan
from companion.archive.prove import prove
from companion.archive.unpacking import unpack
from companion.contents.rules import check_names
from companion.core.errors import CompanionError
from companion.core.findings import Severity
from companion.core.progress import QUIET
from tests.archive.structures import KINDS, Taken, put_together_otherwise

pytestmark = pytest.mark.skipif(os.name == "nt", reason="permissions and two of the programs are POSIX")

PROGRAMS: Final = {"unzip": "unzip", "7z": "p7zip-full", "bsdtar": "libarchive-tools", "zip": "zip"}
Tree = dict[str, bytes | str]
"""Content by path; in its place a word for what cannot be read."""


@pytest.fixture(autouse=True)
def _nobody_else(monkeypatch: pytest.MonkeyPatch, installed: Callable[[str, str], str]) -> None:
    """Judge alone: what others say would hide what the companion misses."""
    for program, package in PROGRAMS.items():
        installed(program, package)
    monkeypatch.setattr(external, "ask", lambda path, watch: [])
    monkeypatch.setenv("LC_ALL", "C.UTF-8")


def tree(folder: Path) -> Tree:
    """Return what lies below ``folder`` as its owner can read it: root could read everything."""
    found: Tree = {}
    for path in folder.rglob("*"):
        name, mode = path.relative_to(folder).as_posix(), path.lstat().st_mode
        if stat.S_ISDIR(mode):
            if mode & 0o500 != 0o500:
                found[name] = "a locked folder"
        elif not stat.S_ISREG(mode):
            found[name] = "no file"
        else:
            found[name] = path.read_bytes() if mode & 0o400 else "a locked file"
    return found


def cleared(folder: Path) -> Path:
    if folder.exists():
        subprocess.run(["chmod", "-R", "u+rwx", folder], check=True)
        shutil.rmtree(folder)
    folder.mkdir()
    return folder


def read_by_all(archive: Path, work: Path) -> dict[str, Tree | str]:
    """Return what each of the four makes of an archive, or what it complains of."""
    read: dict[str, Tree | str] = {}
    commands: dict[str, list[str | Path]] = {
        "unzip": ["unzip", "-q", "-o", archive, "-d", work / "unzip"],
        "7z": ["7z", "x", "-y", "-bd", "-p", f"-o{work / '7z'}", archive],
        "bsdtar": ["bsdtar", "-x", "-f", archive, "-C", work / "bsdtar"],
    }
    for tool, command in commands.items():
        (work / tool).mkdir()
        done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True)
        read[tool] = (
            tree(work / tool)
            if done.returncode == 0
            else (done.stderr or done.stdout).decode("utf-8", "replace")[-300:]
        )
    try:
        with zipfile.ZipFile(archive) as opened:
            opened.extractall(work / "python")
        read["python"] = tree(work / "python")
    except Exception as error:
        read["python"] = repr(error)
    return read


# --- headers --------------------------------------------------------------------------------------------------------


@pytest.fixture
def bases(tmp_path: Path, planned: Callable[..., ArchivePlan]) -> dict[str, bytes]:
    """The same small instrument, packed by six writers."""
    from companion.archive.build import pending_archive

    files = {
        "a.txt": b"Unzip first. " * 40,
        "sub/b.wav": random.Random(1).randbytes(300),
        "ü.txt": "für alle".encode() * 9,
    }
    made = planned(tmp_path / "made" / "S", files, top="S")
    with pending_archive(made, tmp_path / "made" / "ours.zip", QUIET) as new:
        new.accept()
    for path in (tmp_path / "made" / "S").rglob("*"):
        os.utime(path, (1e9, 1e9))  # the same headers on every day
    for command in (
        "zip -q -r zip.zip S/a.txt S/sub",  # it flags no name
        "zip -q -fd -r - S/a.txt S/sub > streamed.zip",
        "7z a -bd -y 7z.zip S > /dev/null",
        "bsdtar -c --format zip -f bsdtar.zip S",
    ):
        subprocess.run(command, cwd=tmp_path / "made", check=True, shell=True)
    with zipfile.ZipFile(tmp_path / "made" / "python.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(f"S/{name}", data)
        archive.comment = b"Thank you"
    return {path.stem: path.read_bytes() for path in sorted((tmp_path / "made").glob("*.zip"))}


class Layout(NamedTuple):
    """Where the headers of an archive lie. members: offset, and length with its name and extra, of each local header.

    directory: where it starts; entries: offsets in it.
    """

    members: list[tuple[int, int]]
    directory: int
    entries: list[int]
    end: int


def layout_of(data: bytes) -> Layout:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        offsets, directory = [member.header_offset for member in archive.infolist()], archive.start_dir
    members = [(at, 30 + sum(struct.unpack_from("<2H", data, at + 26))) for at in offsets]
    entries, at = [], directory
    for _ in members:
        entries.append(at)
        at += 46 + sum(struct.unpack_from("<3H", data, at + 28))
    return Layout(members, directory, entries, at)


FIELDS: Final = (
    *(0x0001, 0x5455, 0x7875, 0x5855, 0x7855, 0x9901, 0x6C78, 0x7075, 0x6375),
    *(0x000A, 0x0017, 0x4341, 0xCAFE, 0x0000, 0x5A4C, 0x334D),
)
VALUES: Final = (0, 1, 2, 3, 4, 7, 8, 0x10, 0x14, 0x20, 0x2D, 0x40, 0x7F, 0x80, 0xFF, 0xA4, 0x81)


def with_other_bytes(data: bytes, chance: random.Random) -> bytes:
    """Change a byte or a few, nearly always in a header."""
    at = layout_of(data)
    places = [*range(at.directory, len(data))]
    places += [place for start, length in at.members for place in range(start, start + length)]
    changed = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        place = chance.choice(places) if chance.random() < 0.92 else chance.randrange(len(data))
        changed[place] = chance.choice(
            (chance.choice(VALUES), chance.randrange(256), changed[place] ^ 1 << chance.randrange(8))
        )
    return bytes(changed)


def with_other_fields(data: bytes, chance: random.Random) -> bytes:
    """Give one member other extra fields, in one of its headers or in both; every offset stays right."""
    new = b""
    for _ in range(chance.choice((1, 1, 2))):
        length = chance.choice((0, 1, 2, 3, 4, 5, 8, 9, 11, 12, 13, 16, 20, 24, chance.randrange(40)))
        content = chance.choice(
            (bytes(length), chance.randbytes(length), bytes(chance.choices((0, 1, 3, 255), k=length)))
        )
        new += struct.pack("<2H", chance.choice(FIELDS), length) + content
    new += chance.choice((b"", b"", b"", bytes(chance.randrange(1, 8)), chance.randbytes(chance.randrange(1, 4))))
    at, where = layout_of(data), chance.choice(("local", "central", "both"))
    chosen, keep = chance.randrange(len(at.members)), chance.random() < 0.5
    body, directory = b"", b""
    starts = sorted(start for start, _ in at.members)
    for number, ((start, length), entry) in enumerate(zip(at.members, at.entries, strict=True)):
        local, central = bytearray(data[start : start + 30]), bytearray(data[entry : entry + 46])
        name, extra, comment = struct.unpack_from("<3H", central, 28)
        own = data[start + 30 + name : start + length]
        far = data[entry + 46 + name : entry + 46 + name + extra]
        said = data[entry + 46 + name + extra : entry + 46 + name + extra + comment]
        if number == chosen:
            own = (own if keep else b"") + new if where != "central" else own
            far = (far if keep else b"") + new if where != "local" else far
        stop = next((other for other in starts if other > start), at.directory)
        struct.pack_into("<H", local, 28, len(own))
        struct.pack_into("<H", central, 30, len(far))
        struct.pack_into("<I", central, 42, len(body))
        raw = data[start + 30 : start + 30 + name]
        body += local + raw + own + data[start + length : stop]
        directory += central + raw + far + said
    end = bytearray(data[at.end :])
    struct.pack_into("<2I", end, 12, len(directory), len(body))
    return body + directory + bytes(end)


def _mutants(bases: dict[str, bytes], tmp_path: Path, first: int, last: int) -> Counter[str]:
    ends: Counter[str] = Counter()
    for seed in range(first, last):
        chance = random.Random(seed)
        base = bases[chance.choice(sorted(bases))]
        work = cleared(tmp_path / "work")
        archive = work / "mutant.zip"
        archive.write_bytes((with_other_fields if seed % 2 else with_other_bytes)(base, chance))
        try:
            proof = prove(archive, into=work / "ours", watch=QUIET)
        except CompanionError:
            ends["no archive"] += 1
            continue
        if any(finding.severity is not Severity.NOTES for finding in proof.findings):
            ends["refused"] += 1
            continue
        ends["whole"] += 1
        ours = tree(work / "ours")
        for tool, theirs in read_by_all(archive, work).items():
            assert theirs == ours, (seed, tool)
    return ends


def test_what_six_writers_pack_is_read_alike(bases: dict[str, bytes], tmp_path: Path) -> None:
    for name, data in bases.items():
        work = cleared(tmp_path / "work")
        archive = work / f"{name}.zip"
        archive.write_bytes(data)
        proof = prove(archive, into=work / "ours", watch=QUIET)
        assert proof.findings == (), name
        assert len(tree(work / "ours")) == (2 if name in ("zip", "streamed") else 3)
        assert all(theirs == tree(work / "ours") for theirs in read_by_all(archive, work).values()), name


def test_no_mutant_of_two_hundred_is_whole_that_another_refuses(bases: dict[str, bytes], tmp_path: Path) -> None:
    ends = _mutants(bases, tmp_path, 0, 200)
    assert ends["whole"] > 30, "else nothing was compared"
    assert ends["refused"] > 50


@pytest.mark.campaign
@pytest.mark.parametrize("part", range(10))
def test_no_mutant_of_twenty_thousand_is_whole_that_another_refuses(
    bases: dict[str, bytes], tmp_path: Path, part: int
) -> None:
    ends = _mutants(bases, tmp_path, part * 2000, part * 2000 + 2000)
    print(f"\nmutated archives {part * 2000:,} to {part * 2000 + 1999:,}: {dict(ends)}")
    assert sum(ends.values()) == 2000


# --- structure ------------------------------------------------------------------------------------------------------


def test_an_archive_taken_apart_is_put_together_as_good(bases: dict[str, bytes], tmp_path: Path) -> None:
    """Else the mutants below would all be refused for one reason."""
    for name, data in bases.items():
        work = cleared(tmp_path / "work")
        archive = work / f"{name}.zip"
        archive.write_bytes(Taken(data).together())
        assert prove(archive, into=work / "ours", watch=QUIET).findings == (), name
        assert all(theirs == tree(work / "ours") for theirs in read_by_all(archive, work).values()), name


def _otherwise(bases: dict[str, bytes], tmp_path: Path, first: int, last: int) -> dict[str, Counter[str]]:
    ends: dict[str, Counter[str]] = defaultdict(Counter)
    for seed in range(first, last):
        chance = random.Random(f"structure {seed}")
        data, how = put_together_otherwise(bases[chance.choice(sorted(bases))], chance)
        work = cleared(tmp_path / "work")
        archive = work / "mutant.zip"
        archive.write_bytes(data)
        try:
            proof = prove(archive, into=work / "ours", watch=QUIET)
        except CompanionError:
            ends[how]["no archive"] += 1
            continue
        found = [*proof.findings, *check_names(sorted(tree(work / "ours")) if (work / "ours").is_dir() else ())]
        whole = all(finding.severity is Severity.NOTES for finding in found)
        theirs = read_by_all(archive, work) if whole or " and " not in how else {}
        if whole:
            ends[how]["whole"] += 1
            for tool, read in theirs.items():
                assert read == tree(work / "ours"), (seed, how, tool)
        else:
            agreed = theirs and all(read == next(iter(theirs.values())) for read in theirs.values())
            ends[how]["refused, though all four agree" if agreed else "refused"] += 1
    return ends


def test_no_archive_put_together_otherwise_is_whole_that_another_refuses(
    bases: dict[str, bytes], tmp_path: Path
) -> None:
    ends = sum(_otherwise(bases, tmp_path, 0, 150).values(), Counter[str]())
    assert ends["whole"] > 10, "else nothing was compared"
    assert ends["refused"] > 50


@pytest.mark.campaign
@pytest.mark.parametrize("part", range(5))
def test_none_of_five_thousand_put_together_otherwise_is_whole_that_another_refuses(
    bases: dict[str, bytes], tmp_path: Path, part: int
) -> None:
    ends = _otherwise(bases, tmp_path, part * 1000, part * 1000 + 1000)
    print(f"\nput together otherwise, {part * 1000:,} to {part * 1000 + 999:,}:")
    for kind in KINDS:
        print(f"  {kind.__name__}: {dict(ends[kind.__name__])}")
    print(f"  in all: {dict(sum(ends.values(), Counter[str]()))}")
    assert sum(map(Counter.total, ends.values())) == 1000


# --- packed streams -------------------------------------------------------------------------------------------------


def _streams() -> list[bytes]:
    """Return streams of every kind of block (RFC 1951, 3.2.3), by three coders."""
    chance = random.Random(5)
    contents = (
        b"Unzip first, keep the folder whole. " * 30,
        chance.randbytes(400),
        bytes(number * number // 7 % 251 for number in range(900)),
        bytes(3000),
        chance.randbytes(60) * 9 + b"abc" * 80,
    )
    streams = []
    for content in contents:
        for level in (1, 6, 9):
            for strategy in (zlib.Z_DEFAULT_STRATEGY, zlib.Z_HUFFMAN_ONLY, zlib.Z_FIXED):
                coder = zlib.compressobj(level, zlib.DEFLATED, -15, 9, strategy)
                streams.append(coder.compress(content) + coder.flush())
        streams.append(b"".join(coders.packed_piece(content, last=True)))
        streams.append(bytes(deflate.deflate_compress(content, 6)))
    return streams


def _bent(stream: bytes, chance: random.Random) -> bytes:
    """Change some bits, mostly where the sets of codes stand."""
    bent = bytearray(stream)
    for _ in range(chance.choice((1, 1, 2, 3))):
        place = chance.randrange(min(len(bent), 90) if chance.random() < 0.7 else len(bent))
        bent[place] ^= 1 << chance.randrange(8) if chance.random() < 0.7 else chance.randrange(1, 256)
    return bytes(bent)


def _leniently(stream: bytes) -> bytes | None:
    """Return what zlib or the quick coder makes of a stream, as far as 64 KiB; None where it is damaged for both."""
    for make in (zlib.decompressobj, isal_zlib.decompressobj):
        coder: Any = make(-15)
        try:
            content: bytes = coder.decompress(stream, 1 << 16)
        except (zlib.error, isal_zlib.IsalError):  # type: ignore[misc]  # its stub has an instance for the class
            continue
        if coder.eof and not coder.unused_data:
            return content
    return None


def _members(named: dict[str, tuple[bytes, bytes]]) -> list[dict[str, Any]]:
    return [{"name": name, "data": content, "packed": packed} for name, (packed, content) in named.items()]


def _bent_streams(raw_zip: Callable[..., Path], tmp_path: Path, first: int, last: int) -> Counter[str]:
    """Put streams of which some coder makes something into an archive, with CRC-32 and size fitted to that."""
    streams, named, ends = _streams(), dict[str, tuple[bytes, bytes]](), Counter[str]()
    for seed in range(first, last):
        chance = random.Random(seed)
        packed = _bent(chance.choice(streams), chance)
        content = _leniently(packed)
        if content is None:
            ends["damaged for everyone"] += 1
        else:
            named[f"S/{seed}.bin"] = (packed, content)
    archive = raw_zip(*_members(named))
    opened = unpack(archive, inspect(archive).members, None, QUIET)
    whole = {one.name: named[one.name] for one in opened if not one.problem}
    ends["refused"], ends["whole"] = len(named) - len(whole), len(whole)
    archive = raw_zip(*_members(whole))
    for tool, theirs in read_by_all(archive, cleared(tmp_path / "work")).items():
        assert isinstance(theirs, dict), (tool, theirs)
        assert theirs == {name: content for name, (_, content) in whole.items()}, tool
    return ends


def _through(coder: Any, refusal: type[Exception], stream: bytes) -> tuple[bytes, bool, bytes] | None:
    """Return what a decoder makes of a stream, whether it ended, and what lies behind; None where it refuses it."""
    try:
        return coder.decompress(stream, 1 << 16), coder.eof, coder.unused_data
    except refusal:
        return None


def test_our_strict_coder_and_zlib_agree_on_every_bent_stream() -> None:
    streams, refused = _streams(), 0
    for seed in range(3000):
        chance = random.Random(seed)
        packed = _bent(chance.choice(streams), chance)
        theirs = _through(zlib.decompressobj(-15), zlib.error, packed)
        assert _through(*coders.strict_inflater(), packed) == theirs, seed
        refused += theirs is None
    assert 500 < refused < 2500, "of both enough"


def test_no_bent_stream_is_whole_that_another_refuses(raw_zip: Callable[..., Path], tmp_path: Path) -> None:
    ends = _bent_streams(raw_zip, tmp_path, 0, 3000)
    assert ends["whole"] > 1000
    assert ends["refused"] > 0, "the quick coders read some that others refuse; without one, nothing is tried here"


@pytest.mark.campaign
@pytest.mark.parametrize("part", range(20))
def test_no_bent_stream_of_sixty_thousand_is_whole_that_another_refuses(
    raw_zip: Callable[..., Path], tmp_path: Path, part: int
) -> None:
    ends = _bent_streams(raw_zip, tmp_path, part * 3000, part * 3000 + 3000)
    print(f"\nbent streams {part * 3000:,} to {part * 3000 + 2999:,}: {dict(ends)}")
    assert sum(ends.values()) == 3000


@pytest.mark.parametrize("size", [8 << 20, 1000])
def test_a_large_member_is_read_as_strictly(
    raw_zip: Callable[..., Path], monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    """Code lengths that are no set of codes (RFC 1951, 3.2.7): refused in memory and block by block alike."""
    from companion.archive import unpacking

    monkeypatch.setattr(unpacking, "WHOLE", size)
    streams = _streams()
    for seed in range(100_000):
        chance = random.Random(seed)
        packed = _bent(chance.choice(streams), chance)
        content = _leniently(packed)
        if content is None or len(content) <= 1000:
            continue
        coder = zlib.decompressobj(-15)
        try:
            coder.decompress(packed)
        except zlib.error:
            break
    archive = raw_zip({"name": "S/a", "data": content, "packed": packed})
    (opened,) = unpack(archive, inspect(archive).members, None, QUIET)
    assert opened.problem == "its packed bytes are damaged"
