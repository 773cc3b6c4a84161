"""A history beside a plain model of it, through any order of what a maker does: the same, to the letter."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st
from hypothesis.stateful import (
    invariant,
    precondition,
    rule,
)

from companion.core.errors import CompanionError
from companion.history.history import History
from companion.history.store import commits, snapshot_list
from tests.history.desk import (
    FEW,
    LABELS,
    MANY,
    MARKS,
    VERSIONS,
    Desk,
    Snap,
    anywhere,
    data_of,
    drive,
    kept,
    on_disk,
    restored,
    snapped,
    within,
)

pytestmark = MARKS


class Whole(Desk):
    """A disk that keeps what it was given: everything is as the model says, to the letter."""

    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)
        self.mirrored: dict[int, Snap] = {}
        self.mirrored_releases: dict[str, int] = {}

    def taken(self, kind: str, label: str) -> tuple[int, bool]:
        """The number of the snapshot that a take returns, and whether it is a new one."""
        files, empty = snapped(self.now)
        newest = sorted(self.snaps, reverse=True)
        for number in newest if kind == "before-restore" else newest[:1]:
            old = self.snaps[number]
            asked = kind == "asked" and label and old.kind != "asked" and old.label != label
            if (old.files, old.empty) == (files, empty) and not asked:
                return number, False
        self.last = max([self.last, *self.snaps]) + 1
        self.snaps[self.last] = Snap(label, kind, files, empty)
        return self.last, True

    @rule(data=st.data(), label=st.sampled_from([*LABELS]), kind=st.sampled_from(["asked", "asked", "due", "release"]))
    def take(self, data: st.DataObject, label: str, kind: str) -> None:
        got = self.take_of(data, kind, label)
        assert (got.number, got.new) == self.taken(kind, LABELS[label])

    @precondition(lambda self: self.snaps)
    @rule(data=st.data(), some=st.booleans())
    def restore(self, data: st.DataObject, some: bool) -> None:
        number = self.pick(data, self.snaps)
        snap = self.snaps[number]
        only = self.some_paths(data, snap) if some else ()
        self.counts["restores"] += 1
        done = self.hand(data).restore(number, only=only)
        right = restored(self.now, snap, only)
        assert done.safety is not None
        safe = self.taken("before-restore", f"before restoring snapshot {number}")
        assert (done.safety.number, done.safety.new) == safe
        self.now = right.state
        assert (set(done.written), set(done.removed)) == (right.written, right.removed)
        assert {path for path, _ in done.failed} == right.failed
        asked = [path for path in snap.files if within(path, only)]
        assert done.unchanged == len(asked) - len(done.written) - len(right.failed & {*asked})

    @precondition(lambda self: self.snaps)
    @rule(data=st.data(), some=st.booleans())
    def restore_elsewhere(self, data: st.DataObject, some: bool) -> None:
        number, into = self.pick(data, self.snaps), self.new_place()
        only = self.some_paths(data, self.snaps[number]) if some else ()
        self.counts["restores elsewhere"] += 1
        done = self.hand(data).restore(number, only=only, into=into)
        right = restored({}, self.snaps[number], only)
        assert (on_disk(into), set(done.written), done.failed) == (right.state, right.written, ())

    @precondition(lambda self: self.snaps)
    @rule(data=st.data(), path=anywhere)
    def restore_what_is_not_there(self, data: st.DataObject, path: str) -> None:
        number = self.pick(data, self.snaps)
        snap = self.snaps[number]
        if path not in {*snap.files, *snap.folders}:
            with pytest.raises(CompanionError, match="holds no"):
                self.hand(data).restore(number, only=[path])

    @precondition(lambda self: self.snaps)
    @rule(data=st.data(), released=st.booleans(), unknown=st.sampled_from([False] * 5 + [True]))
    def forget(self, data: st.DataObject, released: bool, unknown: bool) -> None:
        gone = data.draw(st.sets(st.sampled_from(sorted(self.snaps)), min_size=1, max_size=3))
        if unknown or (not released and gone & {*self.releases.values()}):
            with pytest.raises(CompanionError):
                self.hand(data).forget(gone | {999} if unknown else gone, released=released)
            return
        self.counts["forgets"] += 1
        assert self.hand(data).forget(gone, released=released).remark == ""
        self.forgotten(gone)

    @precondition(lambda self: self.snaps)
    @rule(data=st.data(), version=st.sampled_from(VERSIONS))
    def release(self, data: st.DataObject, version: str) -> None:
        number = self.pick(data, self.snaps)
        if self.releases.get(version, number) != number:
            with pytest.raises(CompanionError, match="released already"):
                self.hand(data).tag_release(number, version)
            return
        self.releases[version] = number
        assert self.hand(data).tag_release(number, version).version == self.version_of(number)

    @precondition(lambda self: self.snaps)
    @rule(data=st.data(), live=st.booleans())
    def compare(self, data: st.DataObject, live: bool) -> None:
        a, b = self.pick(data, self.snaps), None if live else self.pick(data, self.snaps)
        one, two = self.snaps[a].files, snapped(self.now)[0] if b is None else self.snaps[b].files
        got = self.hand(data).compare(a, b)
        self.counts["compares"] += 1
        old, new = [path for path, _ in got.renamed], [path for _, path in got.renamed]
        assert sorted([*got.added, *new]) == sorted(two.keys() - one.keys())
        assert sorted([*got.removed, *old]) == sorted(one.keys() - two.keys())
        assert list(got.changed) == sorted(path for path in one.keys() & two.keys() if one[path] != two[path])
        assert [data_of(one[path]) for path in old] == [data_of(two[path]) for path in new]
        left = {data_of(one[path]) for path in got.removed} & {data_of(two[path]) for path in got.added}
        assert left <= {b""}, "equal contents are paired"
        sizes = {
            path: tuple(len(data_of(side[path])) if path in side else None for side in (one, two))
            for path in (*got.added, *got.removed, *got.changed, *old, *new)
        }
        assert got.sizes == sizes
        for path in got.changed:
            assert got.text_diff(path).isprintable() or "\n" in got.text_diff(path)
        for side, text in ((one, got.facts_before), (two, got.facts_after)):
            assert data_of(side.get("release.toml", ("file", b""))) in (text.encode(), b"PATCH\0\xff") or not text

    @rule(data=st.data())
    def mirror(self, data: st.DataObject) -> None:
        if not self.snaps:
            with pytest.raises(CompanionError, match="no snapshot to copy"):
                self.hand(data).mirror(self.place / "mirror.git")
            return
        self.counts["mirrors"] += 1
        got = self.hand(data).mirror(self.place / "mirror.git")
        fresh = self.snaps.keys() - self.mirrored.keys()
        self.mirrored |= self.snaps
        self.mirrored_releases |= self.releases
        assert (got.snapshots, got.new) == (len(self.mirrored), len(fresh))

    @precondition(lambda self: self.mirrored)
    @rule(data=st.data(), stay=st.booleans())
    def adopt(self, data: st.DataObject, stay: bool) -> None:
        """Bring the mirror's snapshots into a fresh folder, and perhaps go on there."""
        self.counts["adoptions"] += 1
        ours = self.root, self.hands, self.now, self.snaps, self.releases, self.last
        self.move_in(self.new_place())
        self.snaps, self.releases, self.last = dict(self.mirrored), dict(self.mirrored_releases), max(self.mirrored)
        assert self.hand(data).adopt(self.place / "mirror.git").snapshots == len(self.mirrored)
        self.the_snapshots_are_the_models()
        for hand in self.hands if stay else ours[1]:
            hand.close()
        if stay:
            self.root, self.hands, self.now, self.snaps, self.releases, self.last = ours

    @invariant()
    def the_snapshots_are_the_models(self) -> None:
        rows = [
            (
                number,
                one.label,
                one.kind,
                self.version_of(number),
                len(one.files),
                sum(len(data_of(entry)) for entry in one.files.values()),
                one.empty,
                (),
                (),
            )
            for number, one in sorted(self.snaps.items(), reverse=True)
        ]
        for hand in self.hands:
            assert rows == [
                (
                    one.number,
                    one.label,
                    one.kind,
                    one.version,
                    one.files,
                    one.bytes,
                    one.empty_folders,
                    tuple(out for out in one.left_out if not out[0].endswith("/.git")),
                    one.changed_while_read,
                )
                for one in hand.snapshots()
            ]
        for number, snap in self.snaps.items():
            found = self.hands[number % 2].files(number)
            assert found == {path: kept(entry) for path, entry in snap.files.items()}
        held_against_the_commits(self.hands[0])

    def teardown(self) -> None:
        try:
            if self.store.exists():
                assert self.git(self.store, "fsck", "--full", "--strict", "--no-dangling") == ""
                with History(self.root) as last:
                    found = last.verify()
                    assert (found.snapshots, found.damaged) == (len(self.snaps), ())
                self.counts["objects read back"] += found.objects
        finally:
            super().teardown()


def held_against_the_commits(hand: History) -> None:
    """The remembered list says what the commits say, or nothing."""
    store = hand._store
    if (rows := snapshot_list.remembered(store.path)) is None:
        return
    versions = {commit: version for version, commit in store.named().releases.items()}
    assert [row.number for row in rows] == sorted(store.named().snapshots, reverse=True)
    for row in rows:
        tree, text = commits.split_commit(store.packs.read(bytes.fromhex(row.id)))
        assert row == commits.snapshot_of(row.number, row.id, tree, text, versions.get(row.id, ""))


def test_a_history_is_what_its_model_is(tmp_path: Path, git: Callable[..., str]) -> None:
    counts = drive(Whole, tmp_path, git, FEW)
    assert min(counts[one] for one in ("takes", "restores", "forgets", "mirrors", "adoptions")) > 0


@pytest.mark.campaign
def test_a_history_is_what_its_model_is_for_long(tmp_path: Path, git: Callable[..., str]) -> None:
    print(dict(drive(Whole, tmp_path, git, MANY)))
