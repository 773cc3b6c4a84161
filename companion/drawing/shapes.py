"""The shapes of which pictures are made: plain data in the units of what they show. Nothing here is drawn yet.

A drawing is panels, one above the other, with figures beside them: the same numbers as text. Text in it may be a
stranger's; whoever draws it makes it inert. Numbers are finite; what is not is left out by whoever makes a shape.
"""

from __future__ import annotations

from typing import Final, Literal, TypeAlias

import msgspec

Ink = Literal["plain", "muted", "wave", "second", "mark", "limit", "good", "head", "cursor"]
"""What a piece is for; no piece is told by its colour alone. mark: the faulty place. limit: what it is held against.

cursor: what somebody stands on, in an app.
"""

Sign = Literal["dot", "ring", "cross", "up", "down", "square", "diamond"]
"""What single values are drawn as."""

Kind = Literal[
    "waveform", "seam", "pitch", "map", "levels", "noise", "decay", "spectrum", "weight", "bounce", "history", "bytes"
]
"""What a drawing shows."""
KINDS: Final[tuple[Kind, ...]] = (
    *("waveform", "seam", "pitch", "map", "levels", "noise"),
    *("decay", "spectrum", "weight", "bounce", "history", "bytes"),
)


class Axis(msgspec.Struct, frozen=True, kw_only=True):
    """One direction of a plot: from ``low`` up to ``high``, which are not equal.

    unit, scale: a place x stands for ``x * scale`` of the unit. ticks: (place, label) where they are names; else even
    steps are written. log: places are spread by their logarithm; low is then above 0.
    """

    low: float
    high: float
    unit: str = ""
    scale: float = 1.0
    ticks: tuple[tuple[float, str], ...] = ()
    log: bool = False


class Band(msgspec.Struct, frozen=True, kw_only=True):
    """The lowest and highest value in each of many even stretches from ``start`` to ``end``: a wave seen from afar."""

    start: float
    end: float
    lows: tuple[float, ...]
    highs: tuple[float, ...]
    name: str = ""
    ink: Ink = "wave"


class Trace(msgspec.Struct, frozen=True, kw_only=True):
    """A line through points in the order of their xs. dashed: drawn with gaps, to be told from one that is not."""

    xs: tuple[float, ...]
    ys: tuple[float, ...]
    name: str = ""
    ink: Ink = "wave"
    dashed: bool = False


class Dots(msgspec.Struct, frozen=True, kw_only=True):
    """Single values."""

    xs: tuple[float, ...]
    ys: tuple[float, ...]
    sign: Sign = "dot"
    name: str = ""
    ink: Ink = "wave"


class Mark(msgspec.Struct, frozen=True, kw_only=True):
    """A place of the x axis, from ``start`` up to ``end`` (equal: a single one), and what is said of it."""

    start: float
    end: float
    text: str = ""
    ink: Ink = "mark"


class Bound(msgspec.Struct, frozen=True, kw_only=True):
    """A value of the y axis that others are held against."""

    value: float
    text: str = ""
    ink: Ink = "limit"


class Plot(msgspec.Struct, frozen=True, kw_only=True, tag="plot", tag_field="shape"):
    """Values over x. empty: what stands in it where there is nothing to show."""

    x: Axis
    y: Axis
    title: str = ""
    bands: tuple[Band, ...] = ()
    traces: tuple[Trace, ...] = ()
    dots: tuple[Dots, ...] = ()
    marks: tuple[Mark, ...] = ()
    bounds: tuple[Bound, ...] = ()
    empty: str = ""


State = Literal["none", "covered", "here", "hole", "overlap", "pitch", "louder", "softer", "same"]
"""What is known of a key at one dynamic: nothing, played by a neighbour, a sample, or what is wrong with it."""


class Cell(msgspec.Struct, frozen=True, kw_only=True):
    """One key at one dynamic of one layer. takes: how many samples. paths: where it leads. says: what is wrong.

    at: whether it is the place of the finding that is shown.
    """

    key: int
    state: State = "none"
    takes: int = 0
    paths: tuple[str, ...] = ()
    says: str = ""
    at: bool = False


class CellRow(msgspec.Struct, frozen=True, kw_only=True):
    """One dynamic of one layer; its cells in the order of their keys, one for each key of the map."""

    layer: str
    dynamic: str
    cells: tuple[Cell, ...]


class KeyMap(msgspec.Struct, frozen=True, kw_only=True, tag="map", tag_field="shape"):
    """Rows over the same keys, from ``low`` on. names: of the keys, in order."""

    low: int
    names: tuple[str, ...]
    rows: tuple[CellRow, ...]
    title: str = ""


class Bar(msgspec.Struct, frozen=True, kw_only=True):
    """One row: a name, a value from 0 on, and the same as text. path: the file it leads to."""

    name: str
    value: float
    text: str
    ink: Ink = "wave"
    path: str = ""


class Bars(msgspec.Struct, frozen=True, kw_only=True, tag="bars", tag_field="shape"):
    """Values beside each other, to one scale. limit: what they are held against."""

    bars: tuple[Bar, ...]
    title: str = ""
    limit: float | None = None
    limit_text: str = ""


class Dump(msgspec.Struct, frozen=True, kw_only=True, tag="bytes", tag_field="shape"):
    """Bytes of a file from ``offset`` on, in hex digits; those from ``first`` up to ``end`` are what it is about."""

    offset: int
    hex: str
    first: int = 0
    end: int = 0
    title: str = ""


class Moment(msgspec.Struct, frozen=True, kw_only=True):
    """One station of a line: what it is called, when it was, what came with it, and how much it weighs by itself."""

    name: str
    when: str
    text: str
    weight: str = ""
    ink: Ink = "wave"


class Course(msgspec.Struct, frozen=True, kw_only=True, tag="course", tag_field="shape"):
    """Stations one after the other, the newest first."""

    moments: tuple[Moment, ...]
    title: str = ""


Pane: TypeAlias = Plot | KeyMap | Bars | Dump | Course


class Figure(msgspec.Struct, frozen=True):
    """One number or sentence beside the picture."""

    label: str
    text: str


class Window(msgspec.Struct, frozen=True, kw_only=True):
    """What is in view, of what there is: [start, end) of [0, whole) in frames or bytes, at least ``least`` of them."""

    start: int
    end: int
    whole: int
    least: int = 8

    def zoomed(self, factor: float, about: float | None = None) -> Window:
        """Return a view ``factor`` times as long, around ``about`` or else its middle, within what there is."""
        length = max(self.least, min(self.whole, round((self.end - self.start) * factor)))
        middle = (self.start + self.end) / 2 if about is None or not self.start <= about < self.end else about
        share = (middle - self.start) / max(1, self.end - self.start)
        return self._at(round(middle - share * length), length)

    def moved(self, share: float) -> Window:
        """Return a view as long, moved by a share of its length."""
        length = self.end - self.start
        step = round(share * length) or (1 if share > 0 else -1)
        return self._at(self.start + step, length)

    def around(self, middle: int) -> Window:
        """Return a view as long with ``middle`` in its middle."""
        return self._at(middle - (self.end - self.start) // 2, self.end - self.start)

    def _at(self, start: int, length: int) -> Window:
        length = max(1, min(length, self.whole))
        start = max(0, min(start, self.whole - length))
        return Window(start=start, end=start + length, whole=self.whole, least=self.least)


class Drawing(msgspec.Struct, frozen=True, kw_only=True):
    """A picture, not drawn yet. kind: what it shows. path: of what file, empty for the whole.

    panes: each says under ``shape`` which it is: plot, map, bars, bytes or course.
    rule: of the finding it is of, empty for none. figures: the same as text. note: what is not shown, and why.
    window: what is in view, where one can move in it.
    """

    kind: Kind
    title: str
    path: str = ""
    rule: str = ""
    panes: tuple[Pane, ...] = ()
    figures: tuple[Figure, ...] = ()
    note: str = ""
    window: Window | None = None
