"""Drawings of every shape, made of any data, that the renderers are tried with."""

from __future__ import annotations

from typing import get_args

from hypothesis import strategies as st

from companion.drawing import shapes

NAMES = st.text(max_size=40) | st.sampled_from(
    ["Höhle", "声", "a\x1b[31mred", "bi\u202edi", "lone\udcff", "[@click=app.quit]x[/]", "</text><script>", "\ufffe"]
)
NUMBERS = st.floats(-1e6, 1e6, allow_nan=False) | st.floats(-1.0, 1.0, allow_nan=False)
INKS = st.sampled_from(get_args(shapes.Ink))


@st.composite
def axes(draw: st.DrawFn) -> shapes.Axis:
    low = draw(st.floats(-1e6, 1e6, allow_nan=False))
    length = draw(st.floats(1e-3, 1e6, allow_nan=False))
    unit = draw(st.sampled_from(["", "s", "ms", "dBFS"]))
    ticks = draw(st.lists(st.tuples(NUMBERS, NAMES), max_size=4))
    if draw(st.booleans()):
        return shapes.Axis(low=1.0, high=1.0 + length, unit=unit, log=True)
    return shapes.Axis(low=low, high=low + length, unit=unit, ticks=tuple(ticks))


@st.composite
def plots(draw: st.DrawFn) -> shapes.Plot:
    values = draw(st.lists(NUMBERS, max_size=50))
    xs = tuple(sorted(draw(st.lists(NUMBERS, min_size=len(values), max_size=len(values)))))
    start, length = draw(NUMBERS), draw(st.floats(0, 1e6))
    band = shapes.Band(start=start, end=start + length, lows=tuple(values), highs=tuple(v + 1 for v in values))
    marks = [
        shapes.Mark(start=at, end=at + draw(st.floats(0, 1e5)), text=draw(NAMES), ink=draw(INKS))
        for at in draw(st.lists(NUMBERS, max_size=6))
    ]
    return shapes.Plot(
        x=draw(axes()),
        y=draw(axes()),
        title=draw(NAMES),
        bands=(band,),
        traces=(shapes.Trace(xs=xs, ys=tuple(values), name=draw(NAMES), dashed=draw(st.booleans())),),
        dots=(
            shapes.Dots(
                xs=xs,
                ys=tuple(values),
                sign=draw(st.sampled_from(get_args(shapes.Sign))),
                name=draw(NAMES),
            ),
        ),
        marks=tuple(marks),
        bounds=tuple(shapes.Bound(value=draw(NUMBERS), text=draw(NAMES)) for _ in range(draw(st.integers(0, 2)))),
        empty=draw(st.sampled_from(["", "", "there is nothing"])),
    )


@st.composite
def maps(draw: st.DrawFn) -> shapes.KeyMap:
    low, count = draw(st.integers(0, 100)), draw(st.integers(0, 90))
    states = st.sampled_from(get_args(shapes.State))
    rows = [
        shapes.CellRow(
            layer=draw(NAMES),
            dynamic=draw(NAMES),
            cells=tuple(
                shapes.Cell(key=low + n, state=draw(states), takes=n % 12, at=n % 7 == 0, says="x")
                for n in range(count)
            ),
        )
        for _ in range(draw(st.integers(0, 3)))
    ]
    names = tuple(("C3", "C#3", "D3", "E3")[n % 4] for n in range(count))
    return shapes.KeyMap(low=low, names=names, rows=tuple(rows), title=draw(NAMES))


@st.composite
def bars(draw: st.DrawFn) -> shapes.Bars:
    some = [
        shapes.Bar(name=draw(NAMES), value=draw(st.floats(0, 1e9)), text=draw(NAMES), ink=draw(INKS))
        for _ in range(draw(st.integers(0, 5)))
    ]
    limit = draw(st.none() | st.floats(0, 1e9))
    return shapes.Bars(bars=tuple(some), title=draw(NAMES), limit=limit, limit_text=draw(NAMES))


@st.composite
def dumps(draw: st.DrawFn) -> shapes.Dump:
    data, offset = draw(st.binary(max_size=100)), draw(st.integers(0, 1 << 40))
    first = draw(st.integers(0, 120))
    return shapes.Dump(offset=offset, hex=data.hex(), first=offset + first, end=offset + first + 9, title=draw(NAMES))


@st.composite
def courses(draw: st.DrawFn) -> shapes.Course:
    some = [
        shapes.Moment(name=draw(NAMES), when=draw(NAMES), text=draw(NAMES), weight=draw(NAMES))
        for _ in range(draw(st.integers(0, 4)))
    ]
    return shapes.Course(moments=tuple(some), title=draw(NAMES))


@st.composite
def drawings(draw: st.DrawFn) -> shapes.Drawing:
    """Any drawing: no number in it but finite ones, and any text."""
    panes = draw(st.lists(st.one_of(plots(), maps(), bars(), dumps(), courses()), max_size=3))
    figures = draw(st.lists(st.builds(shapes.Figure, NAMES, NAMES), max_size=4))
    return shapes.Drawing(
        kind="waveform", title=draw(NAMES), panes=tuple(panes), figures=tuple(figures), note=draw(NAMES)
    )
