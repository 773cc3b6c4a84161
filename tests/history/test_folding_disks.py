"""A disk that takes ``A.wav`` and ``a.wav`` for one file, and one that decomposes names: nothing is lost there."""

from __future__ import annotations

import sys
import unicodedata
from pathlib import Path

import pytest

from companion.core import below, crew
from companion.workshop import Workshop
from tests.core.windows import Folding

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="plays what other systems' disks do by themselves")


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Workshop:
    folder = tmp_path / "Slate"
    (folder / "Samples").mkdir(parents=True)
    (folder / "Samples" / "low.wav").write_bytes(b"low")
    monkeypatch.setattr(below, "BY_HANDLE", False)
    monkeypatch.setattr(below, "_newer_rename", lambda: None)
    return Workshop(folder)


def on_disk(shop: Workshop) -> dict[str, bytes]:
    """The files by the names that are really there."""
    return {path.name: path.read_bytes() for path in sorted((shop.folder / "Samples").iterdir())}


def test_a_name_that_changed_its_case_alone_is_brought_back(shop: Workshop, monkeypatch: pytest.MonkeyPatch) -> None:
    Folding(monkeypatch, shop.folder)
    shop.snapshot("low")
    (shop.folder / "Samples" / "low.wav").rename(shop.folder / "Samples" / "Low.WAV")
    assert on_disk(shop) == {"Low.WAV": b"low"}
    restored = shop.restore(1)
    assert restored.failed == ()
    assert on_disk(shop) == {"low.wav": b"low"}
    assert shop.restore(2).failed == ()
    assert on_disk(shop) == {"Low.WAV": b"low"}


def test_of_twins_from_another_disk_one_is_told_and_neither_overwritten(
    shop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    (shop.folder / "Samples" / "LOW.wav").write_bytes(b"another")
    shop.snapshot("twins")
    for path in (shop.folder / "Samples").iterdir():
        path.unlink()
    Folding(monkeypatch, shop.folder)
    monkeypatch.setattr(crew, "processors", lambda: 1)  # a disk takes names one after the other; what plays it does not
    restored = shop.restore(1)
    assert len(restored.failed) == 1
    ((refused, reason),) = restored.failed
    assert refused in ("Samples/low.wav", "Samples/LOW.wav")
    assert reason
    (there,) = on_disk(shop).items()
    assert there in (("low.wav", b"low"), ("LOW.wav", b"another"))
    assert not refused.endswith(there[0])


def test_a_name_that_came_back_decomposed_is_the_same_file(shop: Workshop, monkeypatch: pytest.MonkeyPatch) -> None:
    name = unicodedata.normalize("NFC", "höhle.wav")
    (shop.folder / "Samples" / name).write_bytes(b"deep")
    shop.snapshot("as written")
    other = unicodedata.normalize("NFD", name)
    (shop.folder / "Samples" / name).rename(shop.folder / "Samples" / other)  # as copying over such a disk does
    Folding(monkeypatch, shop.folder)
    restored = shop.restore(1)
    assert restored.failed == ()
    assert on_disk(shop) == {name: b"deep", "low.wav": b"low"}
