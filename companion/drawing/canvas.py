"""A canvas of dots in the cells of a terminal: 2 × 4 to a cell (braille), or the same in ASCII."""

from __future__ import annotations

from typing import Final

from companion.drawing.cells import Row, Span, plain
from companion.drawing.shapes import Ink

ACROSS: Final = 2
DOWN: Final = 4
_BITS: Final = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Of each dot by row and column, in the block of Unicode that begins at U+2800."""

_COLUMN: Final = tuple(
    tuple(tuple(sum(_BITS[y][side] for y in range(top, bottom + 1)) for bottom in range(DOWN)) for top in range(DOWN))
    for side in range(ACROSS)
)
"""The bits of one side of a cell from a first to a last row."""

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
        """Set the dots of a column from ``top`` to ``bottom``, both drawn: a cell at a time."""
        top, bottom = max(0, top), min(self.down - 1, bottom)
        if not 0 <= x < self.across or bottom < top:
            return
        column, side = x // ACROSS, x % ACROSS
        for row in range(top // DOWN, bottom // DOWN + 1):
            bits = _COLUMN[side][max(0, top - DOWN * row)][min(DOWN - 1, bottom - DOWN * row)]
            self._dots[row][column] |= bits
            self._inks.setdefault((column, row), ink)

    def line(self, start: tuple[int, int], end: tuple[int, int], ink: Ink = "wave", *, dashed: bool = False) -> None:
        """Set the dots between two, both drawn; of a dashed line two of each four."""
        (x0, y0), (x1, y1) = start, end
        if not dashed and abs(x1 - x0) <= 1:  # steep: by columns, the first half in one and the second in the other
            middle = (y0 + y1) // 2
            self.upright(x0, min(y0, middle), max(y0, middle), ink)
            self.upright(x1, min(y1, middle), max(y1, middle), ink)
            return
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
        """Return one line; cells of one ink are joined."""
        spans: Row = []
        texts: list[str] = []
        now: Ink = "plain"
        for column, bits in enumerate(self._dots[row]):
            if sign := self._signs.get((column, row)):
                text, ink = plain(sign.text) if self._ascii else sign.text, sign.ink
            elif bits:
                text, ink = _ascii(bits) if self._ascii else chr(0x2800 + bits), self._inks[column, row]
            else:
                text, ink = " ", "plain"
            if ink != now and texts:
                spans.append(Span("".join(texts), now))
                texts = []
            texts.append(text)
            now = ink
        return [*spans, Span("".join(texts), now)] if texts else spans


def _ascii(bits: int) -> str:
    """Return what comes near some dots: by how many there are, and in which half."""
    if bits.bit_count() >= 5:
        return "#"
    upper, lower = bool(bits & _UPPER), bool(bits & _LOWER)
    return ":" if upper and lower else "'" if upper else "."
