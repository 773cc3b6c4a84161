"""Bits of the history turn on its disk in any order with what a maker does: nothing of the maker's is lost for it."""

from __future__ import annotations

import hashlib
import itertools
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st
from hypothesis.stateful import initialize, invariant, precondition, rule

from companion.core.errors import CompanionError
from companion.history.history import History
from companion.history.store import refs, snapshot_list
from companion.history.store.objects import tree_entries
from companion.history.store.packs import read_index
from tests.history.desk import (
    FEW,
    FOLDER,
    LABELS,
    MANY,
    MARKS,
    Desk,
    Snap,
    State,
    below,
    blob_of,
    contents,
    data_of,
    drive,
    kept,
    on_disk,
    places,
    restored,
    snapped,
)

pytestmark = MARKS


def whole_objects(store: Path, *, strictly: bool = False) -> dict[bytes, bytes]:
    """Every object of which some copy unpacks to what its id says, read without the history's own readers.

    What its content rests on is asked alone; ``strictly`` the frame around the packed stream and its sum too.
    """
    found: dict[bytes, bytes] = {}
    for index in store.glob("objects/pack/*.idx"):
        packed = index.with_suffix(".pack").read_bytes()
        for oid, at in zip(*read_index(index), strict=True):
            kind, size, shift, end = (packed[at] >> 4) & 7, packed[at] & 15, 4, at
            while packed[end] & 0x80:
                end += 1
                size |= (packed[end] & 0x7F) << shift
                shift += 7
            try:
                bare = b"" if not size and not strictly else zlib.decompressobj(-15).decompress(packed[end + 3 :])
                data = zlib.decompressobj().decompress(packed[end + 1 :]) if strictly else bare
            except zlib.error:
                continue
            name = {1: b"commit", 2: b"tree", 3: b"blob"}.get(kind, b"")
            if size == len(data) and is_whole(name, data, oid):
                found[oid] = data
    return found


def is_whole(kind: bytes, data: bytes, oid: bytes) -> bool:
    return hashlib.sha1(b"%s %d\0%s" % (kind, len(data), data), usedforsecurity=False).digest() == oid


def reached(store: Path, whole: dict[bytes, bytes]) -> set[bytes]:
    """Every object that the snapshots need, as far as what is whole tells."""
    waiting = [bytes.fromhex(commit) for commit in refs.read(store).snapshots.values()]
    seen = set(waiting)
    while waiting:
        oid = waiting.pop()
        data = whole.get(oid, b"")
        below = [bytes.fromhex(data[5:45].decode())] if data.startswith(b"tree ") else []
        if oid in whole and not below and is_whole(b"tree", data, oid):
            below = [entry.id for entry in tree_entries(data)]
        waiting += [one for one in below if one not in seen]
        seen |= {*below}
    return seen


class Rotting(Desk):
    """A disk on which bits of the history turn now and then: nothing of the maker's is lost for it."""

    @property
    def whole(self) -> dict[bytes, bytes]:
        return whole_objects(self.store)

    @initialize(some=st.dictionaries(places, contents, min_size=2, max_size=5))
    def begin(self, some: dict[str, bytes]) -> None:
        for path, content in some.items():
            self.put(path, content)
        self.keep(self.hands[0].take("first"), self.now)

    def unless_damaged(self, ask: Callable[[], Any]) -> Any:
        """What is asked for, or None where the history says that it is too damaged for it."""
        try:
            return ask()
        except CompanionError as error:
            if "damaged" not in error.what:
                raise
        return None

    @rule(data=st.data(), label=st.sampled_from([*LABELS]), kind=st.sampled_from(["asked", "due"]))
    def take(self, data: st.DataObject, label: str, kind: str) -> None:
        self.keep(self.take_of(data, kind, label), self.now)

    def keep(self, got: Any, state: State) -> None:
        if got.new:
            assert got.number not in self.snaps
            self.snaps[got.number] = Snap(got.label, got.kind, *snapped(state))
        snap = self.snaps[got.number]
        assert (snap.files, snap.empty) == snapped(state)

    @precondition(lambda self: self.snaps)
    @rule(
        data=st.data(),
        which=st.sets(st.integers(0, 99), min_size=1, max_size=6),
        at=st.integers(0, 9999),
        flip=st.integers(1, 255),
        heal=st.booleans(),
        seen=st.booleans(),
    )
    def rot(self, data: st.DataObject, which: set[int], at: int, flip: int, heal: bool, seen: bool) -> None:
        """Turn bits of one byte of some objects, in one copy of each."""
        copies = []
        for index in self.store.glob("objects/pack/*.idx"):
            pack = index.with_suffix(".pack")
            ids, starts = read_index(index)
            ends = dict(itertools.pairwise([*sorted(starts), pack.stat().st_size - 20]))
            copies += [(oid, pack, start, ends[start]) for oid, start in zip(ids, starts, strict=True)]
        for one in which:
            _, pack, start, end = sorted(copies)[one % len(copies)]
            content = pack.read_bytes()
            with pack.open("r+b") as stream:
                stream.seek(start + at % (end - start))
                stream.write(bytes([content[stream.tell()] ^ flip]))
            self.counts["bytes turned"] += 1
        if heal:
            self.verify_and_take(data, seen)

    @precondition(lambda self: self.snaps)
    @rule(data=st.data(), some=st.booleans())
    def restore(self, data: st.DataObject, some: bool) -> None:
        number = self.pick(data, self.snaps)
        snap = self.snaps[number]
        only = self.some_paths(data, snap) if some else ()
        self.counts["restores"] += 1
        before = self.now
        if (done := self.unless_damaged(lambda: self.hand(data).restore(number, only=only))) is None:
            self.counts["restores refused"] += 1
            return
        after, right, whole = on_disk(self.root), restored(before, snap, only).state, self.whole
        assert done.safety is not None
        self.keep(done.safety, before)
        named = tuple("" if path == "." else path for path, _ in done.failed)
        for path in {*before, *after, *right}:
            entry, now = before.get(path), after.get(path)
            assert now in (entry, right.get(path)), "one or the other, and nothing between"
            if now != right.get(path) and {now, right.get(path)} - {FOLDER, None}:
                assert any(not one or below(path, one) or below(one, path) for one in named), path
            if entry and entry != FOLDER and (not now or now == FOLDER or data_of(now) != data_of(entry)):
                assert blob_of(entry) in whole, "its only copy is never overwritten or taken away"
        if after != before:
            (self.store / snapshot_list.FILE).unlink(missing_ok=True)  # it is worth nothing in itself
            with History(self.root) as other:
                safe = {path: (one.blob, one.mode) for path, one in other.files(done.safety.number).items()}
            assert safe == {path: kept(one)[::2] for path, one in snapped(before)[0].items()}
        if named:
            self.counts["restores that named what is damaged"] += 1
        self.now = after

    @precondition(lambda self: self.snaps)
    @rule(data=st.data())
    def restore_elsewhere(self, data: st.DataObject) -> None:
        number, into = self.pick(data, self.snaps), self.new_place()
        if (done := self.unless_damaged(lambda: self.hand(data).restore(number, into=into))) is None:
            return
        right, there = restored({}, self.snaps[number]).state, on_disk(into)
        named = tuple("" if path == "." else path for path, _ in done.failed)
        assert there.items() <= right.items()
        for path in right.keys() - there.keys():
            assert right[path] == FOLDER or any(not one or below(path, one) for one in named), path

    @precondition(lambda self: self.snaps)
    @rule(data=st.data(), seen=st.booleans())
    def verify_and_take(self, data: st.DataObject, seen: bool) -> None:
        """Verify names what is damaged and nothing else, and the next snapshot keeps anew what the folder still has."""
        hand = self.hand(data)
        strictly = whole_objects(self.store, strictly=True)
        said = {bytes.fromhex(one.id) for one in hand.verify().damaged}
        assert not said & strictly.keys()
        assert reached(self.store, strictly) - self.whole.keys() <= said
        self.counts["damaged objects found"] += len(said)
        self.keep((hand if seen else self.hand(data)).take(), self.now)
        whole = self.whole
        for path, entry in snapped(self.now)[0].items():
            assert blob_of(entry) in whole, path
        with History(self.root) as other:
            newest = max(self.snaps)
            assert other.files(newest) == {path: kept(one) for path, one in self.snaps[newest].files.items()}
        self.counts["healed"] += len(said & whole.keys())

    @precondition(lambda self: self.snaps)
    @rule(data=st.data())
    def forget(self, data: st.DataObject) -> None:
        gone = data.draw(st.sets(st.sampled_from(sorted(self.snaps)), min_size=1, max_size=3))
        before = self.whole
        if self.unless_damaged(lambda: self.hand(data).forget(gone)):
            self.counts["forgets"] += 1
            self.forgotten(gone)
        assert reached(self.store, before) & before.keys() <= self.whole.keys(), "forgetting costs nothing more"

    @precondition(lambda self: self.snaps)
    @rule(data=st.data())
    def mirror(self, data: st.DataObject) -> None:
        target = self.place / "mirror.git"
        self.counts["mirrors"] += 1
        self.hand(data).mirror(target)
        whole = whole_objects(self.store, strictly=True)
        assert reached(self.store, whole) & whole.keys() <= whole_objects(target).keys()

    @invariant()
    def every_snapshot_is_listed(self) -> None:
        for hand in self.hands:
            rows = hand.snapshots()
            assert [row.number for row in rows] == sorted(self.snaps, reverse=True)
            for row in rows:
                assert not row.tree or (row.label, row.kind) == self.snaps[row.number][:2]


def test_what_rots_in_a_history_costs_the_maker_nothing(tmp_path: Path, git: Callable[..., str]) -> None:
    counts = drive(Rotting, tmp_path, git, FEW | {"max_examples": 25})
    print(dict(counts))
    assert min(counts[one] for one in ("bytes turned", "restores", "damaged objects found", "healed")) > 0


@pytest.mark.campaign
def test_what_rots_in_a_history_costs_the_maker_nothing_for_long(tmp_path: Path, git: Callable[..., str]) -> None:
    print(dict(drive(Rotting, tmp_path, git, MANY)))
