"""Drawings as lines of text: in braille and other signs, or in ASCII where a terminal cannot show those."""

from __future__ import annotations

from typing import Any, Final

import msgspec

from companion.drawing.cells import Row, Span, cells, fitted, plain, row_text, spelled, wrapped
from companion.drawing.shapes import Bars, Course, Drawing, Dump, KeyMap, Pane, Plot
from companion.drawing.text_panes import bar_rows, course_rows, dump_rows, map_rows
from companion.drawing.text_plot import LEAST_HEIGHT, plot_rows, rows_besides

LEAST_WIDTH: Final = 20
MOST_WIDTH: Final = 400
USUAL_HEIGHT: Final = 8
_MOST_HEIGHT: Final = 60
_LABEL: Final = 9


_WITHOUT: Final = ("linux", "dumb")
"""Terminals (the variable TERM) whose font holds no braille."""


def needs_ascii(encoding: str, terminal: str) -> bool:
    """Tell whether what writes in ``encoding`` to a terminal of that name cannot show braille and our other signs."""
    try:
        "⣿▲━".encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return True
    return terminal in _WITHOUT


At = tuple[int, int]
"""Row and column of a cell, or the place of a bar and 0: what is under a cursor."""


def pane_rows(
    pane: Pane, width: int, height: int = USUAL_HEIGHT, *, ascii_only: bool = False, at: At | None = None
) -> list[Row]:
    """Return one pane in ``width`` cells; ``height``: rows of the canvas of a plot, other panes take what they need."""
    match pane:
        case Plot():
            rows = plot_rows(pane, width, height, ascii_only=ascii_only)
        case KeyMap():
            rows = map_rows(pane, width, at)
        case Bars():
            rows = bar_rows(pane, width, at[0] if at else None)
        case Dump():
            rows = dump_rows(pane, width)
        case Course():
            rows = course_rows(pane, width)
    return _plain(rows) if ascii_only else rows


def drawing_rows(
    drawing: Drawing, width: int, height: int = 0, *, ascii_only: bool = False, at: At | None = None
) -> list[Row]:
    """Return the panes of a drawing, and its note; none of its lines takes over ``width`` cells.

    height: rows there are, or 0. The canvases of plots are made to fill them, as far as that makes sense.
    at: what is under a cursor, in the last pane that leads anywhere.
    """
    width = max(LEAST_WIDTH, min(MOST_WIDTH, width))
    note: list[Row] = [[Span(line, "muted")] for line in wrapped(drawing.note, width)] if drawing.note else []
    plots = sum(isinstance(pane, Plot) and not pane.empty for pane in drawing.panes)
    canvas = USUAL_HEIGHT
    if height and plots:
        taken = len(note)
        for pane in drawing.panes:
            taken += rows_besides(pane, width) if isinstance(pane, Plot) else len(pane_rows(pane, width))
        canvas = max(LEAST_HEIGHT, min(_MOST_HEIGHT, (height - taken) // plots))
    leads = [n for n, pane in enumerate(drawing.panes) if _leads(pane)]
    rows = [
        row
        for number, pane in enumerate(drawing.panes)
        for row in pane_rows(
            pane, width, canvas, ascii_only=ascii_only, at=at if leads and number == leads[-1] else None
        )
    ]
    return [*rows, *(_plain(note) if ascii_only else note)]


def _leads(pane: Pane) -> bool:
    return isinstance(pane, KeyMap) or (isinstance(pane, Bars) and any(bar.path for bar in pane.bars))


def _plain(rows: list[Row]) -> list[Row]:
    return [[Span(plain(span.text), span.ink) for span in row] for row in rows]


def in_ascii(drawing: Drawing) -> Drawing:
    """Return a drawing whose own signs in names and sentences are spelled in ASCII, for renderers told to do so."""

    def spell(value: Any) -> Any:
        if isinstance(value, str):
            return spelled(value)
        if isinstance(value, dict):
            return {key: spell(inner) for key, inner in value.items()}
        return [spell(inner) for inner in value] if isinstance(value, list | tuple) else value

    return msgspec.convert(spell(msgspec.to_builtins(drawing)), Drawing)


def figure_rows(drawing: Drawing, width: int, *, ascii_only: bool = False) -> list[Row]:
    """Return the figures, each label before its text; lines of a text stand below each other."""
    width = max(LEAST_WIDTH, min(MOST_WIDTH, width))
    label = min(max([_LABEL, *(cells(figure.label) for figure in drawing.figures)]), width // 3)
    rows: list[Row] = []
    for figure in drawing.figures:
        head = fitted(figure.label, label)
        for number, line in enumerate(wrapped(figure.text, width - label - 1)):
            text = head + " " * (label - cells(head)) if number == 0 else " " * label
            rows.append([Span(f"{text} ", "muted"), Span(line)])
    return _plain(rows) if ascii_only else rows


def text_lines(drawing: Drawing, width: int, height: int = 0, *, ascii_only: bool = False) -> list[str]:
    """Return a whole drawing as plain lines: title, panes, figures; nothing in it depends on colour."""
    width = max(LEAST_WIDTH, min(MOST_WIDTH, width))
    drawing = in_ascii(drawing) if ascii_only else drawing
    title = fitted(drawing.title, width)
    rows = [[Span(plain(title) if ascii_only else title, "head")]]
    rows += drawing_rows(drawing, width, height, ascii_only=ascii_only)
    rows += figure_rows(drawing, width, ascii_only=ascii_only)
    return [row_text(row) for row in rows]
