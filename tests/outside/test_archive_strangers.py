"""Our archives, opened by other people's unpackers, and theirs opened by us.

Sources: Info-ZIP UnZip 6.00 and Zip 3.0 (Debian: unzip, zip), 7-Zip (Debian: p7zip-full), libarchive's bsdtar (Debian:
libarchive-tools), and CPython's zipfile. They are part of the test command's needs: a missing one fails.
"""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any, BinaryIO

import pytest

from companion.archive import packing
from companion.archive.build import PendingArchive, pending_archive
from companion.archive.inspect import inspect
from companion.archive.plan import ArchivePlan, plan
from companion.archive.prove import Proof, prove
from companion.core.progress import QUIET

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the unpackers are called as Debian installs them")

TREE = {
    "Slate Choir.patch": random.Random(1).randbytes(4000),
    "Samples/hard/note [60] ä ö — 岩.wav": b"RIFF" + bytes(random.Random(2).choices(range(60), k=50_000)),
    "Samples/soft/e\u0301.wav": b"\0" * 70_000,
    "Samples/empty.wav": b"",
    "-option.txt": b"looks like an option\n",
    "tools/run.sh": b"#!/bin/sh\n",
    "a/very/deep/folder/of/its/own/@list.txt": b"deep\n" * 900,
}


def build(made: ArchivePlan, target: Path) -> PendingArchive:
    with pending_archive(made, target, QUIET) as new:
        new.accept()
    return new


def _whole(proof: Proof) -> bool:
    return proof.extracted is not None and not any(finding.blocks for finding in proof.findings)


def _tool(name: str) -> str:
    found = shutil.which(name)
    assert found, f"{name} is not installed"
    return found


def _run(*command: str, cwd: Path | None = None) -> str:
    done = subprocess.run(
        command, cwd=cwd, capture_output=True, stdin=subprocess.DEVNULL, env=os.environ | {"LC_ALL": "C.UTF-8"}
    )
    output = (done.stdout + done.stderr).decode("utf-8", "replace")
    assert done.returncode == 0, output
    return output


def _plan(folder: Path, tree: dict[str, bytes] = TREE) -> ArchivePlan:
    files = []
    for path, data in tree.items():
        place = folder / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data)
        files.append((path, place, len(data), hashlib.sha256(data).hexdigest()))
    return plan("Slate Choir", files)


def _contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(params=[8 << 20, 5000], ids=["whole", "streamed"])
def archive(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(packing, "CHUNK", request.param)
    return build(_plan(tmp_path / "in"), tmp_path / "Slate Choir 1.0.zip").target


def test_unzip_opens_ours(archive: Path, tmp_path: Path) -> None:
    assert "No errors detected" in _run(_tool("unzip"), "-t", str(archive))
    _run(_tool("unzip"), "-q", str(archive), "-d", str(tmp_path / "out"))
    assert _contents(tmp_path / "out" / "Slate Choir") == TREE
    assert os.access(tmp_path / "out" / "Slate Choir" / "tools" / "run.sh", os.X_OK)
    assert not os.access(tmp_path / "out" / "Slate Choir" / "Slate Choir.patch", os.X_OK)


def test_7z_opens_ours(archive: Path, tmp_path: Path) -> None:
    assert "Everything is Ok" in _run(_tool("7z"), "t", str(archive))
    _run(_tool("7z"), "x", f"-o{tmp_path / 'out'}", str(archive))
    assert _contents(tmp_path / "out" / "Slate Choir") == TREE


def test_bsdtar_opens_ours(archive: Path, tmp_path: Path) -> None:
    assert len(_run(_tool("bsdtar"), "-tf", str(archive)).splitlines()) == len(TREE)
    (tmp_path / "out").mkdir()
    _run(_tool("bsdtar"), "-xf", str(archive), "-C", str(tmp_path / "out"))
    # bsdtar itself turns names into NFC where it can; contents and count tell.
    assert sorted(_contents(tmp_path / "out" / "Slate Choir").values()) == sorted(TREE.values())


def test_zipfile_opens_ours(archive: Path) -> None:
    with zipfile.ZipFile(archive) as opened:
        assert opened.testzip() is None
        assert {name.removeprefix("Slate Choir/"): opened.read(name) for name in opened.namelist()} == TREE


def test_zip_finds_nothing_to_mend_in_ours(archive: Path) -> None:
    assert "OK" in _run(_tool("zip"), "-T", str(archive))


def test_sha256sum_reads_the_checksum(archive: Path) -> None:
    assert "OK" in _run(_tool("sha256sum"), "-c", f"{archive.name}.sha256", cwd=archive.parent)


def test_the_proof_asks_both(archive: Path, tmp_path: Path) -> None:
    _tool("unzip"), _tool("7z")
    proof = prove(archive, into=tmp_path / "into", watch=QUIET)
    assert proof.checked_with == ("the companion", "unzip", "7z")
    assert _whole(proof)


@pytest.mark.parametrize(
    "maker", ["zip", "zip streamed", "7z", "bsdtar", "bsdtar streamed", "zipfile", "zipfile streamed"]
)
def test_we_open_theirs_without_a_false_alarm(tmp_path: Path, maker: str) -> None:
    plain = {path: data for path, data in TREE.items() if path.isascii()}
    _plan(tmp_path / "in" / "Slate Choir", plain)
    source, target = tmp_path / "in", tmp_path / "x.zip"
    if maker.startswith("zipfile"):
        with target.open("wb") as stream:
            place: Any = _Unseekable(stream) if maker.endswith("streamed") else stream
            with zipfile.ZipFile(place, "w", zipfile.ZIP_DEFLATED) as opened:
                for path in plain:
                    opened.write(source / "Slate Choir" / path, f"Slate Choir/{path}")
    else:
        command = {
            "zip": ["zip", "-qr", str(target), "Slate Choir"],
            "zip streamed": ["zip", "-qr", "-", "Slate Choir"],
            "7z": ["7z", "a", "-bd", str(target), "Slate Choir"],
            "bsdtar": ["bsdtar", "-a", "-cf", str(target), "Slate Choir"],
            "bsdtar streamed": ["bsdtar", "-c", "--format=zip", "-f", "-", "Slate Choir"],
        }[maker]
        done = subprocess.run([_tool(command[0]), *command[1:]], cwd=source, capture_output=True)
        assert done.returncode == 0, done.stderr
        if maker.endswith("streamed"):  # bsdtar fills its last block with zeros, as for a tape
            target.write_bytes(done.stdout[: done.stdout.rindex(b"PK\5\6") + 22])
    proof = prove(target, into=tmp_path / "into", watch=QUIET)
    assert [finding for finding in proof.findings if finding.rule != "zip64-needed"] == []
    assert _whole(proof)
    assert _contents(tmp_path / "into" / "Slate Choir") == plain


class _Unseekable:
    """A stream that only goes forward, as a pipe does."""

    def __init__(self, stream: BinaryIO) -> None:
        self.write = stream.write
        self.flush = stream.flush


# --- past the limits of 32 and 16 bits ------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["stored", "deflated"])
def test_a_member_of_five_gigabytes(tmp_path: Path, kind: str) -> None:
    block = random.Random(1).randbytes(1 << 20)
    if kind == "deflated":  # three bytes of noise, one still: packs to about four fifths
        block = bytes(value if index % 4 else 7 for index, value in enumerate(block))
    source = tmp_path / "long.wav"
    digest = hashlib.sha256()
    with source.open("wb") as stream:
        for _ in range(5_000_000_000 // len(block) + 1):
            stream.write(block)
            digest.update(block)
    size = source.stat().st_size
    after = tmp_path / "z.txt"
    after.write_bytes(b"behind it\n")
    made = plan(
        "Slate Choir",
        [
            ("long.wav", source, size, digest.hexdigest()),
            ("z.txt", after, 10, hashlib.sha256(b"behind it\n").hexdigest()),
        ],
    )
    built = build(made, tmp_path / "x.zip")
    assert [member.method for member in inspect(built.target).members] == [0 if kind == "stored" else 8, 0]
    source.unlink()
    _all_agree(built.target)
    proof = prove(built.target, into=tmp_path / "into", watch=QUIET, manifest=made.manifest)
    assert [finding.rule for finding in proof.findings] == ["zip64-needed"]
    assert _whole(proof)


@pytest.mark.slow
def test_seventy_thousand_members(tmp_path: Path) -> None:
    made = _plan(tmp_path / "in", {f"Samples/{n % 300}/{n}.txt": b"%d" % n for n in range(70_000)})
    built = build(made, tmp_path / "x.zip")
    assert len(inspect(built.target).members) == 70_000
    _all_agree(built.target)
    proof = prove(built.target, into=tmp_path / "into", watch=QUIET, manifest=made.manifest)
    assert [finding.rule for finding in proof.findings] == ["zip64-needed"]
    assert _whole(proof)


def test_zip64_is_not_used_one_member_below_its_limit(tmp_path: Path) -> None:
    files = [(f"{n}", tmp_path / "x", 0, hashlib.sha256(b"").hexdigest()) for n in range(65_534)]
    (tmp_path / "x").write_bytes(b"")
    built = build(plan("S", files), tmp_path / "x.zip")
    assert b"PK\6\6" not in built.target.read_bytes()[-200:]
    with zipfile.ZipFile(built.target) as opened:
        assert len(opened.namelist()) == 65_534


def _all_agree(archive: Path) -> None:
    _run(_tool("unzip"), "-tqq", str(archive))
    _run(_tool("7z"), "t", str(archive))
    _run(_tool("bsdtar"), "-tf", str(archive))
    with zipfile.ZipFile(archive) as opened:
        assert opened.testzip() is None
