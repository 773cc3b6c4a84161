"""Verify, weigh, forget, mirror; and the formats, held against plain git."""

from __future__ import annotations

import contextlib
import os
import random
import subprocess
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.core import scratch
from companion.core.errors import Cancelled, CompanionError
from companion.core.progress import Progress, Watch
from companion.history import remote
from companion.history.history import History
from companion.history.store import pack_scan, refs, streams
from companion.history.store.objects import BLOB, object_id
from companion.history.store.pack_writer import PackWriter, entry_header, index_data
from companion.history.store.packs import Packs, read_index


def _three(folder: Path, history: History) -> list[bytes]:
    """Three snapshots that each alone hold 200 kB."""
    contents = []
    for number in range(3):
        contents.append(os.urandom(200_000))
        (folder / "Samples/alone.wav").write_bytes(contents[-1])
        history.take(f"n{number + 1}")
    return contents


def test_forgetting_wins_the_space_and_harms_nothing_else(
    folder: Path, history: History, state: Any, fsck: Callable[[Path], None], tmp_path: Path
) -> None:
    contents = _three(folder, history)
    weight = history.size()
    assert all(200_000 < weight.alone[number] < 205_000 for number in (1, 2, 3))
    history.restore(1, into=tmp_path / "one")
    done = history.forget([2])
    assert done.numbers == (2,)
    assert 200_000 < done.bytes_won < 206_000
    assert history.size().total < weight.total - 200_000
    assert [one.number for one in history.snapshots()] == [3, 1]
    assert (history.read(1, "Samples/alone.wav"), history.read(3, "Samples/alone.wav")) == (contents[0], contents[2])
    with pytest.raises(CompanionError, match="no snapshot 2"):
        history.files(2)
    history.restore(1, into=tmp_path / "again")
    assert state(tmp_path / "again") == state(tmp_path / "one")
    fsck(folder)


def test_a_pack_shared_by_kept_and_forgotten_is_rewritten(
    folder: Path, history: History, fsck: Callable[[Path], None]
) -> None:
    (folder / "once.wav").write_bytes(os.urandom(300_000))
    history.take("first")
    (folder / "once.wav").unlink()
    history.take("second")
    before = history._store.packs.places
    assert history.forget([1]).bytes_won > 300_000
    assert history.verify().damaged == ()
    assert history._store.packs.places != before
    fsck(folder)


def test_released_snapshots_are_not_forgotten_unasked(folder: Path, history: History) -> None:
    _three(folder, history)
    history.tag_release(1, "1.0")
    with pytest.raises(CompanionError, match=r"version 1\.0"):
        history.forget([1, 2])
    assert len(history.snapshots()) == 3
    history.forget([1], released=True)
    assert history.release_snapshot("1.0") is None


def test_releases_are_found_again(folder: Path, history: History) -> None:
    _three(folder, history)
    assert history.release_snapshot("1.0") is None
    for number, version in ((1, "1.0"), (3, "2!1.0rc1+local.é lock")):
        assert history.tag_release(number, version).version == version
    assert history.tag_release(1, "1.0").number == 1, "saying it again is no error"
    last, first = map(history.release_snapshot, ("2!1.0rc1+local.é lock", "1.0"))
    assert last is not None
    assert first is not None
    assert (last.number, last.version, first.number) == (3, "2!1.0rc1+local.é lock", 1)
    with pytest.raises(CompanionError, match="released already"):
        history.tag_release(2, "1.0")


@given(st.dictionaries(st.text(max_size=12), st.sampled_from(["a" * 40, "b" * 40]), max_size=4))
def test_any_version_survives_the_list_of_names(releases: dict[str, str]) -> None:
    clean = {version: commit for version, commit in releases.items() if version.isprintable() or not version}
    assert refs.parse(refs.Refs({1: "a" * 40, 200: "b" * 40}, clean).text()).releases == clean


def test_git_accepts_every_name(folder: Path, history: History, git: Any, fsck: Callable[[Path], None]) -> None:
    history.take("first")
    for version in ("1.0", "..", "a.lock", "a..b", ".x", "x.", "@{", "~^:?*[\\", "", "%", "é"):
        history.tag_release(1, version)
    fsck(folder)
    listed = git(folder / ".companion/history.git", "for-each-ref", "--format=%(refname)").splitlines()
    assert len(listed) == 11 + 2
    for name in listed:
        git(folder, "check-ref-format", name)


def test_damage_anywhere_is_found_and_named(folder: Path, history: History) -> None:
    _three(folder, history)
    assert history.verify().damaged == ()
    assert history.verify().objects == history._store.packs.places.keys().__len__()
    pack = next(iter((folder / ".companion/history.git/objects/pack").glob("*.pack")))
    data = bytearray(pack.read_bytes())
    missed = []
    for at in range(12, len(data) - 20, max(1, len(data) // 60)):
        data[at] ^= 0xFF
        pack.write_bytes(data)
        if not history.verify().damaged:
            missed.append(at)
        data[at] ^= 0xFF
    pack.write_bytes(data)
    assert not missed
    assert history.verify().damaged == ()


def test_a_lost_or_damaged_index_is_made_again(folder: Path, history: History, fsck: Callable[[Path], None]) -> None:
    contents = _three(folder, history)
    first, second, third = sorted((folder / ".companion/history.git/objects/pack").glob("*.idx"))
    first.unlink()
    second.write_bytes(b"damaged")
    third.write_bytes(third.read_bytes()[:1100])
    (folder / "x").write_text("x", "utf-8")
    with History(folder) as again:
        assert len(again.verify().damaged) >= 3
        again.take("next")
        for number, data in enumerate(contents):
            assert again.read(number + 1, "Samples/alone.wav") == data
    fsck(folder)


@pytest.mark.parametrize("offset", [0, 1 << 40, 1 << 63, (1 << 64) - 1])
def test_an_index_that_points_outside_its_pack_is_made_again(folder: Path, history: History, offset: int) -> None:
    contents = _three(folder, history)
    pack = history._store.packs.places[bytes.fromhex(history.files(2)["Samples/alone.wav"].blob)].pack
    entries = {oid: (place.start, 0) for oid, place in pack.places.items()}
    entries[min(entries)] = (offset, 0)
    pack.path.with_suffix(".idx").write_bytes(index_data(entries, pack.path.read_bytes()[-20:]))
    with History(folder) as again:
        assert again.verify().damaged
        (folder / "notes.txt").write_text("more", "utf-8")
        again.take("next")
        assert again.verify().damaged == ()
        assert again.read(2, "Samples/alone.wav") == contents[1]


def test_a_history_that_another_tool_repacked_still_reads(
    folder: Path, history: History, git: Any, state: Any, tmp_path: Path
) -> None:
    text = "".join(f"line {number}\n" for number in range(3000))
    for number in range(3):
        (folder / "notes.txt").write_text(text + str(number), "utf-8")
        history.take(f"n{number}")
    place = folder / ".companion/history.git"
    git(place, "repack", "-a", "-d", "-f", "-q")
    git(place, "pack-refs", "--all")
    with History(folder) as again:
        assert again.read(1, "notes.txt").decode() == text + "0"
        assert again.verify().damaged == ()
        again.restore(2, into=tmp_path / "two")
        (folder / "notes.txt").write_text(text + "new", "utf-8")
        assert again.take("next").number == 4
        assert again.forget([2]).remark == ""
        assert again.read(3, "notes.txt").decode() == text + "2"


def test_a_mirror_is_brought_up_to_date_and_can_be_restored_from(
    folder: Path, history: History, fsck: Any, git: Any, tmp_path: Path, state: Any
) -> None:
    _three(folder, history)
    target = tmp_path / "disk" / "copy.git"
    done = history.mirror(target)
    assert (done.snapshots, done.new) == (3, 3)
    assert "same disk" in done.caution
    assert history.mirror(target).bytes == 0
    history.forget([2])
    (folder / "x").write_text("x", "utf-8")
    history.take("n4")
    done = history.mirror(target)
    assert (done.snapshots, done.new) == (4, 1)
    assert done.bytes < 10_000, "only what is new is copied, whatever the packs are called"
    assert git(target, "fsck", "--full", "--strict", "--no-dangling") == ""
    other = tmp_path / "other"
    other.mkdir()
    with History(other) as found:
        with pytest.raises(CompanionError, match="There are no snapshots there"):
            found.adopt(tmp_path)
        assert found.adopt(target).snapshots == 4
        with pytest.raises(CompanionError, match="snapshots of its own"):
            found.adopt(target)
        assert [one.label for one in found.snapshots()] == ["n4", "n3", "n2", "n1"]
        found.restore(4)
    assert state(other) == state(folder)


def test_a_mirror_in_a_full_folder_gets_a_folder_of_its_own_and_another_history_is_refused(
    folder: Path, history: History, tmp_path: Path
) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    (disk / "photo.png").write_bytes(b"x")
    history.take("first")
    assert history.mirror(disk).target == str(disk / "Slate Choir-history.git")
    assert history.mirror(disk).new == 0
    stranger = tmp_path / "Other"
    stranger.mkdir()
    (stranger / "a").write_text("a", "utf-8")
    with History(stranger) as other:
        other.take("first")
        with pytest.raises(CompanionError, match="another history"):
            other.mirror(disk / "Slate Choir-history.git")
        with pytest.raises(CompanionError, match="inside the working folder"):
            other.mirror(stranger / "copy.git")


@pytest.mark.parametrize("name", ["copy.git", "copy"])
def test_an_interrupted_mirror_goes_on_where_it_was(
    folder: Path, history: History, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    monkeypatch.setattr(scratch, "PIECE", 10_000)
    contents = _three(folder, history)
    target, watch = tmp_path / name, Watch()

    def stop(progress: Progress) -> None:
        if progress.what == "Copying the history" and progress.done > 300_000:
            watch.cancel()

    watch = Watch(stop, every=0)
    with pytest.raises(Cancelled):
        history.mirror(target, watch)
    parts = list((target / "objects/pack").glob("part-*"))
    assert len(parts) == 1
    assert 0 < parts[0].stat().st_size < 210_000
    parts[0].write_bytes(parts[0].read_bytes()[:-5] + b"wrong")
    assert history.mirror(target).target == str(target)
    assert not list((target / "objects/pack").glob("part-*"))
    (tmp_path / "o/.companion").mkdir(parents=True)
    target.rename(tmp_path / "o/.companion/history.git")
    with History(tmp_path / "o") as found:
        assert found.read(2, "Samples/alone.wav") == contents[1]
        assert found.verify().damaged == ()


def test_what_killed_mirrors_and_adoptions_left_is_cleared(
    folder: Path, history: History, git: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _three(folder, history)
    target = tmp_path / "copy"
    history.mirror(target)
    for name in ("part-pack-aaaa.pack", "tmp_pack_bbbb", "tmp_idx_bbbb"):
        (target / "objects/pack" / name).write_bytes(b"PACK half")
    history.mirror(target)
    assert {path.suffix for path in (target / "objects/pack").iterdir()} == {".pack", ".idx"}
    assert not [path for path in (target / "objects/pack").iterdir() if not path.name.startswith("pack-")]
    assert git(target, "fsck", "--full", "--strict", "--no-dangling") == ""
    (folder / ".companion/history.git/objects/pack/part-pack-aaaa.pack").write_bytes(b"PACK half")
    (folder / "x").write_text("x", "utf-8")
    monkeypatch.setattr(pack_scan, "index_again", lambda *_: pytest.fail("a part is no pack to be indexed"))
    assert history.take("next").number == 4


def test_any_git_repository_can_be_the_mirror(folder: Path, history: History, git: Any, tmp_path: Path) -> None:
    _three(folder, history)
    history.tag_release(2, "1.0")
    there = tmp_path / "remote.git"
    git(tmp_path, "init", "-q", "--bare", str(there))
    done = history.mirror(f"file://{there}")
    assert (done.snapshots, done.new) == (3, 3)
    assert history.mirror(f"file://{there}").new == 0
    assert git(there, "fsck", "--full", "--strict", "--no-dangling") == ""
    assert git(there, "rev-parse", "refs/tags/release/1.0").strip() == history.snapshot(2).id
    for address in ("--upload-pack=touch x", "ext::sh -c true", "file:///nowhere/at/all.git"):
        with pytest.raises(CompanionError):
            history.mirror(address)


@pytest.mark.parametrize("packed", [True, False])
def test_a_repository_of_somebody_s_loses_nothing_by_being_a_mirror(
    folder: Path, history: History, git: Any, tmp_path: Path, packed: bool
) -> None:
    work, bare = tmp_path / "work", tmp_path / "theirs.git"
    git(tmp_path, "init", "-q", "--bare", str(bare))
    git(tmp_path, "init", "-q", str(work))
    (work / "notes.txt").write_text("theirs", "utf-8")
    git(work, "add", "notes.txt")
    git(work, "commit", "-qm", "theirs")
    git(work, "push", "-q", str(bare), "HEAD:refs/heads/main", "HEAD:refs/tags/v1")
    if packed:
        git(bare, "pack-refs", "--all")
    before = git(bare, "for-each-ref")
    _three(folder, history)
    done = history.mirror(bare)
    assert (done.snapshots, done.new) == (3, 3)
    assert "same disk" in done.caution
    assert history.mirror(bare).new == 0
    names = git(bare, "for-each-ref")
    assert set(before.splitlines()) < set(names.splitlines())
    assert names.count("refs/snapshots/") == 3
    assert git(bare, "fsck", "--full", "--strict") == ""
    other = tmp_path / "other"
    other.mkdir()
    with History(other) as found:
        git(tmp_path, "clone", "-q", "--mirror", f"file://{bare}", str(tmp_path / "clone.git"))
        back = found.adopt(tmp_path / "clone.git")
        assert (back.snapshots, back.broken, back.problem) == (3, (), "")
        assert found.verify().whole
    (tmp_path / "fresh").mkdir()
    with History(tmp_path / "fresh") as found:
        back = found.adopt(bare)
        assert (back.snapshots, back.broken, back.problem) == (3, (), "")
        assert found.verify().whole


def test_a_mirror_of_another_history_is_known_though_no_number_is_in_both(
    folder: Path, history: History, tmp_path: Path
) -> None:
    _three(folder, history)
    history.forget([1])
    target = tmp_path / "copy.git"
    history.mirror(target)
    history.forget([2, 3])
    assert history.take("n4").number == 4
    assert history.mirror(target).snapshots == 3, "our own, though all it held is forgotten here"
    stranger = tmp_path / "Other"
    stranger.mkdir()
    (stranger / "a").write_text("a", "utf-8")
    with History(stranger) as other:
        other.take("first")
        with pytest.raises(CompanionError, match="another history"):
            other.mirror(target)


def test_what_is_an_address_and_what_is_a_folder() -> None:
    for address in ("https://host.example/a.git", "ssh://host.example/a", "me@host.example:a.git", "host.example:a"):
        assert remote.is_remote(address)
    for path in ("/disk/copy.git", "copy", "C:\\copies", "C:/copies", "./a:b"):
        assert not remote.is_remote(path)


@given(kind=st.integers(1, 7), size=st.integers(0, 1 << 50))
def test_an_entry_header_holds_type_and_size(kind: int, size: int) -> None:
    """Read back the way the pack format describes it: four bits, then seven at a time, least first."""
    data = entry_header(kind, size)
    found, shift = data[0] & 15, 4
    for byte in data[1:]:
        found, shift = found | (byte & 127) << shift, shift + 7
    assert ((data[0] >> 4) & 7, found) == (kind, size)
    assert [byte >> 7 for byte in data] == [1] * (len(data) - 1) + [0]


def test_offsets_over_two_gigabytes_survive_the_index(tmp_path: Path, git: Any) -> None:
    written = {os.urandom(20): (offset, 7) for offset in (12, 0x7FFFFFFF, 0x80000000, 5 << 32)}
    (tmp_path / "a.idx").write_bytes(index_data(written, b"s" * 20))
    ids, offsets = read_index(tmp_path / "a.idx")
    assert dict(zip(ids, offsets, strict=True)) == {oid: offset for oid, (offset, _) in written.items()}
    listed = subprocess.run(["git", "show-index"], input=(tmp_path / "a.idx").read_bytes(), capture_output=True)
    shown = {bytes.fromhex(line.split()[1]): int(line.split()[0]) for line in listed.stdout.decode().splitlines()}
    assert shown == {oid: offset for oid, (offset, _) in written.items()}


@given(st.lists(st.binary(max_size=3000), max_size=5, unique=True))
def test_what_is_packed_is_read_back(contents: list[bytes]) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        writer = PackWriter(Path(name))
        for data in contents:
            writer.add(BLOB, data, object_id(BLOB, data))
        assert (writer.finish() is None) == (not contents)
        packs = Packs(Path(name))
        assert [packs.read(object_id(BLOB, data)) for data in contents] == contents
        packs.close()


def test_no_more_is_given_away_on_disk_than_is_allowed(tmp_path: Path) -> None:
    """Of what shrinks by 3 % something is stored, for its quick way back, and of all bytes no more than 1.2 % lost."""
    chance = random.Random(1)
    contents = [bytes(chance.choices(range(200), k=100_000)) for _ in range(20)]
    (tmp_path / "pack").mkdir()
    writer = PackWriter(tmp_path / "pack")
    for data in contents:
        writer.add(BLOB, data, object_id(BLOB, data))
    pack = writer.finish()
    assert pack is not None
    least = sum(len(zlib.compress(data, 1)) for data in contents)
    stored = sum(1 for data in contents if data[:50] in pack.read_bytes())
    assert 0 < stored < len(contents) / 2
    assert pack.stat().st_size < least + 0.012 * sum(map(len, contents)) + 10_000


@given(data=st.binary(max_size=200_000), damage=st.integers(0, 1 << 20))
def test_stored_and_deflated_streams_inflate_and_damage_never_crashes(data: bytes, damage: int) -> None:
    for packed in (streams.stored(data), b"".join(streams.deflated(data))):
        assert bytes(streams.inflated(packed, len(data))) == data
        broken = bytearray(packed)
        broken[damage % len(broken)] ^= 1 + damage % 255
        with contextlib.suppress(streams.Inflation):
            assert len(streams.inflated(bytes(broken), len(data))) <= len(data)
