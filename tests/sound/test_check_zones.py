"""Checks of samples against one another, on measures made by hand: each fault beside its innocent neighbour."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from companion.core.errors import CompanionError
from companion.core.facts import Facts, Layer, Limits, Naming
from companion.core.rules import findings_of
from companion.sound.checks.model import sound_model
from companion.sound.checks.zones import SAME
from companion.sound.measures.takes import likeness, outline_of
from companion.sound.rules import RULES

NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
PATTERN = Facts(naming=Naming(pattern="{layer}_{note}_v{velocity}_rr{take}", middle_c="C4"))


def named(note: int, velocity: int = 1, take: int = 1, layer: str = "slate", up: int = 0) -> str:
    """A file name; ``up`` octaves above what middle C = C4 calls the note."""
    return f"{layer}_{NAMES[note % 12]}{note // 12 - 1 + up}_v{velocity}_rr{take}.wav"


def pitched(note: float, **more: Any) -> dict[str, Any]:
    return {
        "pitch_cents": 100.0 * note,
        "pitch_trust": 0.99,
        "pitch_spread": 1.0,
        "odd_even_db": 3.0,
        "half_db": -60.0,
        **more,
    }


def scale(good: Any, notes: Any = range(48, 72, 3), **more: Any) -> dict[str, Any]:
    return {named(note): good(**pitched(note), **more) for note in notes}


def test_wrong_root(good: Any, found: Any) -> None:
    samples = scale(good)
    assert found(samples, PATTERN) == {}
    samples[named(54)] = good(**pitched(55))
    samples[named(60)] = good(**pitched(60.3))
    assert found(samples, PATTERN) == {"wrong-root": [named(54)], "off-pitch": [named(60)]}


def test_an_octave_is_wrong_only_when_the_partials_say_so(good: Any, found: Any) -> None:
    sure = scale(good) | {named(54): good(**pitched(66))}
    assert found(sure, PATTERN) == {"wrong-root": [named(54)]}
    unsure = scale(good) | {named(54): good(**pitched(66, half_db=-5.0))}
    assert found(unsure, PATTERN) == {}
    below = scale(good) | {named(54): good(**pitched(42, odd_even_db=-15.0))}
    assert found(below, PATTERN) == {}


def test_a_pitch_that_wanders_tells_no_semitone(good: Any, found: Any) -> None:
    """A bell whose windows lie 65 cents apart is not read as a wrong note; a steady one in its place is."""
    samples = scale(good) | {named(54): good(**pitched(54.93, pitch_spread=65.0))}
    assert found(samples, PATTERN) == {}
    samples[named(54)] = good(**pitched(54.93, pitch_spread=5.0))
    assert found(samples, PATTERN) == {"wrong-root": [named(54)]}


def test_another_octave_convention_is_no_fault(good: Any, found: Any) -> None:
    """Names of a maker whose middle C is C3, read with the convention left open, or with the other one."""
    samples = {named(note, up=-1): good(**pitched(note)) for note in range(48, 72, 3)}
    for middle_c in ("", "C3", "C4"):
        facts = Facts(naming=Naming(pattern=PATTERN.naming.pattern, middle_c=middle_c))
        assert found(samples, facts) == ({"names-disagree": [""]} if middle_c == "C4" else {}), "which is noted"
        (tuning,) = sound_model(samples, {}, facts).tunings
        assert tuning.octaves == (1 if middle_c == "C4" else 0)


def test_drums_are_left_alone(good: Any, found: Any) -> None:
    rng = np.random.default_rng(1)
    samples = {named(note): good(**pitched(float(rng.uniform(30, 90)))) for note in range(36, 60)}
    assert not found(samples, PATTERN).keys() & {"wrong-root", "off-pitch"}


def test_a_mixture_only_warns(good: Any) -> None:
    samples = scale(good, range(36, 96, 3)) | {named(note): good(**pitched(note + 5)) for note in (40, 50, 61, 70)}
    findings = [one for one in findings_of(RULES, sound_model(samples, {}, PATTERN)) if one.rule == "wrong-root"]
    assert len(findings) == 4
    assert {one.severity.value for one in findings} == {"warns"}


@pytest.mark.parametrize(("wrong", "severity"), [(2, "blocks"), (3, "blocks"), (4, "warns")])
def test_one_in_twenty_may_be_wrong_before_a_layer_is_a_mixture(good: Any, wrong: int, severity: str) -> None:
    """5 % of 60 are 3."""
    samples = scale(good, range(36, 96))
    samples |= {named(40 + 7 * number): good(**pitched(45 + 7 * number)) for number in range(wrong)}
    findings = [one for one in findings_of(RULES, sound_model(samples, {}, PATTERN)) if one.rule == "wrong-root"]
    assert [one.severity.value for one in findings] == [severity] * wrong


@pytest.mark.parametrize(
    ("off", "rule"), [(1.5, "off-pitch"), (-2.45, "off-pitch"), (1.2, "wrong-root"), (7.5, "off-pitch")]
)
def test_between_two_semitones_is_off_pitch(good: Any, found: Any, off: float, rule: str) -> None:
    samples = scale(good) | {named(54): good(**pitched(54 + off))}
    assert found(samples, PATTERN) == {rule: [named(54)]}
    loose = scale(good) | {named(54): good(**pitched(54 + off, pitch_spread=60.0))}
    assert found(loose, PATTERN) == {}, "a pitch that wanders by half a semitone tells neither"


def test_between_two_semitones_says_what_it_is(good: Any) -> None:
    samples = scale(good) | {named(54): good(**pitched(55.6))}
    (finding,) = findings_of(RULES, sound_model(samples, {}, PATTERN))
    assert finding.measured == "+160 cents, between two semitones: G#3 (MIDI 56, middle C = C4) is nearest"


def severities(good: Any, sample: dict[str, Any]) -> list[tuple[str, str]]:
    samples = scale(good) | {named(54): good(**sample)}
    return [(one.rule, one.severity.value) for one in findings_of(RULES, sound_model(samples, {}, PATTERN))]


def test_an_octave_blocks_only_where_the_declared_note_could_not_sound_so(good: Any) -> None:
    """Below, with its own fundamental, is another note. Above, or without one, may be an organ's rank or a bell."""
    assert severities(good, pitched(42, fundamental_db=-6.0)) == [("wrong-root", "blocks")]
    assert severities(good, pitched(42, fundamental_db=-40.0)) == [("wrong-root", "warns")]
    assert severities(good, pitched(66)) == [("wrong-root", "warns")]
    assert severities(good, pitched(78)) == [("wrong-root", "warns")]
    assert severities(good, pitched(65)) == [("wrong-root", "blocks")], "eleven semitones are no octave"
    samples = scale(good) | {named(54): good(**pitched(66))}
    (finding,) = findings_of(RULES, sound_model(samples, {}, PATTERN))
    assert finding.measured.endswith("in bells and organ ranks: only ears can tell")


@pytest.mark.parametrize("takes", [1, 3, 6])
def test_a_wrong_note_counts_once_whatever_its_takes(good: Any, takes: int) -> None:
    """Three or six files of one wrong note among eight are one wrong note; four wrong notes of twelve are a mixture."""
    samples = {named(note, take=take): good(**pitched(note)) for note in range(48, 72, 3) for take in (1, 2)}
    wrong = {named(54, take=take): good(**pitched(57)) for take in range(1, takes + 1)}
    samples |= wrong
    found = [one for one in findings_of(RULES, sound_model(samples, {}, PATTERN)) if one.rule == "wrong-root"]
    assert sorted(one.path for one in found) == sorted(wrong)
    assert {one.severity.value for one in found} == {"blocks"}
    for note in (51, 60, 66):
        samples[named(note)] = good(**pitched(note + 3))
    found = [one for one in findings_of(RULES, sound_model(samples, {}, PATTERN)) if one.rule == "wrong-root"]
    assert {one.severity.value for one in found} == {"warns"}


def test_an_octave_is_wrong_where_nothing_was_measured_against_it(good: Any, found: Any) -> None:
    """No energy was found half-way, or in the odd partials, to speak of: nothing speaks for an illusion."""
    for note in (66, 42):
        samples = scale(good) | {named(54): good(**pitched(note, half_db=None, odd_even_db=None))}
        assert found(samples, PATTERN) == {"wrong-root": [named(54)]}


def test_three_neighbours_within_an_octave_are_needed_for_a_level_step(good: Any, found: Any) -> None:
    def layer(*notes: int) -> dict[str, Any]:
        samples = {named(note): good(momentary_max_lufs=-20.0) for note in (*range(48, 69, 3), *notes)}
        return samples | {named(75): good(momentary_max_lufs=-40.0)}

    assert found(layer(75, 87), PATTERN) == {"level-step": [named(75)]}
    assert "level-step" not in found(layer(75, 88), PATTERN)
    assert "level-step" not in found(layer(75), PATTERN)


def test_a_layer_of_which_some_have_no_range_is_held_against_its_grid(good: Any, found: Any) -> None:
    ranged = {f"slate {low}.wav": good(root_note=low, low_key=low, high_key=low + 5) for low in range(36, 60, 6)}
    assert found(ranged) == {}
    del ranged["slate 42.wav"]
    assert found(ranged) == {"note-gap": [""]}
    assert found(ranged | {"slate 60.wav": good(root_note=60, low_key=60)}) == {}, "four notes make no grid"


def test_a_whole_instrument_off_is_reported_once(good: Any, found: Any) -> None:
    samples = {named(note): good(**pitched(note + 0.35)) for note in range(48, 72, 3)}
    assert found(samples, PATTERN) == {"off-pitch": [""]}


def test_pitch_that_is_not_trusted_is_not_judged(good: Any, found: Any) -> None:
    samples = scale(good) | {named(54): good(**pitched(57, pitch_trust=0.7))}
    samples[named(60)] = good(**pitched(60.3, pitch_spread=40.0))
    assert found(samples, PATTERN) == {}


def test_level_step(good: Any, found: Any) -> None:
    levels = scale(good)
    assert found(levels, PATTERN) == {}
    levels[named(57)] = good(**pitched(57), momentary_max_lufs=-31.0)
    assert found(levels, PATTERN) == {"level-step": [named(57)]}
    assert found(levels, Facts(naming=PATTERN.naming, limits=Limits(level_step_db=12.0))) == {}
    slope = {named(note): good(momentary_max_lufs=-40.0 + note / 3) for note in range(24, 96, 3)}
    assert found(slope, PATTERN) == {}


def test_one_take_of_another_level(good: Any, found: Any) -> None:
    samples = {named(note, take=take): good() for note in range(48, 72, 3) for take in (1, 2)}
    samples[named(57, take=2)] = good(momentary_max_lufs=-31.0)
    assert found(samples, PATTERN) == {"level-step": [named(57, take=2)]}


def test_dynamics_inverted(good: Any, found: Any) -> None:
    def layer(step: float) -> dict[str, Any]:
        return {
            named(note, velocity): good(momentary_max_lufs=-26.0 + step * velocity)
            for note in range(48, 72, 3)
            for velocity in (1, 2)
        }

    samples = layer(4.0)
    assert found(samples, PATTERN) == {}
    samples[named(57, 1)] = good(momentary_max_lufs=-16.0)
    assert found(samples, PATTERN).get("dynamics-inverted") == [named(57, 1)]
    normalised = layer(0.0) | {named(57, 1): good(momentary_max_lufs=-23.0)}
    assert found(normalised, PATTERN) == {}


def test_note_gaps(good: Any, found: Any) -> None:
    notes = [note for note in range(36, 84, 3) if note != 57]
    assert found({named(note): good() for note in notes}, PATTERN) == {"note-gap": [""]}
    uneven = [36, 40, 43, 48, 52, 55, 62, 67]
    assert found({named(note): good() for note in uneven}, PATTERN) == {}
    both = {
        named(note, velocity): good(momentary_max_lufs=-30.0 + 5 * velocity)
        for note in range(36, 84, 3)
        for velocity in (1, 2)
    }
    assert found(both, PATTERN) == {}
    del both[named(57, 2)]
    assert found(both, PATTERN) == {"note-gap": [""]}


def test_ranges(good: Any, found: Any) -> None:
    def ranged(*ranges: tuple[int, int]) -> dict[str, Any]:
        return {f"slate {low}.wav": good(root_note=low, low_key=low, high_key=high) for low, high in ranges}

    assert found(ranged((36, 47), (48, 59), (60, 71))) == {}
    assert found(ranged((36, 46), (48, 59), (60, 71))) == {"note-gap": [""]}
    assert found(ranged((36, 48), (48, 59), (60, 71))) == {"range-overlap": ["slate 36.wav"]}
    takes = {f"slate 36 rr{take}.wav": good(low_key=36, high_key=47) for take in (1, 2)}
    assert found(takes) == {}
    dynamics = {
        f"slate {soft}.wav": good(low_key=36, high_key=47, low_velocity=soft, high_velocity=loud)
        for soft, loud in ((1, 63), (64, 127))
    }
    assert found(dynamics) == {}


def test_the_makers_table_wins(good: Any, found: Any) -> None:
    samples = {f"s{number}.wav": good(**pitched(48 + 3 * number)) for number in range(6)}
    table = "path,note,velocity\n" + "".join(f"s{number}.wav,{48 + 3 * number},1\n" for number in range(6))
    facts = Facts(layers=(Layer(name="slate", files=("*.wav",)),))
    assert found(samples, facts, table=table) == {}
    assert found(samples, facts, table=table.replace("s2.wav,54", "s2.wav,52")) == {"wrong-root": ["s2.wav"]}
    assert found(samples, facts, table='no such thing\n"') == {}


def test_layer_uneven(good: Any, found: Any) -> None:
    layers = tuple(Layer(name=name, files=(f"{name}/*.wav",)) for name in ("struck", "air"))
    facts = Facts(layers=layers, naming=Naming(pattern="{note}"))

    def both(air: float) -> dict[str, Any]:
        return {
            f"{name}/{note}.wav": good(momentary_max_lufs=loudness)
            for name, loudness in (("struck", -20.0), ("air", air))
            for note in (48, 60, 72)
        }

    assert found(both(-30.0), facts) == {}
    assert found(both(-38.0), facts) == {"layer-uneven": [""]}
    assert found(both(-38.0), Facts(layers=layers, naming=facts.naming, limits=Limits(layer_drop_db=20.0))) == {}


def test_takes(good: Any, found: Any) -> None:
    rng = np.random.default_rng(4)
    time = np.arange(48000) / 48000

    def stroke() -> Any:
        """Two strokes share pitch and decay, but neither phase nor noise."""
        tone = sum(np.sin(2 * np.pi * 220 * n * time + rng.uniform(0, 6.3)) / n for n in range(1, 9))
        return ((tone + 0.3 * rng.standard_normal(len(time))) * np.exp(-6 * time) * 0.2).astype(np.float32)

    one, other = stroke(), stroke()
    copy = np.concatenate((np.zeros(700, np.float32), 0.4 * one)) + np.float32(1e-5) * rng.standard_normal(
        48700
    ).astype(np.float32)
    assert likeness(outline_of(one), outline_of(copy)) > 0.995
    assert likeness(outline_of(one), outline_of(-one)) > 0.995
    assert likeness(outline_of(one), outline_of(other)) < 0.92 < SAME
    samples = {
        named(60, take=number): good(outline=outline_of(sound), digest=str(number))
        for number, sound in enumerate((one, other, copy), 1)
    }
    assert found(samples, PATTERN) == {"takes-same": [named(60, take=3)]}


def test_takes_equal_to_the_bit_are_reported_once(good: Any, found: Any) -> None:
    """They are duplicates; that they are also alike as takes goes without saying."""
    noise = np.random.default_rng(5).standard_normal(4096).astype(np.float32)
    samples = {named(60, take=take): good(outline=outline_of(noise), digest="one") for take in (1, 2)}
    assert found(samples, PATTERN) == {"duplicate": [named(60, take=2)]}


def test_a_wrong_pattern_names_the_field(good: Any) -> None:
    with pytest.raises(CompanionError, match="unknown field"):
        sound_model({"a.wav": good()}, {}, Facts(naming=Naming(pattern="{pitch}")))
