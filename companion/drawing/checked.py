"""Whether a drawing can be drawn: evidence may be a stranger's, and so may its numbers."""

from __future__ import annotations

import math

import msgspec

from companion.drawing.shapes import Axis, Bars, Drawing, Pane, Plot

FARTHEST = 1e15
"""No place of a file lies beyond it, nor any level."""


def drawable(drawing: Drawing) -> Drawing:
    """Return a drawing without marks and bounds that lie nowhere. Raises ValueError where its axes do."""
    return msgspec.structs.replace(drawing, panes=tuple(map(_pane, drawing.panes)))


def _pane(pane: Pane) -> Pane:
    if isinstance(pane, Bars):
        if not all(_there(bar.value) for bar in pane.bars) or not _there(pane.limit or 0.0):
            raise ValueError("a value without end")
        return pane
    if not isinstance(pane, Plot):
        return pane
    for axis in (pane.x, pane.y):
        _check(axis)
    values = [values for one in pane.traces for values in (one.xs, one.ys)]
    values += [values for one in pane.dots for values in (one.xs, one.ys)]
    values += [values for one in pane.bands for values in (one.lows, one.highs, (one.start, one.end))]
    if not all(math.isfinite(value) for row in values for value in row):
        raise ValueError("a value that is no number")
    return msgspec.structs.replace(
        pane,
        marks=tuple(mark for mark in pane.marks if _there(mark.start) and _there(mark.end) and mark.start <= mark.end),
        bounds=tuple(bound for bound in pane.bounds if _there(bound.value)),
    )


def _check(axis: Axis) -> None:
    if not (_there(axis.low) and _there(axis.high) and axis.low < axis.high and (axis.low > 0 or not axis.log)):
        raise ValueError("an axis without length")


def _there(value: float) -> bool:
    return -FARTHEST <= value <= FARTHEST
