"""Text in the cells of a terminal: how many it takes, cut to fit, and its twin for terminals without the signs."""

from __future__ import annotations

import unicodedata
from typing import Final, NamedTuple

from companion.core.text import visible
from companion.drawing.shapes import Ink


class Span(NamedTuple):
    """A piece of one line, and what it is for."""

    text: str
    ink: Ink = "plain"


Row = list[Span]
"""One line."""

_WORDS: Final = {"…": "...", "±": "+-", "≤": "<=", "≥": ">=", "∞": "inf", "→": "->", "←": "<-"}
"""Twins longer than the sign: they are put in its place before a text is laid out."""
_TWINS: Final = str.maketrans(
    {
        "−": "-", "–": "-", "—": "-", "×": "x", "…": "~", "·": ".", "“": '"', "”": '"', "’": "'", "′": "'",
        "│": "|", "─": "-", "┤": "+", "└": "+", "╵": "'", "╌": "-", "┊": ":", "━": "-", "┅": "-", "═": "-",
        "▲": "^", "▼": "v", "█": "#", "○": "o", "●": "*", "╳": "X", "■": "#", "◇": "=", "♪": "p", "≡": "=",
        "⟨": "<", "⟩": ">",
    }
)  # fmt: skip
"""Twins of one cell."""


def plain(text: str) -> str:
    """Return our own signs as ASCII, each in one cell; what else a name may hold stays as it is."""
    return text.translate(_TWINS)


def spelled(text: str) -> str:
    """Return a text that is not laid out yet in ASCII, as far as our own signs go; twins may be longer."""
    for sign, twin in _WORDS.items():
        text = text.replace(sign, twin)
    return plain(text)


def cells(text: str) -> int:
    """Return how many cells a text takes: wide characters two (Unicode UAX #11), combining ones none."""
    if text.isascii():
        return len(text)
    return sum(map(_cell, text))


def _cell(char: str) -> int:
    if unicodedata.combining(char) or unicodedata.category(char) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(char) in ("W", "F") else 1


def fitted(text: str, width: int, *, keep_end: bool = False) -> str:
    """Return a text made inert and cut to at most ``width`` cells; the cut is shown by an ellipsis where one fits."""
    text = visible(text)
    if cells(text) <= width:
        return text
    if width <= 1:
        return "…"[: max(0, width)]
    kept, room = "", width - 1
    for char in reversed(text) if keep_end else text:
        if cells(kept) + _cell(char) > room:
            break
        kept = char + kept if keep_end else kept + char
    return f"…{kept}" if keep_end else f"{kept}…"


def padded(text: str, width: int, *, right: bool = False) -> str:
    """Return a text cut or filled to exactly ``width`` cells."""
    cut = fitted(text, width)
    blank = " " * (width - cells(cut))
    return blank + cut if right else cut + blank


def wrapped(text: str, width: int) -> list[str]:
    """Return a text made inert, in lines of at most ``width`` cells, broken at blanks where there are any."""
    lines: list[str] = []
    line = ""
    for word in visible(text).split(" "):
        left = word
        if line and cells(line) + 1 + cells(left) <= width:
            line = f"{line} {left}"
            continue
        if line:
            lines.append(line)
        while cells(left) > width:
            head = _head(left, width) or left[:1]
            lines.append(head)
            left = left[len(head) :]
        line = left
    return [*lines, line] if line or not lines else lines


def _head(text: str, width: int) -> str:
    """Return as much of the beginning of a text as fits."""
    taken = 0
    for place, char in enumerate(text):
        taken += _cell(char)
        if taken > width:
            return text[:place]
    return text


def row_text(row: Row) -> str:
    """Return a line without its inks, and without blanks at its end."""
    return "".join(span.text for span in row).rstrip()
