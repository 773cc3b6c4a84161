"""Names of one shape: what they have in common, and what differs, column by column."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

import msgspec

from companion.sound.zones.gluing import unglued
from companion.sound.zones.lexing import BETWEEN, DIGITS, NOTE, SLASH, WORD, Token, lexed
from companion.sound.zones.pieces import TEXT, Piece, Template, pieces_of, roles_of, template_of
from companion.sound.zones.vocabulary import PREFIXES

Shape = tuple[tuple[str, str], ...]
"""The roles of the pieces of a name in order, with what is written between them and in front of numbers."""


MOST_FAMILIES: Final = 4000
"""Families that are looked at; where there are more the names follow no order that could be told."""


class Row(NamedTuple):
    """One name: its path, its tokens and its pieces."""

    path: str
    tokens: tuple[Token, ...]
    pieces: tuple[Piece, ...]

    def value(self, column: int) -> str:
        """Return what stands in a column, without the prefix of a number."""
        return self.tokens[self.pieces[column].stop - 1][1]

    def text(self, column: int) -> str:
        """Return all that is written in a column."""
        piece = self.pieces[column]
        return "".join(text for _, text in self.tokens[piece.start : piece.stop])


class Family(msgspec.Struct, frozen=True):
    """Names of one shape that share all their words. words: those words."""

    shape: Shape
    words: tuple[str, ...]
    rows: Sequence[Row]

    def columns(self, *roles: str) -> list[int]:
        """Return the columns that have one of these roles."""
        return [place for place, (role, _) in enumerate(self.shape) if role in roles]

    def values(self, column: int) -> list[str]:
        """Return what stands in a column, name by name."""
        return [row.value(column) for row in self.rows]

    @property
    def folder(self) -> str:
        """The folder of the first name."""
        return self.rows[0].path.rpartition("/")[0]


def families(paths: Iterable[str]) -> list[Family]:
    """Return names put together by shape and words, the largest family first."""
    every = list(paths)
    names = [lexed(path) for path in every]
    notes = [text for name in names for kind, text in name if kind == NOTE]
    below = sum("-" in text for text in notes)
    if below and 2 * below > len(notes):
        # Where every octave stands behind a dash, the dash parts it from the note.
        names = [lexed(path, minus=False) for path in every]
    names = unglued(names)
    templates: dict[Template, list[int]] = defaultdict(list)
    for place, name in enumerate(names):
        templates[template_of(name)].append(place)
    roles = roles_of(templates)
    groups: dict[tuple[Shape, tuple[str, ...]], list[Row]] = defaultdict(list)
    for template, places in templates.items():
        pieces = pieces_of(template, roles[template])
        shape = tuple(_written(template, piece) for piece in pieces)
        words = tuple(
            "".join(text for _, text in template[piece.start : piece.stop]) for piece in pieces if piece.role == TEXT
        )
        groups[shape, words].extend(Row(every[place], names[place], pieces) for place in places)
    found = [Family(shape, words, rows) for (shape, words), rows in groups.items()]
    return sorted(found, key=lambda one: (-len(one.rows), one.rows[0].path))[:MOST_FAMILIES]


def _written(template: Template, piece: Piece) -> tuple[str, str]:
    return piece.role, template[piece.start][1] if piece.role == BETWEEN else piece.prefix


def is_clean(row: Row, column: int, *, apart: bool = False) -> bool:
    """Tell whether a note in a column stands by itself: not behind a number, nor before a letter of no meaning.

    apart: it must not run into a word either, but for one that says something.
    """
    piece, tokens = row.pieces[column], row.tokens
    before = tokens[piece.start - 1] if piece.start else (BETWEEN, "")
    after = tokens[piece.stop] if piece.stop < len(tokens) else (BETWEEN, "")
    if before[0] in (DIGITS, NOTE) or (before[0] == WORD and len(before[1]) == 1):
        return False
    told = column + 1 < len(row.pieces) and row.pieces[column + 1].role != TEXT
    return after[0] in (BETWEEN, SLASH) or told or (len(after[1]) > 1 and not apart)


_CODE: Final = re.compile("[A-Za-z]|[A-Z]{2}")


def is_code(row: Row) -> bool:
    """Tell whether a name begins a part with a letter or two and a number that are no note, such as K1, T12 or HH3."""
    tokens = row.tokens
    for place, (kind, text) in enumerate(tokens[:-1]):
        starts = place == 0 or tokens[place - 1][0] in (BETWEEN, SLASH)
        if starts and kind == WORD and tokens[place + 1][0] == DIGITS and _CODE.fullmatch(text):
            return text.lower() not in PREFIXES
    return False
