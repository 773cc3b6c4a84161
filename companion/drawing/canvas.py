"""A canvas of dots in the cells of a terminal: 2 × 4 to a cell (braille), or the same in ASCII."""

from __future__ import annotations

from typing import Final

from companion.drawing.cells import Row, Span, plain
from companion.drawing.shapes import Ink

ACROSS: Final = 2
DOWN: Final = 4
_BITS: Final = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Of each dot by row and column, in the block of Unicode that begins at U+2800."""

_UPPER, _LOWER = 0x01 | 0x08 | 0x02 | 0x10, 0x04 | 0x20 | 0x40 | 0x80


class Canvas:
    """``width`` × ``height`` cells. Dots are counted from the upper left; what lies outside is not drawn."""

    def __init__(self, width: int, height: int, *, ascii_only: bool = False) -> None:
        self.width, self.height, self._ascii = width, height, ascii_only
        self._dots = [[0] * width for _ in range(height)]
        self._signs: dict[tuple[int, int], Span] = {}
        self._inks: dict[tuple[int, int], Ink] = {}

    @property
    def across(self) -> int:
        """Dots from left to right."""
        return self.width * ACROSS

    @property
    def down(self) -> int:
        """Dots from top to bottom."""
        return self.height * DOWN

    def dot(self, x: int, y: int, ink: Ink = "wave") -> None:
        """Set one dot."""
        if 0 <= x < self.across and 0 <= y < self.down:
            cell = (x // ACROSS, y // DOWN)
            self._dots[cell[1]][cell[0]] |= _BITS[y % DOWN][x % ACROSS]
            self._inks.setdefault(cell, ink)

    def upright(self, x: int, top: int, bottom: int, ink: Ink = "wave") -> None:
        """Set the dots of a column from ``top`` to ``bottom``, both drawn."""
        for y in range(max(0, top), min(self.down - 1, bottom) + 1):
            self.dot(x, y, ink)

    def line(self, start: tuple[int, int], end: tuple[int, int], ink: Ink = "wave", *, dashed: bool = False) -> None:
        """Set the dots between two, both drawn; of a dashed line two of each four."""
        (x0, y0), (x1, y1) = start, end
        steps = max(abs(x1 - x0), abs(y1 - y0), 1)
        for step in range(steps + 1):
            x = x0 + round((x1 - x0) * step / steps)
            y = y0 + round((y1 - y0) * step / steps)
            if not dashed or (x + y) % 4 < 2:
                self.dot(x, y, ink)

    def sign(self, column: int, row: int, text: str, ink: Ink) -> None:
        """Put a character into a cell, over its dots."""
        if 0 <= column < self.width and 0 <= row < self.height:
            self._signs[column, row] = Span(text, ink)

    def across_at(self, row: int, text: str, ink: Ink) -> None:
        """Put a character into every cell of a row that is empty so far."""
        for column in range(self.width):
            if not self._dots[row][column] and (column, row) not in self._signs:
                self._signs[column, row] = Span(text, ink)

    def tint(self, first: int, last: int, ink: Ink) -> None:
        """Give the cells of columns ``first`` to ``last`` an ink."""
        for column in range(max(0, first), min(self.width - 1, last) + 1):
            for row in range(self.height):
                self._inks[column, row] = ink

    def rows(self) -> list[Row]:
        """Return the lines, each of exactly ``width`` cells, in as few pieces as their inks allow."""
        return [self._row(row) for row in range(self.height)]

    def _row(self, row: int) -> Row:
        spans: Row = []
        for column in range(self.width):
            text, ink = self._cell(column, row)
            if spans and spans[-1].ink == ink:
                spans[-1] = Span(spans[-1].text + text, ink)
            else:
                spans.append(Span(text, ink))
        return spans

    def _cell(self, column: int, row: int) -> Span:
        if sign := self._signs.get((column, row)):
            return Span(plain(sign.text), sign.ink) if self._ascii else sign
        bits = self._dots[row][column]
        if not bits:
            return Span(" ")
        return Span(_ascii(bits) if self._ascii else chr(0x2800 + bits), self._inks[column, row])


def _ascii(bits: int) -> str:
    """Return what comes near some dots: by how many there are, and in which half."""
    if bits.bit_count() >= 5:
        return "#"
    upper, lower = bool(bits & _UPPER), bool(bits & _LOWER)
    return ":" if upper and lower else "'" if upper else "."
