"""Maps of keys, bars, bytes and courses as lines of text."""

from __future__ import annotations

from typing import Final

from companion.drawing.cells import Row, Span, cells, fitted, padded, wrapped
from companion.drawing.shapes import Bar, Bars, Cell, Course, Dump, Ink, KeyMap, State

_STATES: Final[dict[State, tuple[str, Ink, str]]] = {
    "none": ("·", "muted", ""),
    "covered": ("═", "wave", "played by a neighbour"),
    "here": ("■", "good", ""),
    "hole": ("○", "mark", "hole"),
    "overlap": ("╳", "mark", "overlap"),
    "pitch": ("♪", "mark", "off pitch"),
    "louder": ("▲", "mark", "louder than its neighbours"),
    "softer": ("▼", "mark", "softer than its neighbours"),
    "same": ("≡", "mark", "the same recording twice"),
}
_MOST_LABEL: Final = 22


def cell_sign(cell: Cell) -> tuple[str, Ink]:
    """Return the one character a cell is drawn as: what is wrong with it, else how many samples it has."""
    sign, ink, _ = _STATES[cell.state]
    if cell.state == "here":
        return (str(cell.takes) if cell.takes < 10 else "+"), ink
    return sign, ink


def map_label(pane: KeyMap, width: int) -> int:
    """Return how many cells the names of the rows take."""
    longest = max((cells(f"{row.layer} {row.dynamic}") for row in pane.rows), default=0)
    return min(longest, _MOST_LABEL, max(1, width // 3))


def map_blocks(pane: KeyMap, width: int) -> list[range]:
    """Return the keys, by their place in the rows, that stand beside each other: as many as fit, in even blocks."""
    room = max(1, width - map_label(pane, width) - 1)
    count = len(pane.names)
    return [range(first, min(count, first + room)) for first in range(0, count, room)]


def map_rows(pane: KeyMap, width: int, at: tuple[int, int] | None = None) -> list[Row]:
    """Return a map of keys; ``at``: the row and column of the cell under a cursor."""
    rows: list[Row] = [[Span(fitted(pane.title, width), "head")]] if pane.title else []
    label = map_label(pane, width)
    for block in map_blocks(pane, width):
        rows.append([Span(" " * (label + 1)), Span(_names(pane, block), "muted")])
        for number, row in enumerate(pane.rows):
            line: Row = [Span(padded(f"{row.layer} {row.dynamic}".strip(), label) + " ", "muted")]
            for column in block:
                text, ink = cell_sign(row.cells[column])
                ink = "cursor" if at == (number, column) else ink
                if line[-1].ink == ink and len(line) > 1:
                    line[-1] = Span(line[-1].text + text, ink)
                else:
                    line.append(Span(text, ink))
            rows.append(line)
        rows += _under(pane, block, label)
    return [*rows, *([Span(line, "muted")] for line in map_legend(pane, width))]


def _names(pane: KeyMap, block: range) -> str:
    """Return the names of keys over their columns: each C, and the first of the block where there is room."""
    line = ""
    for column in block:
        name = pane.names[column]
        offset = column - block.start
        is_c = name[:1] == "C" and name[1:2] not in ("#", "♯", "♭", "b")
        if (is_c or column == block.start) and len(line) <= offset and offset + len(name) <= len(block):
            if column == block.start and any(
                pane.names[c].startswith("C") and "#" not in pane.names[c]
                for c in range(column + 1, min(block.stop, column + len(name) + 1))
            ):
                continue  # it would take the place of the C beside it
            line = line.ljust(offset) + name + " "
    return line.rstrip()[: len(block)]


def _under(pane: KeyMap, block: range, label: int) -> list[Row]:
    """Return a line of arrows under the keys of the finding that is shown; none where there are none."""
    at = [any(row.cells[column].at for row in pane.rows) for column in block]
    arrows = "".join("▲" if here else " " for here in at).rstrip()
    return [[Span(" " * (label + 1)), Span(arrows, "mark")]] if arrows else []


def map_legend(pane: KeyMap, width: int) -> list[str]:
    """Return what the signs on a map stand for, those that are on it, in lines of at most ``width`` cells."""
    there = {cell.state for row in pane.rows for cell in row.cells}
    words = ["1–9 samples on that key"] if "here" in there else []
    words += [f"{sign} {said}" for state, (sign, _, said) in _STATES.items() if said and state in there]
    lines: list[str] = []
    for word in words:
        if lines and cells(lines[-1]) + 3 + cells(word) <= width:
            lines[-1] += f"   {word}"
        else:
            lines += wrapped(word, width)
    return lines


def bar_rows(pane: Bars, width: int, at: int | None = None) -> list[Row]:
    """Return bars, each on a line: name, bar, text. The limit is a stroke through all of them.

    at: the one under a cursor.
    """
    rows: list[Row] = [[Span(fitted(pane.title, width), "head")]] if pane.title else []
    text = min(max((cells(bar.text) for bar in pane.bars), default=0), max(1, width // 2))
    name = min(max((cells(bar.name) for bar in pane.bars), default=0), max(1, (width - text - 2) // 2))
    room = width - name - text - 2
    most = max([bar.value for bar in pane.bars] + [pane.limit or 0.0], default=0.0) or 1.0
    drawn = [_bar_row(bar, pane, (name, room, text), most) for bar in pane.bars]
    rows += [[Span(row[0].text, "cursor"), *row[1:]] if number == at else row for number, row in enumerate(drawn)]
    if pane.limit is not None and pane.limit_text:
        rows.append([Span(fitted(f"┊ {pane.limit_text}", width), "limit")])
    return rows


def _bar_row(bar: Bar, pane: Bars, widths: tuple[int, int, int], most: float) -> Row:
    name, room, text = widths
    full = min(max(0, room), round(max(0.0, bar.value) / most * max(0, room)))
    if bar.value > 0 and room > 0:
        full = max(1, full)
    strip = "█" * full + " " * max(0, room - full)
    if pane.limit is not None and room > 0:
        place = min(room - 1, round(pane.limit / most * room))
        strip = f"{strip[:place]}┊{strip[place + 1 :]}"
    long = cells(bar.name) > name
    shown = fitted(bar.name, name, keep_end=True) if long else padded(bar.name, name)
    shown += " " * (name - cells(shown))
    return [Span(f"{shown} "), Span(strip, bar.ink), Span(f" {padded(bar.text, text, right=True)}", "muted")]


def dump_rows(pane: Dump, width: int) -> list[Row]:
    """Return bytes in lines of 16, 8 or 4: offset, hex, text; arrows stand under those it is about."""
    rows: list[Row] = [[Span(fitted(pane.title, width), "head")]] if pane.title else []
    data = bytes.fromhex(pane.hex)
    digits = max(4, len(f"{pane.offset + len(data):,}"))
    each = next((count for count in (16, 8, 4, 2) if digits + 2 + 4 * count + 1 <= width), 1)
    for first in range(0, len(data), each):
        part = data[first : first + each]
        inks: list[Ink] = ["mark" if pane.first <= pane.offset + first + n < pane.end else "plain" for n in range(each)]
        row: Row = [Span(f"{f'{pane.offset + first:,}':>{digits}}  ", "muted")]
        row += [Span(f"{byte:02x} ", inks[number]) for number, byte in enumerate(part)]
        row.append(Span("   " * (each - len(part)) + " "))
        row += [Span(chr(byte) if 32 <= byte < 127 else "·", inks[number]) for number, byte in enumerate(part)]
        rows.append(_cut(row, width))
        if "mark" in inks[: len(part)]:
            under = "".join("▲▲ " if ink == "mark" else "   " for ink in inks) + " "
            under += "".join("▲" if ink == "mark" else " " for ink in inks[: len(part)])
            rows.append(_cut([Span(" " * (digits + 2)), Span(under.rstrip(), "mark")], width))
    return rows


def _cut(row: Row, width: int) -> Row:
    """Return a line without what is over ``width`` cells."""
    kept: Row = []
    for span in row:
        room = width - sum(len(one.text) for one in kept)
        if room > 0:
            kept.append(Span(span.text[:room], span.ink))
    return kept


def course_rows(pane: Course, width: int) -> list[Row]:
    """Return stations below each other on a line, the newest on top."""
    rows: list[Row] = [[Span(fitted(pane.title, width), "head")]] if pane.title else []
    for number, moment in enumerate(pane.moments):
        weight = fitted(moment.weight, max(0, width // 4))
        right = f"  {weight}" if weight else ""
        head = fitted(f"{moment.name}  {moment.when}".rstrip(), max(1, width - 2 - cells(right)))
        gap = " " * max(0, width - 2 - cells(head) - cells(right))
        rows.append([Span("● ", moment.ink), Span(head, "plain"), Span(gap + right, "muted")])
        last = number == len(pane.moments) - 1
        rows += [
            [Span("  " if last else "│ ", moment.ink), Span(line, "muted")]
            for line in wrapped(moment.text, max(1, width - 2))
            if moment.text
        ]
    return rows
