"""A plot as SVG."""

from __future__ import annotations

from functools import partial
from typing import Final

from companion.drawing.marks import joined, mark_groups
from companion.drawing.shapes import Axis, Band, Dots, Plot, Sign
from companion.drawing.svg_frame import LINE, MARGIN, WIDTH, Sheet, text_width
from companion.drawing.ticks import place_of, share_of, ticks_of

_LEFT: Final = MARGIN + 74
_RIGHT: Final = WIDTH - MARGIN
_HEIGHT: Final = 150
_LEAST: Final = 1.0


def draw_plot(plot: Plot, sheet: Sheet) -> None:
    """Draw a plot below what is there: canvas, axes, marks under it, and what its lines are."""
    if plot.empty:
        sheet.lines(plot.empty, "muted")
        return
    top = sheet.y + (20 if plot.y.unit else 10)
    foot = top + _HEIGHT
    _axes(plot, sheet, top, foot)
    for group in reversed(mark_groups(plot)):
        for first, last in group.extent(_pixel(plot)):
            sheet.box(first, top, last - first + 1, _HEIGHT, group.ink, 0.18)
    for band in plot.bands:
        _band(band, plot, sheet, top)
    for bound in plot.bounds:
        if plot.y.low <= bound.value <= plot.y.high:
            y = _y(plot.y, bound.value, top)
            sheet.path([(_LEFT, y), (_RIGHT, y)], bound.ink, dashed=bound.ink == "limit")
    for trace in plot.traces:
        inside = [(x, y) for x, y in zip(trace.xs, trace.ys, strict=True) if plot.x.low <= x <= plot.x.high]
        if inside:
            places = [(_x(plot.x, x), _y(plot.y, y, top)) for x, y in inside]
            sheet.path(places, trace.ink, dashed=trace.dashed)
    for dots in plot.dots:
        _dots(dots, plot, sheet, top)
    sheet.y = foot + LINE
    _marks(plot, sheet)
    _legend(plot, sheet)


def _x(axis: Axis, value: float) -> float:
    return _LEFT + (_RIGHT - _LEFT) * share_of(axis, value)


def _y(axis: Axis, value: float, top: float) -> float:
    return top + _HEIGHT * (1 - min(1.0, max(0.0, share_of(axis, value))))


def _pixel(plot: Plot) -> partial[int]:
    return partial(_pixel_of, plot.x)


def _pixel_of(axis: Axis, value: float) -> int:
    return _LEFT + place_of(axis, value, _RIGHT - _LEFT)


def _axes(plot: Plot, sheet: Sheet, top: float, foot: float) -> None:
    sheet.path([(_LEFT, top), (_LEFT, foot), (_RIGHT, foot)], "muted", width=1)
    for value, label in ticks_of(plot.y, 5):
        y = _y(plot.y, value, top)
        sheet.path([(_LEFT - 4, y), (_LEFT, y)], "muted", width=1)
        sheet.text(_LEFT - 7, y + 4, label, "muted", "end", size=11)
    if plot.y.unit:
        sheet.text(_LEFT - 7, top - 4, plot.y.unit, "muted", "end", size=11)
    reached, end = 0.0, _RIGHT - (text_width(plot.x.unit) + 6 if plot.x.unit else 0)
    for value, label in ticks_of(plot.x, 8):
        x = _x(plot.x, value)
        if x < reached or x + text_width(label) / 2 > end + (0 if plot.x.unit else MARGIN):
            continue
        sheet.path([(x, foot), (x, foot + 4)], "muted", width=1)
        sheet.text(x, foot + 15, label, "muted", "middle", size=11)
        reached = x + text_width(label)
    if plot.x.unit:
        sheet.text(_RIGHT, foot + 15, plot.x.unit, "muted", "end", size=11)


def _band(band: Band, plot: Plot, sheet: Sheet, top: float) -> None:
    """Fill between lowest and highest, at least a pixel thick, so that a flat line is seen too."""
    count = len(band.lows)
    if not count:
        return
    edges = [band.start + (band.end - band.start) * place / count for place in range(count + 1)]
    upper, lower = [], []
    for place, (low, high) in enumerate(joined(band)):
        left, right = max(plot.x.low, edges[place]), min(plot.x.high, edges[place + 1])
        if right <= left:
            continue
        y_high, y_low = _y(plot.y, high, top), _y(plot.y, low, top)
        thin = max(0.0, _LEAST - (y_low - y_high)) / 2
        for x in (_x(plot.x, left), _x(plot.x, right)):
            upper.append((x, y_high - thin))
            lower.append((x, y_low + thin))
    if upper:
        sheet.area([*upper, *reversed(lower)], band.ink)


_TURNS: Final[dict[Sign, list[tuple[float, float]]]] = {
    "up": [(0, -5), (5, 4), (-5, 4)],
    "down": [(0, 5), (5, -4), (-5, -4)],
    "square": [(-4, -4), (4, -4), (4, 4), (-4, 4)],
    "diamond": [(0, -6), (6, 0), (0, 6), (-6, 0)],
}


def _dots(dots: Dots, plot: Plot, sheet: Sheet, top: float) -> None:
    for value, height in zip(dots.xs, dots.ys, strict=True):
        if plot.x.low <= value <= plot.x.high:
            _sign(dots, sheet, _x(plot.x, value), _y(plot.y, height, top))


def _sign(dots: Dots, sheet: Sheet, x: float, y: float) -> None:
    """Draw one sign at a place of the sheet."""
    match dots.sign:
        case "dot":
            sheet.area([(x - 3, y), (x, y - 3), (x + 3, y), (x, y + 3)], dots.ink)
        case "ring":
            sheet.path([(x - 4, y), (x, y - 4), (x + 4, y), (x, y + 4), (x - 4, y)], dots.ink)
        case "cross":
            sheet.path([(x - 5, y - 5), (x + 5, y + 5)], dots.ink, width=2)
            sheet.path([(x - 5, y + 5), (x + 5, y - 5)], dots.ink, width=2)
        case _:
            sheet.area([(x + right, y + down) for right, down in _TURNS[dots.sign]], dots.ink)


def _marks(plot: Plot, sheet: Sheet) -> None:
    """Point at each mark from below the axis, with its words beside it."""
    for group in mark_groups(plot):
        sheet.y += LINE - 2
        spans = group.extent(_pixel(plot))
        for first, last in spans:
            middle = (first + last) / 2
            sheet.area([(middle, sheet.y - 11), (middle + 5, sheet.y - 2), (middle - 5, sheet.y - 2)], group.ink)
        wide, last = text_width(group.text), spans[-1][1]
        middle = (spans[-1][0] + last) / 2
        if middle + 10 + wide <= _RIGHT:
            sheet.text(middle + 10, sheet.y - 2, group.text, group.ink)
        else:
            sheet.text((spans[0][0] + spans[0][1]) / 2 - 10, sheet.y - 2, group.text, group.ink, "end")
    sheet.y += 4


def _legend(plot: Plot, sheet: Sheet) -> None:
    """Write what lines and signs stand for, where they have names."""
    lines = [(one.name, one.ink, one.dashed) for one in plot.traces if one.name]
    lines += [(band.name, band.ink, False) for band in plot.bands if band.name]
    lines += [(bound.text, bound.ink, bound.ink == "limit") for bound in plot.bounds if bound.text]
    signs = [dots for dots in plot.dots if dots.name]
    x = float(_LEFT)
    sheet.y += LINE if lines or signs else 0

    def place(name: str) -> float:
        nonlocal x
        if x > _LEFT and x + 24 + text_width(name) > _RIGHT:
            x, sheet.y = float(_LEFT), sheet.y + LINE
        at, x = x, x + 24 + text_width(name) + 20
        return at

    for name, ink, dashed in lines:
        at = place(name)
        sheet.path([(at, sheet.y - 4), (at + 18, sheet.y - 4)], ink, dashed=dashed)
        sheet.text(at + 24, sheet.y, name, ink)
    for dots in signs:
        at = place(dots.name)
        _sign(dots, sheet, at + 9, sheet.y - 4)
        sheet.text(at + 24, sheet.y, dots.name, dots.ink)
