"""Levels against one another: the median polish by closed form, and what it lets the checks see."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.facts import Facts, Naming
from companion.sound.checks.levels import polished

PATTERN = Facts(naming=Naming(pattern="{layer}_{note}_v{velocity}_rr{take}", middle_c="C4"))
NOTES = range(48, 72, 3)


def named(note: int, velocity: int = 1) -> str:
    names = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
    return f"slate_{names[note % 12]}{note // 12 - 1}_v{velocity}_rr1.wav"


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.integers(-20, 20), min_size=5, max_size=9),
    st.lists(st.integers(-12, 12), min_size=3, max_size=5),
    st.integers(10, 60),
    st.data(),
)
def test_one_odd_sample_moves_neither_its_note_nor_its_dynamic(
    notes: list[int], dynamics: list[int], odd: int, data: st.DataObject
) -> None:
    """A table that is exactly note plus dynamic, save for one cell, is taken apart again, up to a constant."""
    table = {(n, v): float(a + b) for n, a in enumerate(notes) for v, b in enumerate(dynamics)}
    cell = data.draw(st.sampled_from(sorted(table)))
    table[cell] += odd
    found_notes, found_dynamics = polished(table)
    shift = found_notes[0] - notes[0]
    assert [found_notes[n] - shift for n in range(len(notes))] == pytest.approx(notes, abs=1e-3)
    assert [found_dynamics[v] + shift for v in range(len(dynamics))] == pytest.approx(dynamics, abs=1e-3)


def test_a_dynamic_that_few_notes_have_is_judged_by_the_others(good: Any, found: Any) -> None:
    """Only two notes have the loud dynamic: without the polish neither has neighbours, with it one stands out."""
    samples = {named(note, v): good(momentary_max_lufs=-30.0 + 6 * v) for note in NOTES for v in (1, 2)}
    samples[named(54, 3)] = good(momentary_max_lufs=-12.0)
    samples[named(63, 3)] = good(momentary_max_lufs=-12.0)
    assert found(samples, PATTERN).get("level-step") is None
    samples[named(63, 3)] = good(momentary_max_lufs=-32.0)
    assert found(samples, PATTERN).get("level-step") == [named(63, 3), named(54, 3)]
    samples[named(66, 3)] = good(momentary_max_lufs=-12.0)
    assert found(samples, PATTERN).get("level-step") == [named(63, 3)]


def test_a_keyboard_that_fades_at_one_dynamic_is_no_step(good: Any, found: Any) -> None:
    """The softest dynamic falls off towards the top, the loudest does not: each note still follows its neighbours."""
    samples = {
        named(note, v): good(momentary_max_lufs=-20.0 - (3 - v) * (note - 48) / 2) for note in NOTES for v in (1, 2, 3)
    }
    assert found(samples, PATTERN).get("level-step") is None


def test_a_kit_whose_sounds_differ_by_nature_is_left_alone(good: Any, found: Any) -> None:
    levels = np.random.default_rng(2).uniform(-36, -8, 24)
    kit = {named(36 + key): good(momentary_max_lufs=float(value)) for key, value in enumerate(levels)}
    assert found(kit, PATTERN).get("level-step") is None
    voice = {named(36 + key): good(momentary_max_lufs=-20.0) for key in range(24)}
    voice[named(45)] = good(momentary_max_lufs=-32.0)
    assert found(voice, PATTERN).get("level-step") == [named(45)]
