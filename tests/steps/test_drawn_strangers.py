"""Findings of a stranger's evidence: whatever numbers they hold, a picture is drawn or refused in one line."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.findings import WARNS, At, Finding
from companion.drawing.checked import drawable
from companion.drawing.shapes import Axis, Bar, Bars, Bound, Drawing, Mark, Plot, Trace
from companion.drawing.svg import svg_text
from companion.drawing.text import text_lines
from companion.steps.drawn.bounce import bounce_window, bounced
from companion.steps.drawn.decay import decay
from companion.steps.drawn.dump import bytes_window, dump
from companion.steps.drawn.spectrum import spectrum
from companion.steps.drawn.wave import near_window, waveform
from companion.steps.drawn.which import KIND_OF, has_picture, kinds_of
from tests.steps.test_drawn import plot, sample, wave
from tests.steps.test_drawn_whole import curve, judged, line

_BIG = st.integers(-(1 << 70), 1 << 70) | st.integers(-5, 2000)
_NUMBERS = st.none() | st.floats() | _BIG | st.text(max_size=20)


@st.composite
def findings(draw: st.DrawFn) -> Finding:
    at = At(
        frames=draw(st.none() | st.tuples(_BIG, _BIG)),
        rate=draw(st.none() | _BIG),
        channel=draw(st.none() | _BIG),
        byte=draw(st.none() | _BIG),
        key=draw(st.none() | _BIG),
        others=tuple(draw(st.lists(st.text(max_size=10), max_size=2))),
    )
    return Finding(
        rule=draw(st.sampled_from(sorted(KIND_OF)) | st.text(max_size=20)),
        severity=WARNS,
        path=draw(st.text(max_size=20)),
        at=at,
        value=draw(_NUMBERS),
        bound=draw(st.none() | st.floats()),
        measured=draw(st.text(max_size=30)),
    )


def drawn_or_refused(make: Callable[[], Drawing]) -> None:
    try:
        drawing = drawable(make())
    except (ValueError, OverflowError, ZeroDivisionError):
        return  # told in one line by whoever asked
    for width in (20, 80):
        text_lines(drawing, width, 20)
    svg_text(drawing)


@settings(max_examples=80, deadline=None)
@given(findings())
def test_whatever_a_finding_says_is_drawn_or_refused(finding: Finding) -> None:
    window = near_window(finding, 1000, 48_000)
    assert 0 <= window.start < window.end <= 1000
    drawn_or_refused(lambda: waveform("a.wav", [wave([0.1] * 50)], finding=finding, known=sample()))
    drawn_or_refused(lambda: decay("a.wav", curve(-15.0), None, finding))
    drawn_or_refused(lambda: spectrum("a.wav", line(), sample(hum_hz=50.0, hum_db=3.0), finding))
    seen = bytes_window(finding, 500)
    assert 0 <= seen.start < seen.end <= 500
    drawn_or_refused(lambda: dump("a", b"x" * (seen.end - seen.start), seen, finding, b"x"))
    bounce = judged()
    view = bounce_window(bounce, finding)
    assert 0 <= view.start < view.end <= view.whole
    drawn_or_refused(lambda: bounced(bounce, view, None, finding))
    has_picture(finding)
    kinds_of(None, finding)


def test_what_lies_nowhere_is_left_out_and_the_rest_is_drawn() -> None:
    pane = Plot(
        x=Axis(low=0, high=10),
        y=Axis(low=-1, high=1),
        marks=(
            Mark(start=3, end=4),
            Mark(start=float("nan"), end=4),
            Mark(start=5, end=float("inf")),
            Mark(start=4, end=3),
        ),
        bounds=(Bound(value=0.5), Bound(value=float("inf"))),
    )
    kept = plot(drawable(Drawing(kind="waveform", title="", panes=(pane,))))
    assert [(mark.start, mark.end) for mark in kept.marks] == [(3, 4)]
    assert [bound.value for bound in kept.bounds] == [0.5]


@pytest.mark.parametrize(
    "pane",
    [
        Plot(x=Axis(low=0, high=0), y=Axis(low=0, high=1)),
        Plot(x=Axis(low=0, high=1), y=Axis(low=float("nan"), high=1)),
        Plot(x=Axis(low=0, high=float("inf")), y=Axis(low=0, high=1)),
        Plot(x=Axis(low=0, high=1, log=True), y=Axis(low=0, high=1)),
        Plot(x=Axis(low=0, high=1), y=Axis(low=0, high=1), traces=(Trace(xs=(0.0,), ys=(float("nan"),)),)),
        Bars(bars=(Bar(name="a", value=float("inf"), text=""),)),
        Bars(bars=(), limit=float("nan")),
    ],
)
def test_axes_and_values_without_end_are_refused(pane: Any) -> None:
    with pytest.raises(ValueError, match=r"without|no number"):
        drawable(Drawing(kind="waveform", title="", panes=(pane,)))
