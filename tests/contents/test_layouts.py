"""Names in bytes of any layout: none invented, and nearly all found with the right text at the right byte."""

from __future__ import annotations

import unicodedata
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest

from companion.contents.reading.names import FolderNames
from companion.contents.reading.scan import scan_bytes
from companion.contents.reading.scanned import Scan
from tests.contents import fourth_patches, made_patches, other_patches, third_patches
from tests.contents.made_patches import Patch

PLANTED = ("missing", "absolute", "home", "drive", "climb", "case", "norm")
OF_THE_FOLDER = ("ok", "case", "norm")


def folded(text: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text.replace("\\", "/")).casefold())


def ends(files: tuple[str, ...]) -> set[str]:
    """Return every end of every path, folded."""
    return {folded("/".join(path.split("/")[first:])) for path in files for first in range(path.count("/") + 1)}


def invented(patch: Patch, found: Scan) -> list[str]:
    """Return the certain names that are neither a file's nor stand in the patch."""
    there, real = {item.text for item in patch.items}, ends(patch.files)
    return [m.text for m in found.mentions if m.sure and m.text not in there and folded(m.text) not in real]


class Judge:
    """Counts what was planted and what was found of it, over many patches."""

    def __init__(self, make: Callable[[int], Patch]) -> None:
        self.make = make
        self.patches = self.learnable = 0
        self.invented: list[tuple[int, str, str, str]] = []
        self.planted: Counter[str] = Counter()
        self.found: Counter[str] = Counter()
        self.near: Counter[str] = Counter()
        self.missed: Counter[tuple[str, str]] = Counter()

    def judge(self, seeds: range) -> None:
        for seed in seeds:
            patch = self.make(seed)
            found = scan_bytes(patch.data, names=FolderNames(patch.files))
            self.patches += 1
            self.invented += [(seed, patch.layout, patch.encoding, text) for text in invented(patch, found)[:3]]
            if sum(item.kind in OF_THE_FOLDER for item in patch.items) >= 10:
                self.learnable += 1
                self._count(patch, found)

    def _count(self, patch: Patch, found: Scan) -> None:
        sure: dict[str, set[int]] = {}
        for mention in found.mentions:
            if mention.sure:
                sure.setdefault(mention.text, set()).add(mention.offset)
        first: dict[str, int] = {}
        for item in patch.items:
            first.setdefault(item.text, item.offset)
        for item in patch.items:
            if item.kind in PLANTED and item.offset == first[item.text]:
                at = sure.get(item.text, set())
                self.planted[item.kind] += 1
                self.found[item.kind] += item.offset in at
                self.near[item.kind] += bool(at & {item.offset - 1, item.offset, item.offset + 1})
                self.missed[patch.layout, patch.encoding] += item.offset not in at

    def __str__(self) -> str:
        lines = [f"{self.patches:,} patches, {self.learnable:,} to learn from, invented in {self.false}"]
        for kind in PLANTED:
            total = max(1, self.planted[kind])
            exact, near = 100 * self.found[kind] / total, 100 * self.near[kind] / total
            lines.append(f"  {kind:<9} {self.planted[kind]:>6,}  {exact:6.2f} % at the byte, {near:6.2f} % within one")
        lines += [f"  missed most: {key} {count}" for key, count in self.missed.most_common(6) if count]
        return "\n".join([*lines, *(f"  invented: {one}" for one in self.invented[:12])])

    @property
    def false(self) -> int:
        """In how many patches a name was invented."""
        return len({seed for seed, *_ in self.invented})

    @property
    def share(self) -> float:
        """Which share of what was planted was found, the byte right but for the order of plain UTF-16."""
        return sum(self.near.values()) / max(1, self.planted.total())


SETS = pytest.mark.parametrize(
    "patches", [made_patches, other_patches, third_patches, fourth_patches], ids=["made", "other", "third", "fourth"]
)


@SETS
def test_no_name_is_invented_and_nearly_all_are_found(patches: Any) -> None:
    judge = Judge(patches.make)
    judge.judge(range(60))
    assert judge.invented == [], str(judge)
    assert judge.share > 0.985, str(judge)


@pytest.mark.campaign
@pytest.mark.parametrize("first", range(1_000, 2_500, 250))
@SETS
def test_layouts(patches: Any, first: int, capsys: pytest.CaptureFixture[str]) -> None:
    judge = Judge(patches.make)
    judge.judge(range(first, first + 250))
    with capsys.disabled():
        print(f"\n{patches.__name__} from {first:,}: {judge}")
    assert judge.invented == [], str(judge)
    assert judge.share > 0.99, str(judge)
