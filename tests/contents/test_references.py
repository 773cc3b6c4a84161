from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from typing import Any

import pytest

from companion.contents import references
from companion.contents.index import PathIndex
from companion.contents.reading.names import FolderNames
from companion.contents.reading.scan import scan_bytes
from companion.contents.reading.scanned import Scan
from companion.contents.references import Fate, Reference, References, resolve
from companion.core.entries import Entry, Kind

FILES = [
    "Slate.slab",
    "Patches/Deep.slab",
    "Samples/a b.wav",
    "Samples/close/c.wav",
    "Samples/far/c.wav",
    "Samples/Tom & Co.wav",
    unicodedata.normalize("NFD", "Samples/é.wav"),
    "Samples/Case.wav",
    "Samples/x.wav",
    "Samples/X.wav",
    "ui/panel.png",
    "old/left.wav",
]


def entries(paths: list[str]) -> list[Entry]:
    return [Entry(path=p, size=1, mtime_ns=0, inode=0, kind=Kind.OTHER) for p in paths]


def one(text: str, source: str = "Slate.slab", *, quoted: bool = False) -> Reference:
    raw = text.encode()
    data = f'p = "{text}"\n'.encode() if quoted else b"\1" + len(raw).to_bytes(2, "little") + raw + b"\0\2"
    ships = [path for path in FILES if not path.startswith("old/")]
    (item,) = resolve({source: scan_bytes(data, names=FolderNames(FILES))}, entries(FILES), ships).items
    return item


@pytest.mark.parametrize(
    ("text", "source", "fate", "target"),
    [
        ("Samples/a b.wav", "Slate.slab", Fate.FOUND, "Samples/a b.wav"),
        ("Samples/a b.wav", "Patches/Deep.slab", Fate.FOUND, "Samples/a b.wav"),
        ("../Samples/a b.wav", "Patches/Deep.slab", Fate.FOUND, "Samples/a b.wav"),
        ("./Samples/../ui/panel.png", "Slate.slab", Fate.FOUND, "ui/panel.png"),
        ("Samples/./a b.wav", "Slate.slab", Fate.FOUND, "Samples/a b.wav"),
        ("Samples//a b.wav", "Slate.slab", Fate.FOUND, "Samples/a b.wav"),
        ("Samples\\close\\c.wav", "Slate.slab", Fate.FOUND, "Samples/close/c.wav"),
        ("Samples/Tom &amp; Co.wav", "Slate.slab", Fate.FOUND, "Samples/Tom & Co.wav"),
        ("Samples/a%20b.wav", "Slate.slab", Fate.FOUND, "Samples/a b.wav"),
        ("Samples/é.wav", "Slate.slab", Fate.NORMALISATION, FILES[6]),
        ("samples/case.wav", "Slate.slab", Fate.CASE, "Samples/Case.wav"),
        ("close/c.wav", "Slate.slab", Fate.ELSEWHERE, "Samples/close/c.wav"),
        ("a b.wav", "Slate.slab", Fate.ELSEWHERE, "Samples/a b.wav"),
        ("Samples/gone.wav", "Slate.slab", Fate.MISSING, ""),
        ("Audio/a b.wav", "Slate.slab", Fate.MISSING, "Samples/a b.wav"),
        ("../Beside/a b.wav", "Slate.slab", Fate.OUTSIDE, "Samples/a b.wav"),
        ("../../Samples/a b.wav", "Patches/Deep.slab", Fate.OUTSIDE, "Samples/a b.wav"),
        ("/Users/ann/Slate/Samples/a b.wav", "Slate.slab", Fate.ELSEWHERE, "Samples/a b.wav"),
        ("C:\\Kit\\far\\c.wav", "Slate.slab", Fate.ELSEWHERE, "Samples/far/c.wav"),
        ("/Users/ann/gone.wav", "Slate.slab", Fate.MISSING, ""),
        ("/Users/ann/Kits", "Slate.slab", Fate.UNSURE, ""),
        ("Samples/slate_%03d.wav", "Slate.slab", Fate.UNSURE, ""),
        ("Samples/{note}.wav", "Slate.slab", Fate.UNSURE, ""),
        ("case.wav", "Slate.slab", Fate.CASE, "Samples/Case.wav"),
        ("é.WAV", "Slate.slab", Fate.CASE, FILES[6]),
        ("é.wav", "Slate.slab", Fate.NORMALISATION, FILES[6]),
    ],
)
def test_fates(text: str, source: str, fate: Fate, target: str) -> None:
    item = one(text, source)
    assert (item.fate, item.target) == (fate, target)


def test_two_that_differ_by_case_only() -> None:
    item = one("samples/x.WAV")
    assert (item.fate, item.others) == (Fate.CASE, 1)
    assert one("Samples/x.wav").fate is Fate.FOUND


def test_what_does_not_ship_is_marked_excluded() -> None:
    assert one("old/left.wav").excluded
    assert not one("Samples/a b.wav").excluded


def test_escapes_of_json() -> None:
    assert one("Samples\\\\close\\\\c.wav", quoted=True).target == "Samples/close/c.wav"
    assert one("Samples\\/a b.wav", quoted=True).target == "Samples/a b.wav"
    assert one("/Users\\/ann\\/Samples\\/a b.wav", quoted=True).target == "Samples/a b.wav"


def test_a_fragment_of_a_name_is_not_missed() -> None:
    assert one("_soft.wav", quoted=True).fate is Fate.UNSURE
    assert one("soft.wav", quoted=True).fate is Fate.MISSING


def test_running_text_counts_when_it_fits_and_is_never_missed() -> None:
    scans = {"notes.txt": scan_bytes(b"Load the sample a b.wav first, then gone.wav.\n")}
    found = resolve(scans, entries(FILES), FILES)
    assert found.used == {"Samples/a b.wav"}
    assert [item.fate for item in found.items] == [Fate.ELSEWHERE, Fate.UNSURE]


def test_a_name_that_fits_several_uses_them_all() -> None:
    scans = {"Slate.slab": scan_bytes(b"\0c.wav\0")}
    assert resolve(scans, entries(FILES), FILES).used == {"Samples/close/c.wav", "Samples/far/c.wav"}


def test_nothing_read_nothing_used() -> None:
    assert resolve({"Slate.slab": Scan()}, entries(FILES), FILES) == References()


class Counted(list[str]):
    """Paths that count how many of them are looked at."""

    looked_at = 0

    def __iter__(self) -> Iterator[str]:
        for path in super().__iter__():
            Counted.looked_at += 1
            yield path

    def __getitem__(self, index: Any) -> Any:
        taken = super().__getitem__(index)
        Counted.looked_at += len(taken) if isinstance(index, slice) else 1
        return taken


class CountedIndex(PathIndex):
    """An index that counts how often it is asked, and how much of its answers is looked at."""

    def exact(self, path: str) -> str | None:
        Counted.looked_at += 1
        return super().exact(path)

    def any_case(self, path: str) -> list[str]:
        Counted.looked_at += 1
        return Counted(super().any_case(path))

    def ending(self, tail: str) -> list[str]:
        Counted.looked_at += 1
        return Counted(super().ending(tail))


@pytest.mark.parametrize("same", [False, True])
def test_the_work_is_linear(monkeypatch: pytest.MonkeyPatch, same: bool) -> None:
    """Four times the mentions and files are four times the work, also where every file has the same name."""
    monkeypatch.setattr(references, "PathIndex", CountedIndex)

    def work(count: int) -> int:
        paths = [f"Samples/{n:05}/{'c' if same else n}.wav" for n in range(count)]
        data = b"".join(b"\0\1" + (f"x/{n}/c.wav" if same else path).encode() for n, path in enumerate(paths)) + b"\0"
        Counted.looked_at = 0
        assert len(resolve({"Slate.slab": scan_bytes(data)}, entries(paths), paths).items) == count
        return Counted.looked_at

    small = work(500)
    assert small >= 500
    assert work(2_000) < 4.1 * small
