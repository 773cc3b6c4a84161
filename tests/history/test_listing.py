"""The remembered list says what the commits say, or nothing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zlib import crc32

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.hold import Hold
from companion.history import listing
from companion.history.history import History
from companion.history.snapshot import Snapshot
from companion.history.store import hermetic, refs, snapshot_list
from companion.history.store.commits import clean_label
from companion.history.store.store import Store


def _from_commits(folder: Path) -> list[Snapshot]:
    """The list as it is where nothing is remembered; the memory is put back."""
    memory = folder / ".companion/history.git" / snapshot_list.FILE
    aside = memory.with_name("aside")
    memory.rename(aside)
    try:
        store = Store(folder)
        found = store.snapshots()
        store.close()
        return found
    finally:
        aside.rename(memory)


def _place(folder: Path) -> Path:
    return folder / ".companion/history.git"


def _change(folder: Path, text: str) -> None:
    (folder / "notes.txt").write_text(text, "utf-8")


def test_it_holds_what_the_commits_say_after_every_kind_of_change(
    folder: Path, history: History, tmp_path: Path
) -> None:
    def same() -> list[Snapshot]:
        rows = snapshot_list.remembered(_place(folder))
        assert rows is not None
        assert rows == _from_commits(folder) == listing.snapshots(folder) == history.snapshots()
        return rows

    (folder / "empty").mkdir()
    history.take("erste Fassung, größer")
    assert same()[0].empty_folders == ("Takes", "empty")
    for number in range(2, 13):  # more than are read one by one
        _change(folder, str(number))
        history.take(f"n {number}", kind="due" if number % 2 else "asked")
        same()
    history.tag_release(3, "1.0\tβ")
    assert {row.number: row.version for row in same()}[3] == "1.0\tβ"
    history.forget([1, 12])
    assert [row.number for row in same()] == list(range(11, 1, -1))
    _change(folder, "unkept")
    history.restore(3)
    assert same()[0].kind == "before-restore"
    target = tmp_path / "mirror.git"
    history.mirror(target)
    (tmp_path / "new computer").mkdir()
    with History(tmp_path / "new computer") as other:
        other.adopt(target)
    assert snapshot_list.remembered(_place(tmp_path / "new computer")) == same()


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_rows_there_and_back(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    names = st.text(st.characters(codec=None), max_size=8)  # lone surrogates, tabs and line feeds too
    few = st.lists(names, max_size=2).map(tuple)
    rows = [
        Snapshot(
            number,
            f"{number:040x}",
            f"{data.draw(st.integers(0, 2**160 - 1)):040x}",
            clean_label(data.draw(names)),
            "2026-11-26T12:00:00Z",
            data.draw(st.sampled_from(["asked", "due", "release"])),
            data.draw(st.integers(0, 2**40)),
            data.draw(st.integers(0, 2**60)),
            data.draw(st.just("") | st.text(max_size=5)),
            data.draw(few),
            data.draw(st.lists(st.tuples(names, names), max_size=2).map(tuple)),
            data.draw(few),
        )
        for number in range(data.draw(st.integers(0, 4)), 0, -1)
    ]
    place = tmp_path_factory.mktemp("history")
    snapshot_list.remember(place, b"some names\n", rows)
    assert snapshot_list.kept(place) == (b"some names\n", rows)


def test_any_damage_to_it_is_seen(folder: Path, history: History) -> None:
    for number in range(3):
        _change(folder, str(number))
        history.take(f"n {number}")
    memory = _place(folder) / snapshot_list.FILE
    whole = memory.read_bytes()
    right = _from_commits(folder)
    for at in range(len(whole)):
        memory.write_bytes(whole[:at] + bytes([whole[at] ^ 0x21]) + whole[at + 1 :])
        rows = snapshot_list.remembered(_place(folder))
        assert rows is None or rows == right  # a letter of the sum in capitals is no other sum
        memory.write_bytes(whole[:at])
        assert snapshot_list.remembered(_place(folder)) is None
    assert listing.snapshots(folder) == right


def _forged(body: str, names: bytes) -> bytes:
    data = names + body.encode()
    return b"listing 1 %08x %d\n%s" % (crc32(data), len(names), data)


ID, ROW = "a" * 40, ["1", "a" * 40, "b" * 40, "label", "2026-11-26T12:00:00Z", "asked", "3", "4", ""]


@pytest.mark.parametrize(
    "row",
    [
        {3: "a\x1b[2Jb"},
        {4: "\u202e"},
        {5: "\x9b"},
        {1: "a" * 39},
        {1: "a" * 39 + "g"},
        {2: "B" * 40},
        {0: "one"},
        {6: ""},
        {8: "{"},
        {8: "[" * 100_000},
        {8: json.dumps(["", [1], [], []])},
        {8: json.dumps(["", [], [["a"]], []])},
        {8: json.dumps([1, [], [], []])},
        {8: json.dumps(["", [], []])},
        {8: "\t"},
    ],
    ids=str,
)
def test_what_we_would_not_have_written_is_not_believed(folder: Path, history: History, row: dict[int, str]) -> None:
    history.take("the truth")
    names = (_place(folder) / snapshot_list.NAMES).read_bytes()
    memory = _place(folder) / snapshot_list.FILE
    memory.write_bytes(_forged("\t".join(ROW) + "\n", names))
    assert [one.label for one in listing.snapshots(folder)] == ["label"]  # the neighbour: well formed, so believed
    fields = [row.get(at, field) for at, field in enumerate(ROW)]
    memory.write_bytes(_forged("\t".join(fields) + "\n", names))
    assert [one.label for one in listing.snapshots(folder)] == ["the truth"]


def test_a_pipe_a_folder_and_a_link_in_its_place(folder: Path, history: History) -> None:
    taken = history.take("first")
    memory = _place(folder) / snapshot_list.FILE
    memory.unlink()
    os.mkfifo(memory)
    assert listing.snapshots(folder) == [taken.but(new=True)]
    _change(folder, "second")
    history.take("second")
    assert memory.is_file()  # written anew
    outside = folder.parent / "outside.txt"
    outside.write_text("a letter", "utf-8")
    memory.unlink()
    memory.symlink_to(outside)
    _change(folder, "third")
    history.take("third")
    assert outside.read_text("utf-8") == "a letter"
    memory.unlink()
    memory.mkdir()
    (memory / "kept").touch()
    _change(folder, "fourth")
    assert history.take("fourth").number == 4
    assert [row.number for row in listing.snapshots(folder)] == [4, 3, 2, 1]
    assert not list(_place(folder).glob(".*.part"))


def test_a_snapshot_that_cannot_be_read_is_not_remembered_as_such(folder: Path, history: History) -> None:
    history.take("first")
    memory = _place(folder) / snapshot_list.FILE
    memory.unlink()
    refs.write(_place(folder), refs.read(_place(folder)).joined(refs.Refs({9: "e" * 40})))
    _change(folder, "second")
    history.take("second")
    assert not memory.exists()
    assert [(row.number, bool(row.tree)) for row in listing.snapshots(folder)] == [(10, True), (9, False), (1, True)]


def test_no_commit_is_read_twice_and_git_not_started(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(30):
        _change(folder, str(number))
        history.take(f"n {number}")

    def refuse(*_: object) -> bytes:
        raise AssertionError("git was started")

    monkeypatch.setattr(hermetic, "git_program", refuse)
    store = Store(folder)
    assert len(store.snapshots()) == 30
    assert store._packs is None
    _change(folder, "one more")
    history.take("one more")
    assert len(listing.snapshots(folder)) == 31


def test_looking_writes_nothing(folder: Path, history: History) -> None:
    history.take("first")
    (_place(folder) / snapshot_list.FILE).unlink()
    assert len(listing.snapshots(folder)) == 1
    assert not (_place(folder) / snapshot_list.FILE).exists()
    assert listing.snapshots(folder.parent) == []
    assert not (folder.parent / ".companion").exists()


def test_listing_imports_next_to_nothing(folder: Path, history: History) -> None:
    """Half a command's time is Python's start; ``typing`` alone would be another seventh."""
    (folder / "Takes").rmdir()  # an empty folder is told in JSON
    history.take("first")
    code = (
        "import sys; from pathlib import Path; before = set(sys.modules); "
        "from companion.history.listing import snapshots; "
        "assert [one.label for one in snapshots(Path(sys.argv[1]))] == ['first']; "
        "print(*sorted(set(sys.modules) - before))"
    )
    run = [sys.executable, "-S", "-c", code, str(folder)]
    root = Path(__file__).parents[2]
    done = subprocess.run(run, capture_output=True, text=True, check=True, env={**os.environ, "PYTHONPATH": str(root)})
    assert {name for name in done.stdout.split() if not name.startswith("companion")} <= {
        "__future__",
        "collections.abc",
        "unicodedata",
        "zlib",
    }


def test_a_disk_that_refuses_costs_nothing(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch, fsck: Callable[[Path], None]
) -> None:
    def refuse(place: Hold, name: str, *rest: Any, **more: Any) -> int:
        if name.startswith(".listing."):
            raise OSError(28, "No space left on device")
        return real(place, name, *rest, **more)

    history.take("first")
    _change(folder, "second")
    real = Hold.new
    monkeypatch.setattr(Hold, "new", refuse)
    assert history.take("second").number == 2
    monkeypatch.undo()
    assert snapshot_list.remembered(_place(folder)) is None
    assert [row.label for row in listing.snapshots(folder)] == ["second", "first"]
    fsck(folder)


def test_nothing_is_done_on_the_word_of_the_list(folder: Path, history: History, fsck: Callable[[Path], None]) -> None:
    """Forged, well formed: it says that the second snapshot, and the newest, hold what the first one does."""
    first = history.take("first")
    _change(folder, "second")
    history.take("second")
    _change(folder, "third")
    history.take("third")

    def forge(numbers: tuple[int, ...]) -> None:
        names, rows = snapshot_list.kept(_place(folder))
        rows = [row.but(tree=first.tree) if row.number in numbers else row for row in rows]
        snapshot_list.remember(_place(folder), names, rows)

    forge((2,))
    with History(folder) as again:
        assert [row.tree for row in again.snapshots()].count(first.tree) == 2, "believed where it is only shown"
        assert again.read(2, "notes.txt") == b"second"
        again.restore(2, into=folder.parent / "into")
        again.forget([3])
        assert again.verify().damaged == ()
        assert again.read(2, "notes.txt") == b"second", "what only it holds was not swept away"
    fsck(folder)
    (folder / "notes.txt").unlink()
    forge((2,))
    with History(folder) as again:
        assert again.take("as the first").new, "the newest is said to hold all this, and does not"


def test_a_damaged_commit_is_told_and_nothing_swept_though_the_list_remembers_it(
    folder: Path, history: History
) -> None:
    for label in ("first", "second", "third"):
        _change(folder, label)
        history.take(label)
    place = history._store.packs.places[bytes.fromhex(history.snapshot(2).id)]
    with place.pack.path.open("r+b") as stream:
        stream.seek(place.start + 20)
        stream.write(b"damaged")
    with History(folder) as again:
        assert [one.snapshots for one in again.verify().damaged] == [(2,)]
        assert again.read(2, "notes.txt") == b"second", "the list remembers which tree it was"
        assert "damaged" in again.forget([3]).remark
