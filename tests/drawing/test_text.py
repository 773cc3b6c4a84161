"""Drawings as text: where things stand, that nothing overflows, and that no sign is needed that a terminal lacks."""

from __future__ import annotations

import math
import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.drawing import shapes
from companion.drawing.canvas import Canvas
from companion.drawing.cells import cells, fitted, padded, row_text, spelled, wrapped
from companion.drawing.text import drawing_rows, figure_rows, needs_ascii, text_lines
from companion.drawing.text_panes import map_blocks
from companion.drawing.text_plot import plot_rows
from tests.drawing.conftest import drawings


def axis(low: float, high: float, **more: str) -> shapes.Axis:
    return shapes.Axis(low=low, high=high, **more)  # type: ignore[arg-type]


def band(values: list[float]) -> shapes.Band:
    return shapes.Band(start=0, end=len(values), lows=tuple(-v for v in values), highs=tuple(values))


def text_of(plot: shapes.Plot, width: int = 60, height: int = 5) -> list[str]:
    return [row_text(row) for row in plot_rows(plot, width, height)]


@settings(max_examples=60, deadline=None)
@given(drawings(), st.integers(20, 200), st.integers(0, 60), st.booleans())
def test_no_line_is_wider_than_it_may_be(drawing: shapes.Drawing, width: int, height: int, ascii_only: bool) -> None:
    rows = [
        *drawing_rows(drawing, width, height, ascii_only=ascii_only),
        *figure_rows(drawing, width, ascii_only=ascii_only),
    ]
    for row in rows:
        assert cells("".join(span.text for span in row)) <= width
    for line in text_lines(drawing, width, height, ascii_only=ascii_only):
        assert cells(line) <= width
        assert not any(unicodedata.category(char) in ("Cc", "Cs") for char in line)


@settings(max_examples=60, deadline=None)
@given(drawings())
def test_ascii_needs_no_sign_of_ours(drawing: shapes.Drawing) -> None:
    names = [value for value in _texts(drawing) if not value.isascii()]
    if not names:
        assert all(line.isascii() for line in text_lines(drawing, 80, ascii_only=True))


def _texts(value: object) -> list[str]:
    if isinstance(value, str):
        return [value]
    if isinstance(value, tuple):
        return [text for one in value for text in _texts(one)]
    if hasattr(value, "__struct_fields__"):
        return [text for name in value.__struct_fields__ for text in _texts(getattr(value, name))]
    return []


def test_a_peak_stands_over_its_mark() -> None:
    values = [0.1] * 1000
    values[640] = 1.0
    plot = shapes.Plot(
        x=axis(0, 1000), y=axis(-1, 1), bands=(band(values),), marks=(shapes.Mark(start=640, end=641, text="click"),)
    )
    lines = text_of(plot)
    tall = {column for column, char in enumerate(lines[0]) if char not in " │┤" and "⠀" < char <= "⣿"}
    arrows = next(line for line in lines if "click" in line)
    assert tall == {arrows.index("▲")}


def test_a_mark_of_a_stretch_is_as_long_as_it() -> None:
    plot = shapes.Plot(x=axis(0, 100), y=axis(-1, 1), marks=(shapes.Mark(start=50, end=75, text="here"),))
    lines = text_of(plot, width=103)
    line = next(line for line in lines if "here" in line)
    across = 103 - lines[0].index("┤") - 1
    assert line.count("▲") == pytest.approx(across / 4, abs=1.5)
    assert line.index("▲") - lines[0].index("┤") - 1 == across // 2


def test_marks_of_one_meaning_share_a_line_and_others_have_their_own() -> None:
    marks = (
        *(shapes.Mark(start=n, end=n, text="flat top") for n in (10, 20, 30)),
        shapes.Mark(start=60, end=60, text="loop"),
    )
    lines = text_of(shapes.Plot(x=axis(0, 100), y=axis(-1, 1), marks=marks))
    assert [line.count("▲") for line in lines if "▲" in line] == [3, 1]


def test_what_lies_out_of_view_is_not_marked() -> None:
    marks = (shapes.Mark(start=200, end=210, text="later"), shapes.Mark(start=0, end=10, text="before"))
    assert not any("▲" in line for line in text_of(shapes.Plot(x=axis(50, 100), y=axis(-1, 1), marks=marks)))


def test_a_ramp_rises_from_the_lower_left_to_the_upper_right() -> None:
    trace = shapes.Trace(xs=(0.0, 100.0), ys=(-1.0, 1.0))
    lines = text_of(shapes.Plot(x=axis(0, 100), y=axis(-1, 1), traces=(trace,)), width=40, height=6)[:6]
    firsts = [min(n for n, char in enumerate(line) if char >= "⠁" and char <= "⣿") for line in lines]
    assert firsts == sorted(firsts, reverse=True)


def test_a_dashed_line_can_be_told_from_one_that_is_not_without_colour() -> None:
    def drawn(dashed: bool) -> str:
        trace = shapes.Trace(xs=(0.0, 100.0), ys=(0.5, 0.5), dashed=dashed)
        return "\n".join(text_of(shapes.Plot(x=axis(0, 100), y=axis(-1, 1), traces=(trace,))))

    assert drawn(True) != drawn(False)


def test_a_bound_is_drawn_where_its_value_lies() -> None:
    plot = shapes.Plot(x=axis(0, 10), y=axis(0, 10, unit="dB"), bounds=(shapes.Bound(value=9.9, text="limit"),))
    lines = text_of(plot)
    assert "╌" in lines[0]
    assert not any("╌" in line for line in lines[1:5])
    assert lines[-1] == "  ╌╌ limit"


def test_an_empty_plot_says_so() -> None:
    plot = shapes.Plot(x=axis(0, 10), y=axis(0, 10), title="Wave", empty="there is no sound here")
    assert text_of(plot) == ["Wave", "  there is no sound here"]


@pytest.mark.parametrize(("width", "blocks"), [(80, 1), (40, 3), (20, 7)])
def test_a_map_too_wide_goes_on_below(width: int, blocks: int) -> None:
    row = shapes.CellRow(layer="a", dynamic="", cells=tuple(shapes.Cell(key=n) for n in range(78)))
    pane = shapes.KeyMap(low=0, names=("C3",) * 78, rows=(row,))
    found = map_blocks(pane, width)
    assert [key for block in found for key in block] == list(range(78))
    assert len(found) == pytest.approx(blocks, abs=2)
    assert all(len(block) <= width - 2 for block in found)


def test_cells_counts_wide_and_combining_characters() -> None:
    assert cells("abc") == 3
    assert cells("声") == 2
    assert cells("o\u0308") == 1
    assert padded("声a", 5) == "声a  "


@given(st.text(max_size=60), st.integers(0, 40))
def test_fitted_fits_and_keeps_what_fits(text: str, width: int) -> None:
    assert cells(fitted(text, width)) <= width
    assert cells(fitted(text, width, keep_end=True)) <= width


def test_fitted_shows_its_cut() -> None:
    assert fitted("abcdef", 4) == "abc…"
    assert fitted("abcdef", 4, keep_end=True) == "…def"
    assert fitted("abcd", 4) == "abcd"


@given(st.text(max_size=80), st.integers(2, 30))
def test_wrapped_keeps_all_words(text: str, width: int) -> None:
    lines = wrapped(text, width)
    assert all(cells(line) <= width for line in lines)
    from companion.core.text import visible

    assert "".join(lines).replace(" ", "") == visible(text).replace(" ", "")


def test_spelled_keeps_names_and_spells_our_signs() -> None:
    assert spelled("−3 dB ± 1 → Höhle…") == "-3 dB +- 1 -> Höhle..."


def test_a_canvas_sets_each_dot_where_it_is_asked() -> None:
    canvas = Canvas(2, 1)
    for x, y, bits in ((0, 0, 0x01), (1, 3, 0x80)):
        canvas.dot(x, y)
        assert ord(canvas.rows()[0][0].text[0]) - 0x2800 & bits
    canvas.dot(99, 0)
    canvas.dot(0, -1)
    assert row_text(canvas.rows()[0]) == chr(0x2800 + 0x81)


@pytest.mark.parametrize(("ys", "sign"), [((0,), "'"), ((3,), "."), ((0, 3), ":")])
def test_the_ascii_twin_says_which_half(ys: tuple[int, ...], sign: str) -> None:
    canvas = Canvas(1, 1, ascii_only=True)
    for y in ys:
        canvas.dot(0, y)
    assert row_text(canvas.rows()[0]) == sign


def test_the_ascii_twin_of_a_full_cell_is_full() -> None:
    canvas = Canvas(1, 1, ascii_only=True)
    canvas.upright(0, 0, 3)
    canvas.upright(1, 0, 3)
    assert row_text(canvas.rows()[0]) == "#"


def test_rows_fill_what_there_is() -> None:
    wave = [math.sin(n / 9) for n in range(500)]
    plot = shapes.Plot(x=axis(0, 500), y=axis(-1, 1), bands=(band([abs(v) for v in wave]),))
    drawing = shapes.Drawing(kind="waveform", title="x", panes=(plot, plot))
    for height in (12, 20, 31):
        assert height - 1 <= len(drawing_rows(drawing, 80, height)) <= height


@pytest.mark.parametrize(
    ("encoding", "terminal", "needed"),
    [
        ("utf-8", "xterm-256color", False),
        ("utf-8", "", False),
        ("utf-8", "linux", True),
        ("utf-8", "dumb", True),
        ("ascii", "xterm", True),
        ("cp1252", "", True),
        ("latin-1", "", True),
        ("no such encoding", "", True),
        ("", "", True),
    ],
)
def test_ascii_is_drawn_where_the_signs_cannot_be_shown(encoding: str, terminal: str, needed: bool) -> None:
    assert needs_ascii(encoding, terminal) is needed
