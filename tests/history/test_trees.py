"""What differs between two trees, by their ids: held against the comparison that reads both in full."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from companion.history.history import History
from companion.history.store.packs import Damaged
from companion.history.store.store import Store
from companion.history.store.trees import differing


def pairs(folder: Path, a: str, b: str) -> dict[str, tuple[str | None, str | None]]:
    store = Store(folder)
    try:
        return differing(store.packs, a, b)
    finally:
        store.close()


def test_it_tells_what_the_full_comparison_tells(folder: Path, history: History) -> None:
    first = history.take("first")
    (folder / "Samples/struck/slate_0.wav").write_bytes(b"other")
    (folder / "Samples/struck/slate_1.wav").unlink()
    (folder / "Samples/new").mkdir()
    (folder / "Samples/new/slate_9.wav").write_bytes(b"nine")
    (folder / "Takes" / "odd\udcff.wav").write_bytes(b"odd")
    (folder / "CHANGELOG.md").unlink()
    (folder / "CHANGELOG.md").mkdir()
    (folder / "CHANGELOG.md" / "inside.md").write_text("a folder where a file was\n")
    second = history.take("second")
    found = pairs(folder, first.tree, second.tree)
    before, after = history.files(1), history.files(2)
    assert found == {
        path: (old and old.blob, new and new.blob)
        for path in before.keys() | after.keys()
        if (old := before.get(path)) != (new := after.get(path))
    }
    assert {path: (b, a) for path, (a, b) in found.items()} == pairs(folder, second.tree, first.tree)


def test_against_no_tree_at_all_it_is_everything(folder: Path, history: History) -> None:
    taken = history.take("first")
    files = {path: (None, kept.blob) for path, kept in history.files(taken.number).items()}
    assert pairs(folder, "", taken.tree) == files
    assert pairs(folder, taken.tree, taken.tree) == {}


def test_evidence_and_the_executable_bit_are_no_change_of_the_work(folder: Path, history: History) -> None:
    first = history.take("first")
    (folder / ".companion" / "evidence").mkdir()
    (folder / ".companion" / "evidence" / "sound.json").write_text("{}")
    (folder / "render.sh").chmod(0o644)
    second = history.take("second")
    assert second.new
    assert pairs(folder, first.tree, second.tree) == {}


def test_a_folder_that_is_the_same_is_never_opened(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(20):
        shutil.copytree(folder / "Samples" / "struck", folder / "Samples" / f"more{number}")
        (folder / "Samples" / f"more{number}" / "mine.wav").write_bytes(b"%d" % number)
    first = history.take("first")
    (folder / "Samples" / "more7" / "mine.wav").write_bytes(b"seven")
    second = history.take("second")
    store, read = Store(folder), []
    real = store.packs.read

    def noted(oid: bytes) -> bytes:
        read.append(oid)
        return real(oid)

    monkeypatch.setattr(store.packs, "read", noted)
    assert list(differing(store.packs, first.tree, second.tree)) == ["Samples/more7/mine.wav"]
    assert len(read) == 6, "root, Samples and more7, on either side"
    store.close()


def test_a_tree_that_is_not_there_is_told(folder: Path, history: History) -> None:
    taken = history.take("first")
    with pytest.raises(Damaged):
        pairs(folder, "ab" * 20, taken.tree)
