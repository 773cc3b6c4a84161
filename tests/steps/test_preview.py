"""What is told before a restore is what the restore then does."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from companion.steps.account.changes import Writes
from companion.workshop import Workshop


@pytest.fixture
def shop(tmp_path: Path) -> Workshop:
    folder = tmp_path / "Slate Choir"
    (folder / "Samples").mkdir(parents=True)
    for number in range(4):
        (folder / "Samples" / f"slate_{number}.wav").write_bytes(b"%d" % number * 10)
    (folder / "Slate.patch").write_bytes(b"patch")
    (folder / "release.toml").write_text('[instrument]\ntitle = "Slate Choir"\nversion = "1.0"\n', encoding="utf-8")
    (folder / ".companion" / "evidence").mkdir(parents=True)
    for step in ("sound", "away"):
        (folder / ".companion" / "evidence" / f"{step}.json").write_text("{}")
    shop = Workshop.open(folder)
    shop.snapshot("first")
    return shop


def moved_on(folder: Path) -> None:
    (folder / "Samples" / "slate_0.wav").write_bytes(b"other content")
    (folder / "Samples" / "slate_1.wav").unlink()
    (folder / "Samples" / "slate_2.wav").rename(folder / "two.wav")
    (folder / "Samples" / "added.wav").write_bytes(b"added")
    (folder / ".companion" / "evidence" / "sound.json").unlink()
    (folder / ".companion" / "evidence" / "words.json").write_text("{}")
    (folder / ".companion" / "evidence" / "away.json").write_text("{} ")


@pytest.mark.parametrize("only", [(), ("Samples",), ("Samples/slate_1.wav", "two.wav"), ("Samples/",)])
def test_the_counts_are_those_of_the_restore(shop: Workshop, only: tuple[str, ...]) -> None:
    moved_on(shop.folder)
    told = shop.preview(1).of(only)
    if "two.wav" in only:  # which the snapshot does not hold, so the restore would refuse it
        assert told == Writes(written=1, bytes=10, removed=1)
        return
    done = shop.restore(1, only)
    assert (told.written, told.removed) == (len(done.written), len(done.removed))
    assert told.bytes == sum((shop.folder / path).stat().st_size for path in done.written)
    assert told.written, "the test is of nothing otherwise"


def test_what_comes_back_and_goes_is_named(shop: Workshop) -> None:
    moved_on(shop.folder)
    preview = shop.preview(1)
    assert preview.write == (
        (".companion/evidence/sound.json", 2),
        ("Samples/slate_0.wav", 10),
        ("Samples/slate_1.wav", 10),
        ("Samples/slate_2.wav", 10),
    )
    assert preview.remove == ("Samples/added.wav", "two.wav"), "evidence found since stays"
    assert preview.changes.changed == ("Samples/slate_0.wav",)


def test_the_facts_are_told_as_they_will_be(shop: Workshop) -> None:
    facts = shop.folder / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace("1.0", "1.1"), encoding="utf-8")
    preview = shop.preview(1)
    assert preview.changes.facts == ("instrument.version: “1.1” instead of “1.0”",)
    assert preview.facts == ("instrument.version: “1.0” instead of “1.1”",)


def test_what_the_snapshot_could_not_read_is_not_told_to_go(shop: Workshop, monkeypatch: pytest.MonkeyPatch) -> None:
    locked, real = shop.folder / "Samples" / "slate_3.wav", os.open

    def refusing(path: Any, *rest: Any, **more: Any) -> int:
        if Path(path) == locked:
            raise PermissionError(13, "Permission denied")
        return real(path, *rest, **more)

    locked.write_bytes(b"locked by the host")
    with monkeypatch.context() as patch:
        patch.setattr(os, "open", refusing)
        assert shop.snapshot("second").left_out
    assert shop.preview(2).remove == ()
    assert shop.restore(2).removed == ()
    (shop.folder / "Samples" / "slate_4.wav").write_bytes(b"added")
    assert shop.preview(2).remove == ("Samples/slate_4.wav",) == shop.restore(2).removed


def test_nothing_differs_is_nothing_done(shop: Workshop) -> None:
    assert shop.preview(1).of() == Writes(written=0, bytes=0, removed=0)
