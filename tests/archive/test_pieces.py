"""What goes through in pieces: many small members in groups, large ones in blocks."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from companion.archive import packing, unpacking
from companion.archive.inspect import inspect
from companion.archive.plan import plan
from companion.archive.unpacking import unpack
from companion.core.progress import QUIET
from tests.archive.conftest import deflated

RawZip = Callable[..., Path]
NOISE = random.Random(5).randbytes(3000)


@pytest.fixture
def in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Members of over 64 bytes are large, and read 256 at a time."""
    monkeypatch.setattr(unpacking, "WHOLE", 64)
    monkeypatch.setattr(unpacking, "BLOCK", 256)


@pytest.mark.parametrize("threads", [1, 3])
def test_members_come_out_in_the_order_of_the_plan_however_they_are_grouped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, threads: int
) -> None:
    monkeypatch.setattr(packing, "CHUNK", 1000)
    monkeypatch.setattr(packing, "_GROUP", 500)
    files = []
    for number, size in enumerate([200, 200, 200, 10, 2500, 90, 1000, 1001, 499, 1, 0, 3000, 7]):
        path = tmp_path / f"{number:02}"
        path.write_bytes(NOISE[:size])
        files.append((path.name, path, size, hashlib.sha256(NOISE[:size]).hexdigest()))
    members = plan("Slate Choir", files).members
    with packing.packing(members, QUIET, threads) as parts:
        names = [part.member.name for part in parts]
    assert list(dict.fromkeys(names)) == [member.name for member in members]


def test_a_group_goes_on_its_way_when_it_is_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packing, "_GROUP", 500)
    (tmp_path / "a").write_bytes(NOISE[:200])
    sha256 = hashlib.sha256(NOISE[:200]).hexdigest()
    members = plan("Slate Choir", [(f"{n:04}", tmp_path / "a", 200, sha256) for n in range(20)]).members
    held = [size for size, _ in packing._jobs(members, QUIET)]
    assert sum(held) == sum(member.size for member in members)
    assert max(held) == 600
    empty = plan("Slate Choir", [(f"{n:04}", tmp_path / "a", 0, sha256) for n in range(450)]).members
    assert len([*packing._jobs(empty, QUIET)]) == -(-len(empty) // 200), "and at two hundred, however small they are"


@pytest.mark.usefixtures("in_blocks")
def test_a_large_member_packed_in_many_blocks_comes_out_whole(raw_zip: RawZip, tmp_path: Path) -> None:
    content = NOISE + bytes(5000) + NOISE
    path = raw_zip({"data": content})
    (found,) = unpack(path, inspect(path).members, tmp_path / "into", QUIET)
    assert (found.problem, found.sha256) == ("", hashlib.sha256(content).hexdigest())
    assert (tmp_path / "into" / "Slate Choir" / "one.wav").read_bytes() == content


@pytest.mark.usefixtures("in_blocks")
@pytest.mark.parametrize("promised", [65, 256, 2999])
def test_of_a_large_member_no_more_is_written_than_it_promises(raw_zip: RawZip, tmp_path: Path, promised: int) -> None:
    path = raw_zip({"data": NOISE[:promised], "packed": deflated(NOISE + bytes(100_000))})
    (found,) = unpack(path, inspect(path).members, tmp_path / "into", QUIET)
    assert found.problem == f"it unpacks to more than the {promised:,} bytes it promises"
    assert (tmp_path / "into" / "Slate Choir" / "one.wav").stat().st_size <= promised


@pytest.mark.usefixtures("in_blocks")
def test_a_large_member_is_damaged_where_its_stream_ends_early_or_goes_on(raw_zip: RawZip, tmp_path: Path) -> None:
    whole = deflated(NOISE)
    for number, (packed, problem) in enumerate(
        [(whole[:-1], "its packed bytes end too early"), (whole + b"\0", "bytes lie behind its end")]
    ):
        path = raw_zip({"data": NOISE, "packed": packed})
        (found,) = unpack(path, inspect(path).members, tmp_path / f"into {number}", QUIET)
        assert found.problem == problem
