"""Windows that zoom and move within what there is, and ticks that read well."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.drawing.shapes import Axis, Window
from companion.drawing.ticks import number_text, place_of, step_for, ticks_of


@st.composite
def windows(draw: st.DrawFn) -> Window:
    whole = draw(st.integers(1, 1 << 40))
    start = draw(st.integers(0, whole - 1))
    return Window(start=start, end=draw(st.integers(start + 1, whole)), whole=whole)


@given(windows(), st.lists(st.sampled_from(["in", "out", "left", "right", "centre"]), max_size=40))
def test_whatever_is_pressed_the_view_stays_within_what_there_is(window: Window, keys: list[str]) -> None:
    for key in keys:
        window = {
            "in": window.zoomed(0.5),
            "out": window.zoomed(2.0),
            "left": window.moved(-0.25),
            "right": window.moved(0.25),
            "centre": window.around(window.whole // 3),
        }[key]
        assert 0 <= window.start < window.end <= window.whole


def test_zooming_keeps_the_place_it_is_about() -> None:
    window = Window(start=0, end=1_000_000, whole=1_000_000)
    for _ in range(30):
        window = window.zoomed(0.5, about=640_123)
        assert window.start <= 640_123 < window.end
    assert window.end - window.start == 8
    for _ in range(30):
        window = window.zoomed(2.0, about=640_123)
    assert (window.start, window.end) == (0, 1_000_000)


def test_a_step_moves_by_one_at_least() -> None:
    window = Window(start=5, end=6, whole=10, least=1)
    assert window.moved(0.25).start == 6
    assert window.moved(-0.25).start == 4


@pytest.mark.parametrize(
    ("axis", "labels"),
    [
        (Axis(low=0, high=48_000, unit="s", scale=1 / 48_000), ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]),
        (Axis(low=-1, high=1), ["−1.0", "−0.5", "0.0", "0.5", "1.0"]),
        (Axis(low=0, high=5_000_000), ["0", "1,000,000", "2,000,000", "3,000,000", "4,000,000", "5,000,000"]),
        (Axis(low=1, high=64, log=True), ["1", "2", "5", "10", "20", "50"]),
        (Axis(low=0, high=10, ticks=((1, "C3"), (20, "out"), (5, "E3"))), ["C3", "E3"]),
    ],
)
def test_ticks_are_even_and_read_well(axis: Axis, labels: list[str]) -> None:
    assert [label for _, label in ticks_of(axis, 6)] == labels


def test_ticks_stand_at_their_values() -> None:
    axis = Axis(low=22_050, high=44_100, unit="s", scale=1 / 22_050)
    assert all(place / 22_050 == pytest.approx(float(label)) for place, label in ticks_of(axis, 6))


def test_steps_are_ones_twos_and_fives() -> None:
    assert [step_for(span, 10) for span in (10, 11, 30, 70)] == [1, 2, 5, 10]


@given(st.floats(0, 1), st.integers(1, 500))
def test_every_value_has_a_place(share: float, length: int) -> None:
    axis = Axis(low=3, high=7)
    assert 0 <= place_of(axis, 3 + 4 * share, length) < length
    assert place_of(axis, -99, length) == 0
    assert place_of(axis, 99, length) == length - 1


def test_no_minus_before_a_zero() -> None:
    assert number_text(-0.004, 2) == "0.00"
    assert number_text(-1.5, 1) == "−1.5"
