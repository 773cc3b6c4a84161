"""A plot as lines of text."""

from __future__ import annotations

import math
from functools import partial
from itertools import pairwise
from typing import Final

from companion.drawing.canvas import Canvas
from companion.drawing.cells import Row, Span, cells, fitted, padded, wrapped
from companion.drawing.marks import joined, mark_groups
from companion.drawing.shapes import Band, Bound, Dots, Plot, Sign, Trace
from companion.drawing.ticks import place_of, ticks_of

LEAST_HEIGHT: Final = 3
_SIGNS: Final[dict[Sign, str]] = {
    "dot": "●",
    "ring": "○",
    "cross": "╳",
    "up": "▲",
    "down": "▼",
    "square": "■",
    "diamond": "◇",
}


def plot_rows(plot: Plot, width: int, height: int, *, ascii_only: bool = False) -> list[Row]:
    """Return a plot in ``width`` cells; ``height`` rows are the canvas's, axis and marks come below it."""
    height = max(LEAST_HEIGHT, height)
    rows: list[Row] = [[Span(fitted(plot.title, width), "head")]] if plot.title else []
    labels, gutter = _gutter(plot, width, height)
    across = max(1, width - gutter)
    if plot.empty:
        return [*rows, *([Span(f"  {line}", "muted")] for line in wrapped(plot.empty, width - 2))]
    canvas = Canvas(across, height, ascii_only=ascii_only)
    _draw(plot, canvas)
    for number, drawn in enumerate(canvas.rows()):
        label, line = labels.get(number, ""), "┤" if number in labels else "│"
        rows.append([Span(f"{padded(label, gutter - 2, right=True)} {line}", "muted"), *drawn])
    return [*rows, *_below(plot, width, gutter)]


def rows_besides(plot: Plot, width: int) -> int:
    """Return how many rows a plot takes besides its canvas."""
    if plot.empty:
        return len(plot_rows(plot, width, LEAST_HEIGHT))
    return bool(plot.title) + len(_below(plot, width, _gutter(plot, width, LEAST_HEIGHT)[1]))


def _gutter(plot: Plot, width: int, height: int) -> tuple[dict[int, str], int]:
    """Return the labels of the y axis by row, and how many cells they and the axis take."""
    labels = _labels(plot, height, width // 3)
    return labels, max((cells(text) for text in labels.values()), default=0) + 2


def _below(plot: Plot, width: int, gutter: int) -> list[Row]:
    across = max(1, width - gutter)
    return [_axis(plot, gutter, across), *_mark_rows(plot, gutter, across), *_legend(plot, width)]


def _labels(plot: Plot, height: int, most_width: int) -> dict[int, str]:
    """Return the labels of the y axis by row; of two that fall into one row the first stays."""
    found: dict[int, str] = {}
    for value, text in ticks_of(plot.y, max(2, height // 2)):
        row = height - 1 - place_of(plot.y, value, height)
        found.setdefault(row, fitted(text, max(1, most_width)))
    if plot.y.unit and found:
        top = min(found)
        with_unit = f"{found[top]} {plot.y.unit}"
        if cells(with_unit) <= most_width:
            found[top] = with_unit
    return found


def _draw(plot: Plot, canvas: Canvas) -> None:
    for group in reversed(mark_groups(plot)):  # what is wrong lies over what is only pointed at
        for first, last in group.extent(partial(place_of, plot.x, length=canvas.width)):
            if group.ink == "mark":
                canvas.tint(first, last, group.ink)
    for band in plot.bands:
        _draw_band(band, plot, canvas)
    for trace in plot.traces:
        _draw_trace(trace, plot, canvas)
    for bound in plot.bounds:
        if plot.y.low <= bound.value <= plot.y.high:
            canvas.across_at(
                canvas.height - 1 - place_of(plot.y, bound.value, canvas.height), _stroke(bound), bound.ink
            )
    for dots in plot.dots:
        _draw_dots(dots, plot, canvas)


def _stroke(bound: Bound) -> str:
    return "╌" if bound.ink == "limit" else "─"


def _down(plot: Plot, value: float, length: int) -> int:
    return length - 1 - place_of(plot.y, value, length)


def _draw_band(band: Band, plot: Plot, canvas: Canvas) -> None:
    count, values = len(band.lows), list(joined(band))
    if not count or not band.end > band.start:
        return
    for x in range(canvas.across):
        # The stretch of the axis that this column of dots stands for, in stretches of the band.
        left = plot.x.low + (plot.x.high - plot.x.low) * x / canvas.across
        right = plot.x.low + (plot.x.high - plot.x.low) * (x + 1) / canvas.across
        first = math.floor((left - band.start) / (band.end - band.start) * count + 1e-9)
        last = math.ceil((right - band.start) / (band.end - band.start) * count - 1e-9)
        if last <= 0 or first >= count:
            continue
        held = slice(max(0, first), max(max(0, first) + 1, min(count, last)))
        canvas.upright(
            x,
            _down(plot, max(high for _, high in values[held]), canvas.down),
            _down(plot, min(low for low, _ in values[held]), canvas.down),
            band.ink,
        )


def _draw_trace(trace: Trace, plot: Plot, canvas: Canvas) -> None:
    places = [
        (place_of(plot.x, x, canvas.across), _down(plot, y, canvas.down))
        for x, y in zip(trace.xs, trace.ys, strict=True)
        if plot.x.low <= x <= plot.x.high
    ]
    if len(places) == 1:
        canvas.dot(*places[0], trace.ink)
    for one, other in pairwise(places):
        canvas.line(one, other, trace.ink, dashed=trace.dashed)


def _draw_dots(dots: Dots, plot: Plot, canvas: Canvas) -> None:
    for x, y in zip(dots.xs, dots.ys, strict=True):
        if plot.x.low <= x <= plot.x.high:
            canvas.sign(place_of(plot.x, x, canvas.width), _down(plot, y, canvas.height), _SIGNS[dots.sign], dots.ink)


def _axis(plot: Plot, gutter: int, across: int) -> Row:
    """Return the line of labels below the canvas, each beginning at its place; the unit stands at the right end."""
    unit = fitted(plot.x.unit, max(0, across - 2))
    room = across - (cells(unit) + 1 if unit else 0)
    line, reached = "", 0
    for value, label in ticks_of(plot.x, max(2, across // 12)):
        text = f"╵{fitted(label, max(0, room))}"
        column = place_of(plot.x, value, across)
        if column >= reached and column + cells(text) <= room:
            line += " " * (column - reached) + text
            reached = column + cells(text) + 1
            line += " "
    line = line[: max(0, room)] if cells(line) > room else line
    end = f" {unit}" if unit else ""
    blank = " " * max(0, across - cells(line) - cells(end))
    return [Span(f"{' ' * (gutter - 1)}└{line}{blank}{end}", "muted")]


def _mark_rows(plot: Plot, gutter: int, across: int) -> list[Row]:
    """Return for marks of one meaning a line of arrows under their places, with the words beside or below them."""
    rows: list[Row] = []
    before = " " * gutter
    for group in mark_groups(plot):
        spans = group.extent(partial(place_of, plot.x, length=across))
        line = ""
        for first, last in spans:
            line = line.ljust(first) + "▲" * (last - first + 1)
        text = fitted(group.text, max(0, across - 1))
        if cells(line) + 1 + cells(text) <= across:
            rows.append([Span(f"{before}{line} {text}".rstrip(), group.ink)])
        elif cells(text) + 1 <= spans[0][0]:
            head = text.rjust(spans[0][0] - 1)
            rows.append([Span(f"{before}{head} {line[spans[0][0] :]}", group.ink)])
        else:
            rows.append([Span(f"{before}{line}", group.ink)])
            rows += [[Span(f"{before}{text}", group.ink)]] if text else []
    return rows


def _legend(plot: Plot, width: int) -> list[Row]:
    """Return what the lines and signs stand for, where they have names."""
    named = [Span(f"━━ {band.name}", band.ink) for band in plot.bands if band.name]
    named += [Span(f"{'┅┅' if one.dashed else '━━'} {one.name}", one.ink) for one in plot.traces if one.name]
    named += [Span(f"{_SIGNS[dots.sign]} {dots.name}", dots.ink) for dots in plot.dots if dots.name]
    named += [Span(f"{2 * _stroke(bound)} {bound.text}", bound.ink) for bound in plot.bounds if bound.text]
    rows: list[Row] = []
    for span in named:
        text = fitted(span.text, width - 2)
        if rows and sum(cells(one.text) for one in rows[-1]) + 3 + cells(text) <= width:
            rows[-1] += [Span("   "), Span(text, span.ink)]
        else:
            rows.append([Span("  "), Span(text, span.ink)])
    return rows
