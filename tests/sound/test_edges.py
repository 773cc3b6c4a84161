"""Edges and flat tops on values made by hand, on both sides of each limit."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from companion.sound.measures.edges import edges_of, floor_of
from companion.sound.measures.levels import flat_tops

MS = 0.001


def cells(*parts: tuple[float, int]) -> Any:
    """Mean squares of one millisecond each: (dB against full scale, how many)."""
    return np.concatenate([np.full(count, 10 ** (decibels / 10)) for decibels, count in parts])


@pytest.mark.parametrize(("decibels", "onset"), [(-39.9, 0.0), (-40.1, 0.03)])
def test_a_sound_begins_within_40_db_of_its_loudest(decibels: float, onset: float) -> None:
    assert edges_of(cells((decibels - 6, 30), (-6, 100)), MS).onset_s == onset


@pytest.mark.parametrize(("decibels", "tail"), [(-71.9, 0.0), (-72.1, 0.4)])
def test_a_tail_lies_72_db_under_the_loudest(decibels: float, tail: float) -> None:
    assert edges_of(cells((-6, 100), (decibels - 6, 400)), MS).tail_s == tail


def test_levels_of_the_ends_are_against_the_loudest() -> None:
    edges = edges_of(cells((-20, 1), (-3, 50), (-33, 1)), MS)
    assert edges.start_db == pytest.approx(-17.0)
    assert edges.end_db == pytest.approx(-30.0)
    assert edges.end_faded
    assert not edges_of(cells((-3, 50), (-12, 1)), MS).end_faded, "9 dB under what came before is no fade"
    assert not edges_of(cells((-3, 4), (-33, 1)), MS).end_faded, "too short to tell"


def test_an_offset_is_no_sound() -> None:
    """A constant 0.1 has a mean square of 0.01: taken out, nothing is left."""
    assert edges_of(np.full(100, 0.01), MS, dc=0.1).onset_s is None
    assert edges_of(np.full(100, 0.01), MS, dc=0.0).onset_s == 0.0


@pytest.mark.parametrize(
    ("quiet", "steady", "bound"),
    [((-70.0, 151), 0.0, False), ((-70.0, 149), 0.0, True), ((-35.0, 300), 0.0, True), ((-70.0, 300), 2.5, True)],
)
def test_a_floor_is_steady_for_150_ms_and_30_db_down(quiet: tuple[float, int], steady: float, bound: bool) -> None:
    """Else the quietest 50 ms only bound the noise: too short, too loud, or moving by over 2 dB each 50 ms."""
    level, count = quiet
    moved = [(level + steady * (number // 50), 1) for number in range(count)]
    floor = floor_of(cells((-6, 200), *moved))
    assert floor.level_dbfs == pytest.approx(level, abs=0.01)
    assert floor.is_bound is bound


def test_runs_at_the_top_are_told_apart_by_a_single_sample() -> None:
    """Two flat tops of 4 with one lower sample between are two, not one of 9; a run at the very end is none."""
    slope = [0.1, 0.3, 0.5]
    column = np.array([*slope, 0.9, 0.9, 0.9, 0.9, 0.6, 0.9, 0.9, 0.9, 0.9, *slope[::-1]], np.float32)
    assert [(run.frame, run.length) for run in flat_tops(column, 1.0, 0.9)] == [(3, 4), (8, 4)]
    assert [(run.frame, run.length) for run in flat_tops(-column, -1.0, 0.9)] == [(3, 4), (8, 4)]
    assert flat_tops(column[:12], 1.0, 0.9)[1:] == []
    assert flat_tops(column[3:7], 1.0, 0.9) == []
