"""Bits that rot on the history's disk: found at the last moment, kept anew where the folder still holds them."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from companion.core.errors import Cancelled
from companion.core.progress import Progress, Watch
from companion.history import take
from companion.history.history import History
from companion.history.store import repack, snapshot_list, streams
from companion.history.store.doubts import Doubts
from companion.history.store.objects import BLOB, object_id
from companion.history.store.pack_writer import PackWriter, entry_header
from companion.history.store.packs import Packs
from companion.history.store.reach import reach

NAME = "Samples/struck/slate_2.wav"


def _rot(history: History, oid: str) -> None:
    """Change one byte in the middle of every copy of an object."""
    for pack in history._store.packs.packs:
        if place := pack.places.get(bytes.fromhex(oid)):
            with pack.path.open("r+b") as stream:
                stream.seek((place.start + place.end) // 2)
                byte = stream.read(1)
                stream.seek(-1, os.SEEK_CUR)
                stream.write(bytes([byte[0] ^ 0x55]))


def test_a_file_whose_kept_copy_is_damaged_is_not_taken_away(folder: Path, history: History, state: Any) -> None:
    content = (folder / NAME).read_bytes()
    (folder / NAME).unlink()
    history.take("without")
    (folder / NAME).write_bytes(content)
    (folder / "Samples/struck/slate_1.wav").write_bytes(b"another")
    history.take("with")
    before = state(folder)
    _rot(history, history.files(2)[NAME].blob)
    with History(folder) as again:
        done = again.restore(1)
        assert [path for path, _ in done.failed] == [NAME]
        assert "damaged" in done.failed[0][1]
        assert (folder / NAME).read_bytes() == content
        assert done.written == ("Samples/struck/slate_1.wav",), "the rest is restored"
    with History(folder) as again:  # in another process the doubt is remembered
        assert again.restore(1).failed == ()
        assert not (folder / NAME).exists()
        assert again.restore(2).failed == ()
        assert again.verify().damaged == ()
    assert state(folder) == before


@pytest.mark.parametrize("changed", [True, False])
def test_what_verify_found_damaged_is_kept_anew_by_the_next_snapshot(
    folder: Path, history: History, changed: bool
) -> None:
    history.take("first")
    content = (folder / NAME).read_bytes()
    _rot(history, history.files(1)[NAME].blob)
    with History(folder) as again:
        assert [one.path for one in again.verify().damaged] == [NAME]
    if changed:
        (folder / "notes.txt").write_text("more", "utf-8")
    with History(folder) as again:
        assert again.take("second").new is changed
    with History(folder) as again:
        assert again.verify().damaged == ()
        assert again.read(1, NAME) == content


def test_a_size_that_only_damage_tells_is_no_reason_to_refuse_a_restore(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    history.take("first")
    place = history._store.packs.places[bytes.fromhex(history.files(1)[NAME].blob)]
    with place.pack.path.open("r+b") as stream:
        stream.seek(place.start + 2)
        byte = stream.read(1)[0]
        stream.seek(place.start + 2)
        stream.write(bytes([byte | 0x80]))  # one bit: the size goes on in the next byte
    (folder / NAME).unlink()
    (folder / "CHANGELOG.md").write_text("later", "utf-8")
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: shutil._ntuple_diskusage(300_000, 100_000, 200_000))
    with History(folder) as again:
        assert again.files(1)[NAME].size > 30_000_000
        done = again.restore(1)
    assert [path for path, _ in done.failed] == [NAME]
    assert done.written == ("CHANGELOG.md",)


def test_a_damaged_folder_is_kept_anew_too(folder: Path, history: History) -> None:
    history.take("first")
    tree = next(
        oid
        for oid, path in reach(history._store, history.snapshots(), Watch()).path.items()
        if path == "Samples/struck/"
    )
    _rot(history, tree.hex())
    with History(folder) as again:
        assert len(again.verify().damaged) == 1
        assert not again.take("same").new
        assert again.verify().damaged == ()


def _trees(history: History, number: int) -> dict[str, str]:
    """The object of every folder of a snapshot by path, each with a slash at its end."""
    found = reach(history._store, [history.snapshot(number)], Watch()).path
    return {path: oid.hex() for oid, path in found.items() if path.endswith("/")}


def test_what_lies_damaged_below_a_damaged_folder_is_kept_anew_with_it(folder: Path, history: History) -> None:
    history.take("first")
    content = (folder / NAME).read_bytes()
    trees = _trees(history, 1)
    for oid in (trees["/"], trees["Samples/struck/"], history.files(1)[NAME].blob):
        _rot(history, oid)
    with History(folder) as again:
        assert [one.path for one in again.verify().damaged] == ["/"]
    with History(folder) as again:
        assert not again.take("same").new
    with History(folder) as again:
        assert again.verify().damaged == ()
        assert again.read(1, NAME) == content


@pytest.mark.parametrize("path", ["/", "Samples/struck/"])
def test_what_a_restore_keeps_first_can_be_reached_though_its_folder_was_damaged(
    folder: Path, history: History, state: Any, path: str
) -> None:
    history.take("first")
    (folder / NAME).write_bytes(b"re-recorded")
    history.take("second")
    before = state(folder)
    _rot(history, _trees(history, 2)[path])
    with History(folder) as again:
        done = again.restore(1)
        assert done.safety is not None
        assert done.safety.number == 2
        assert done.written == (NAME,)
        assert again.restore(2).failed == ()
    assert state(folder) == before


def test_what_a_restore_keeps_first_is_no_snapshot_that_only_the_list_remembers(
    folder: Path, history: History, state: Any
) -> None:
    history.take("first")
    (folder / NAME).write_bytes(b"re-recorded")
    second = history.take("second")
    before = state(folder)
    _rot(history, second.id)
    with History(folder) as again:
        assert [row.label for row in again.snapshots()] == ["second", "first"]
        done = again.restore(1)
        assert done.safety is not None
        assert (done.safety.number, done.safety.new) == (3, True)
    (folder / ".companion/history.git" / snapshot_list.FILE).unlink()
    with History(folder) as again:
        assert again.restore(3).failed == ()
    assert state(folder) == before


def test_a_pack_of_the_same_objects_as_one_gone_bad_takes_another_name(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(take, "_OWN_PACK", 0)  # as it is with large samples
    history.take("first")
    (folder / NAME).write_bytes(b"recorded anew")
    history.take("second")
    kept = history.files(2)[NAME].blob
    with History(folder) as other:
        assert other.read(2, NAME) == b"recorded anew"
        _rot(history, kept)
        assert [one.path for one in history.verify().damaged] == [NAME]
        assert not history.take("again").new
        for where in (history, other):
            assert where.verify().damaged == ()
            assert where.read(2, NAME) == b"recorded anew"
            assert bytes.fromhex(kept) in where._store.packs, "and is not kept anew with every snapshot from now on"


def test_forgetting_does_not_drop_what_it_has_just_written_in_place_of_a_pack_gone_bad(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(take, "_OWN_PACK", 0)
    history.take("first")
    sample = folder / NAME
    for attempt in range(40):  # until the pack with more in it comes before the other by name
        content = b"recorded anew %d" % attempt
        sample.write_bytes(content)
        alone = history.take("alone").number
        blob = bytes.fromhex(history.files(alone)[NAME].blob)
        packs = history._store.packs
        bad = packs.places[blob].pack.path
        _rot(history, blob.hex())
        assert not packs.reads_back(blob)
        (folder / "also.wav").write_bytes(os.urandom(20_000))
        both = history.take("both").number
        if packs.places[blob].pack.path < bad and len(packs.places[blob].pack.places) == 2:
            break
    else:
        pytest.fail("no such pack was made")
    (folder / "also.wav").unlink()
    last = history.take("last").number
    history.forget([both])
    with History(folder) as again:
        assert again.read(last, NAME) == content
        assert again.read(alone, NAME) == content


def test_a_doubt_survives_the_packs_being_merged(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    history.take("first")
    kept = history.files(1)[NAME].blob
    _rot(history, kept)
    content = (folder / NAME).read_bytes()
    (folder / NAME).unlink()
    with History(folder) as again:
        again.verify()
        monkeypatch.setattr(repack, "MANY_PACKS", 1)
        (folder / "notes.txt").write_text("more", "utf-8")
        again.take("second")
        assert len(again._store.packs.packs) == 1
    with History(folder) as again:
        assert bytes.fromhex(kept) not in again._store.packs
        (folder / NAME).write_bytes(content)
        again.take("third")
        assert again.read(1, NAME) == content


@pytest.mark.parametrize(
    "text", [b"", b"nonsense\n", b"\xff" * 100, b"0" * 40 + b" ../../x.idx\n", b"x" * (5 << 20)], ids=len
)
def test_doubts_that_are_none_are_none(tmp_path: Path, text: bytes) -> None:
    (tmp_path / "pack").mkdir()
    (tmp_path / "info").mkdir()
    (tmp_path / "info/doubted").write_bytes(text)
    doubts = Doubts(tmp_path / "pack")
    doubts.read()
    assert doubts.all == set()
    assert Packs(tmp_path / "pack").places == {}


def test_what_is_forgotten_while_it_is_verified_is_no_damage(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(take, "_OWN_PACK", 0)  # samples lie in packs that nothing has opened by then
    for number in range(3):
        (folder / NAME).write_bytes(os.urandom(3000))
        history.take(f"n{number}")
    once: list[int] = []

    def forget_now(progress: Progress) -> None:
        if progress.what == "Reading everything back" and not once:
            once.append(1)
            with History(folder) as other:
                other.forget([2])

    found = history.verify(Watch(forget_now, every=0))
    assert once
    assert (found.snapshots, found.damaged) == (2, ())


def test_a_pack_that_another_process_rewrote_is_not_doubted(folder: Path, history: History) -> None:
    history.take("first")
    kept = history.files(1)[NAME].blob
    (folder / "alone.wav").write_bytes(os.urandom(100_000))
    (folder / "Samples/struck/slate_0.wav").write_bytes(b"another")
    history.take("second")
    with History(folder) as reader:
        packs = reader._store.packs
        reader.files(1)
        with History(folder) as other:
            repack.rewrite(other._store.packs, list(other._store.packs.places), Watch())
            old = [pack for pack in packs.packs if pack.path.exists()]
        packs.close()
        for pack in old:
            repack.drop(pack.path)
        assert packs.doubt(bytes.fromhex(kept)), "there is another copy now"
        assert reader.read(1, NAME) == (folder / NAME).read_bytes()
        assert not packs.doubts.all


def test_a_mirror_takes_all_that_is_whole_and_the_rest_once_it_is_kept_anew(
    folder: Path, history: History, git: Any, tmp_path: Path
) -> None:
    history.take("first")
    content = (folder / NAME).read_bytes()
    _rot(history, history.files(1)[NAME].blob)
    target = tmp_path / "copy.git"
    with History(folder) as again:
        done = again.mirror(target)
        assert done.broken == (1,)
        assert again.mirror(target).new == 0
    (tmp_path / "o").mkdir()
    with History(tmp_path / "o") as other:
        other.adopt(target)
        assert [path for path, _ in other.restore(1).failed] == [NAME]
    assert (tmp_path / "o/Samples/struck/slate_1.wav").exists()
    with History(folder) as again:
        again.take("again")
        assert again.mirror(target).broken == ()
    assert git(target, "fsck", "--full", "--strict", "--no-dangling") == ""
    (tmp_path / "p").mkdir()
    with History(tmp_path / "p") as other:
        other.adopt(target)
        assert other.read(1, NAME) == content


def test_what_was_worked_on_during_a_restore_that_is_cancelled_stays(folder: Path, history: History) -> None:
    for number in range(40):
        (folder / f"Samples/{number}.wav").write_bytes(os.urandom(2000))
    history.take("first")
    for number in range(40):
        (folder / f"Samples/{number}.wav").write_bytes(os.urandom(2000))
    before = {path: path.read_bytes() for path in sorted(folder.rglob("*.wav"))}
    watch: Watch

    def work_on_then_cancel(progress: Progress) -> None:
        if progress.what == "Restoring" and progress.done > 20_000:
            (folder / "Samples/0.wav").write_bytes(b"an hour's edit")
            (folder / "new.patch").write_bytes(b"new")
            watch.cancel()

    watch = Watch(work_on_then_cancel, every=0)
    with pytest.raises(Cancelled):
        history.restore(1, watch=watch)
    assert (folder / "new.patch").read_bytes() == b"new"
    after = {path: path.read_bytes() for path in sorted(folder.rglob("*.wav"))}
    assert after == before | {folder / "Samples/0.wav": b"an hour's edit"}
    assert history.recover() is None


def test_no_pack_ever_has_the_name_that_one_of_the_same_objects_had(tmp_path: Path) -> None:
    """Another process may doubt the first one still, which is gone by now, and must not take the new one for it."""
    data, names = b"the same", set()
    for _ in range(3):
        writer = PackWriter(tmp_path)
        writer.add(BLOB, data, object_id(BLOB, data))
        pack = writer.finish()
        assert pack is not None
        names.add(pack.name)
        repack.drop(pack)
        assert not list(tmp_path.iterdir())
    assert len(names) == 3


def test_a_stream_that_breaks_off_leaves_nothing_in_the_pack(tmp_path: Path) -> None:
    """A large object's first copy may turn out damaged half way; what its second copy gives then stands alone."""

    def breaks() -> Iterator[bytes]:
        yield data[:200_000]
        raise KeyError

    data, before = bytes(range(256)) * 2000, b"before" * 100
    (tmp_path / "pack").mkdir()
    writer = PackWriter(tmp_path / "pack")
    writer.add(BLOB, before, object_id(BLOB, before))
    with pytest.raises(KeyError):
        writer.add_stream(breaks(), len(data), None)
    assert writer.add_stream(iter([data]), len(data), None) == object_id(BLOB, data)
    assert writer.finish() is not None
    read = Packs(tmp_path / "pack")
    assert [read.read(object_id(BLOB, one)) for one in (before, data)] == [before, data]
    for one in (before, data):
        packed = len(entry_header(BLOB, len(one))) + len(b"".join(streams.deflated(one)))
        assert read.packed_size(object_id(BLOB, one)) <= packed  # nothing of the first attempt lies between
    read.close()
