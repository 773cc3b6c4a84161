"""Drawings as SVG: well-formed and inert whatever they hold, light and dark, with nothing fetched or run."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings

from companion.drawing import shapes
from companion.drawing.svg import svg_text
from companion.drawing.svg_frame import INKS, PAPER, WIDTH, style
from tests.drawing.conftest import drawings

_SVG = "{http://www.w3.org/2000/svg}"


@settings(max_examples=60, deadline=None)
@given(drawings())
def test_any_drawing_is_well_formed_and_inert(drawing: shapes.Drawing) -> None:
    text = svg_text(drawing)
    root = ElementTree.fromstring(text)
    names = {element.tag.removeprefix(_SVG) for element in root.iter()}
    assert names <= {"svg", "title", "desc", "style", "rect", "text", "polyline", "polygon"}
    attributes = {name for element in root.iter() for name in element.attrib}
    assert not any(name.startswith("on") or "href" in name for name in attributes)
    for element in root.iter():
        for name in ("x", "y", "width", "height", "points", "cx", "viewBox"):
            assert "nan" not in element.get(name, "")
            assert "inf" not in element.get(name, "")
        for name in ("width", "height"):
            assert float(element.get(name, "1")) >= 0
    assert "url(" not in text
    assert "@import" not in text


def test_a_click_lies_where_its_mark_does() -> None:
    plot = shapes.Plot(
        x=shapes.Axis(low=0, high=1000),
        y=shapes.Axis(low=-1, high=1),
        bands=(shapes.Band(start=0, end=1000, lows=(0.0,) * 100, highs=(0.0,) * 64 + (1.0,) + (0.0,) * 35),),
        marks=(shapes.Mark(start=645, end=646, text="click"),),
    )
    root = ElementTree.fromstring(svg_text(shapes.Drawing(kind="waveform", title="t", panes=(plot,))))
    wave = next(element for element in root.iter(f"{_SVG}polygon") if element.get("class") == "wave")
    points = [tuple(map(float, point.split(","))) for point in str(wave.get("points")).split()]
    top = min(y for _, y in points)
    peak = [x for x, y in points if y == top]
    box = next(e for e in root.iter(f"{_SVG}rect") if e.get("class") == "mark")
    assert min(peak) <= float(str(box.get("x"))) <= max(peak)
    assert max(x for x, _ in points) <= WIDTH


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    red, green, blue = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_every_ink_can_be_read_on_its_paper(theme: str) -> None:
    for ink, colour in INKS[theme].items():
        low, high = sorted((luminance(colour), luminance(PAPER[theme])))
        assert (high + 0.05) / (low + 0.05) >= 4.5, ink


def test_both_themes_name_the_same_inks() -> None:
    assert INKS["light"].keys() == INKS["dark"].keys()
    for ink in INKS["light"]:
        assert len(re.findall(rf"--{ink}: #", style())) == 2
    assert "prefers-color-scheme: dark" in style()


def test_figures_are_told_to_those_who_do_not_see_it() -> None:
    drawing = shapes.Drawing(kind="waveform", title="a <b>", figures=(shapes.Figure("Measured", "3 dB & more"),))
    root = ElementTree.fromstring(svg_text(drawing))
    assert root.findtext(f"{_SVG}title") == "a <b>"
    assert root.findtext(f"{_SVG}desc") == "Measured: 3 dB & more."
