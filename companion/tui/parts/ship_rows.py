"""What ships as rows: sections by what becomes of the files, folded or open. Pure, and made in a thread."""

from collections.abc import Collection, Iterable
from typing import Final

import msgspec

from companion.contents.groups import AskedGroup
from companion.contents.ships import Fate, KindTotal, ListedFile, ShipList, kinds_text
from companion.core.text import plural
from companion.core.units import decimal_bytes

OPEN_TO: Final = 8
"""A section with more files than this starts folded; what is asked about starts open."""
MOST: Final = 1_000
"""Rows of one section that are listed; the plain command lists them all."""


class ShipSection(msgspec.Struct, frozen=True):
    """Files of one fate that belong together. answer: the group they are answered by, where they are asked about."""

    key: str
    title: str
    fate: Fate
    files: tuple[ListedFile, ...]
    bytes: int
    answer: str = ""

    @property
    def starts_open(self) -> bool:
        """Whether its files are listed to begin with; never where the head is the one file itself."""
        return self.fate != "stays" and len(self.files) <= OPEN_TO and self.answer != self.files[0].path


class ShipRow(msgspec.Struct, frozen=True):
    """One row: the head of a section, one of its files, or how many more there are."""

    section: ShipSection
    file: ListedFile | None = None
    more: int = 0
    open: bool = False

    @property
    def key(self) -> str:
        """What sets the row apart from every other, for keeping the cursor on it."""
        return f"{self.section.key}\n{self.file.path if self.file else ''}"

    @property
    def answer(self) -> str:
        """What an answer to this row is about: a group, or a file; empty for the head of anything else."""
        return self.file.path if self.file else self.section.answer


def sections(contents: ShipList) -> tuple[ShipSection, ...]:
    """Return what is asked about by group, what ships by kind, what stays by reason."""
    asked = {group.id: group for group in contents.groups}
    batches: dict[tuple[Fate, str], list[ListedFile]] = {("asked", name): [] for name in asked}
    for file in contents.files:
        by = {"asked": file.group, "ships": file.kind.value, "stays": file.why}[file.fate]
        batches.setdefault((file.fate, by), []).append(file)
    order: dict[Fate, int] = {"asked": 0, "ships": 1, "stays": 2}
    kinds = {total.kind.value: place for place, total in enumerate(contents.ships)}
    ranked = sorted(batches.items(), key=lambda item: (order[item[0][0]], kinds.get(item[0][1], 0), item[0][1]))
    return tuple(_section(fate, by, files, asked) for (fate, by), files in ranked)


def _section(fate: Fate, by: str, files: Iterable[ListedFile], asked: dict[str, AskedGroup]) -> ShipSection:
    held = tuple(files)
    size = sum(file.bytes for file in held)
    kind = kinds_text([KindTotal(kind=held[0].kind, files=len(held), bytes=size)])
    what = kind if fate == "ships" else f"{by}: {plural(len(held), 'file')}"
    title = f"{what}, {decimal_bytes(size)}"
    return ShipSection(f"{fate}\n{by}", title, fate, held, size, by if fate == "asked" else "")


def ship_rows(parts: Iterable[ShipSection], toggled: Collection[str] = ()) -> tuple[ShipRow, ...]:
    """Return the rows to show. toggled: keys of sections folded or unfolded by hand."""
    found: list[ShipRow] = []
    for section in parts:
        is_open = section.starts_open ^ (section.key in toggled)
        found.append(ShipRow(section, open=is_open))
        if is_open:
            found.extend(ShipRow(section, file) for file in section.files[:MOST])
            if len(section.files) > MOST:
                found.append(ShipRow(section, more=len(section.files) - MOST))
    return tuple(found)
