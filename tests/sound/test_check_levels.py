"""Levels against one another: the median polish by closed form, and what it lets the checks see."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.facts import Facts, Naming
from companion.sound.checks.levels import polished
from companion.sound.measures.pitch import hertz_of
from companion.sound.measures.takes import outline_of

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


def test_a_kit_on_one_keyboard_has_no_neighbours(good: Any, found: Any) -> None:
    """Twelve drums on twelve keys, one of them 20 dB softer: their pitches say that the keys mean nothing."""

    def layer(pitch: Any) -> dict[str, Any]:
        steady = {"pitch_trust": 0.99, "pitch_spread": 1.0, "odd_even_db": 3.0, "half_db": -60.0}
        return {
            named(36 + n): good(momentary_max_lufs=-40.0 if n == 5 else -20.0, pitch_cents=pitch(n), **steady)
            for n in range(12)
        }

    pitches = np.random.default_rng(3).uniform(3000, 9000, 12)
    assert "level-step" not in found(layer(lambda n: float(pitches[n])), PATTERN)
    assert found(layer(lambda n: 100.0 * (36 + n)), PATTERN)["level-step"] == [named(41)]


def drum(good: Any, name: str, *levels: float, **more: Any) -> dict[str, Any]:
    """A drum with a dynamic for each level, two takes of each, and no note."""
    return {
        f"Kit/{name}_v{velocity}_rr{take}.wav": good(momentary_max_lufs=value, **more)
        for velocity, value in enumerate(levels, 1)
        for take in (1, 2)
    }


def test_the_dynamics_of_a_kit_need_no_note(good: Any, found: Any) -> None:
    """Each drum is a layer of its own; together they say that playing harder is meant to be louder."""
    kit = drum(good, "Kick", -30.0, -24.0, -18.0) | drum(good, "Snare", -32.0, -27.0, -20.0)
    assert "dynamics-inverted" not in found(kit)
    kit |= drum(good, "Hat", -30.0, -36.0, -26.0)
    assert found(kit)["dynamics-inverted"] == ["Kit/Hat_v1_rr1.wav"]


def test_a_kit_whose_samples_were_normalised_is_left_alone(good: Any, found: Any) -> None:
    kit = drum(good, "Kick", -20.0, -20.2, -19.9) | drum(good, "Snare", -20.0, -22.0, -20.0)
    assert "dynamics-inverted" not in found(kit)
    few = drum(good, "Kick", -20.0, -14.0) | drum(good, "Snare", -20.0, -26.0)
    assert "dynamics-inverted" not in found(few), "two steps show no order"


def test_takes_of_a_drum_are_compared_without_a_note(good: Any, found: Any) -> None:
    noise = np.random.default_rng(5).standard_normal((2, 4096)).astype(np.float32)
    copy = (0.5 * noise[0] + 1e-5 * noise[1]).astype(np.float32)
    kit = {
        f"Kit/Kick_v1_rr{take}.wav": good(outline=outline_of(sound), digest=str(take))
        for take, sound in enumerate((noise[0], noise[1], copy), 1)
    }
    assert found(kit)["takes-same"] == ["Kit/Kick_v1_rr3.wav"]
    touches = {path.replace("v1_rr3", "v2_rr1"): one for path, one in kit.items()}
    assert "takes-same" not in found(touches), "another touch is no take"


@pytest.mark.parametrize("seconds", [0.12, 0.2, 0.39])
def test_samples_under_400_ms_are_compared_by_their_loudest_100(
    write: Any, sine: Any, measure: Any, found: Any, seconds: float
) -> None:
    """Twelve tones equally loud, of which two are short: padded with silence they would seem 5 dB softer."""
    for number, note in enumerate(NOTES):
        length = seconds if number in (2, 5) else 0.6
        write(named(note), sine(hertz_of(100 * note), length, 0.3), subtype="PCM_16")
    measured = measure()
    short = measured[named(NOTES[2])]
    assert short.level_lufs is None
    assert short.burst_lufs == pytest.approx(measured[named(NOTES[3])].burst_lufs, abs=0.5)
    assert "level-step" not in found(measured, PATTERN)
    write(named(NOTES[2]), sine(hertz_of(100 * NOTES[2]), seconds, 0.09))
    assert found(measure(), PATTERN)["level-step"] == [named(NOTES[2])], "10.5 dB softer"


def test_what_is_shorter_than_100_ms_is_not_held_against_others(good: Any, found: Any) -> None:
    samples = {named(note): good(momentary_max_lufs=-20.0, burst_lufs=-18.0) for note in NOTES}
    samples[named(54)] = good(momentary_max_lufs=-40.0, seconds=0.05, burst_lufs=None)
    assert "level-step" not in found(samples, PATTERN)
    samples[named(54)] = good(momentary_max_lufs=-40.0, seconds=0.3, burst_lufs=-38.0)
    assert found(samples, PATTERN)["level-step"] == [named(54)]


@pytest.mark.parametrize("channels", [1, 2])
def test_a_short_loop_is_as_loud_as_it_is_played(
    write: Any, sine: Any, measure: Any, append_chunks: Any, smpl: Any, channels: int
) -> None:
    """40 ms of 400 Hz, looped from its tenth millisecond on, sound on as a whole second of it does."""
    for name, seconds in (("loop.wav", 0.05), ("long.wav", 1.0)):
        tone = sine(400, seconds, 0.3)
        path = write(name, np.column_stack([tone] * channels))
        if name == "loop.wav":
            append_chunks(path, smpl(60, 0.0, ((0, 480, 2399),)))
    measured = measure()
    short, long = measured["loop.wav"], measured["long.wav"]
    assert short.momentary_max_lufs == pytest.approx((long.momentary_max_lufs or 0) - 9, abs=0.2), "with silence behind"
    assert short.level_lufs == pytest.approx(long.level_lufs, abs=0.1)
    assert short.burst_lufs == pytest.approx(long.burst_lufs, abs=0.1)
    assert long.played_lufs is None
