"""What both renderers share: marks of one meaning together, and bands without gaps."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final, NamedTuple

from companion.drawing.shapes import Band, Ink, Mark, Plot

MOST_GROUPS: Final = 5


class MarkGroup(NamedTuple):
    """Marks that say the same, in the order they are given."""

    text: str
    ink: Ink
    marks: tuple[Mark, ...]

    def extent(self, place: Callable[[float], int]) -> list[tuple[int, int]]:
        """Return the first and last place of each, both drawn, without those that lie in one before."""
        spans = sorted((place(mark.start), max(place(mark.start), place(_last(mark)))) for mark in self.marks)
        joined: list[tuple[int, int]] = []
        for first, last in spans:
            if joined and first <= joined[-1][1] + 1:
                joined[-1] = (joined[-1][0], max(last, joined[-1][1]))
            else:
                joined.append((first, last))
        return joined


def mark_groups(plot: Plot) -> list[MarkGroup]:
    """Return the marks in view by their text and ink, at most five groups."""
    found: dict[tuple[str, Ink], list[Mark]] = {}
    for mark in plot.marks:
        if in_view(mark, plot):
            found.setdefault((mark.text, mark.ink), []).append(mark)
    groups = [MarkGroup(text, ink, tuple(marks)) for (text, ink), marks in found.items()]
    return groups[:MOST_GROUPS]


def in_view(mark: Mark, plot: Plot) -> bool:
    """Tell whether any of a mark lies on the x axis of a plot."""
    return mark.start <= plot.x.high and (mark.end > plot.x.low or mark.start >= plot.x.low)


def _last(mark: Mark) -> float:
    return max(mark.start, mark.end - 1e-9 * max(1.0, abs(mark.end)))


def joined(band: Band) -> Iterator[tuple[float, float]]:
    """Yield lowest and highest of each stretch, reaching to those of the one before, so that a wave has no gaps."""
    before: tuple[float, float] | None = None
    for low, high in zip(band.lows, band.highs, strict=True):
        yield (low, high) if before is None else (min(low, before[1]), max(high, before[0]))
        before = low, high
