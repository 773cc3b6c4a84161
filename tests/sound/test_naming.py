"""File names: what they tell under a pattern, and which pattern is proposed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.core.errors import CompanionError
from companion.core.facts import Naming
from companion.sound.zones.naming import Pattern
from companion.sound.zones.reading import read_names
from companion.sound.zones.vocabulary import read_velocity


def test_pattern_reads_note_velocity_take_and_layer() -> None:
    placed = Pattern("{layer}_{note}_v{velocity}_rr{take}").place("samples/low hum_F#3_v101_rr2.wav")
    assert placed is not None
    assert (placed.layer, placed.note, placed.octave_open, placed.velocity, placed.take) == (
        "low hum",
        54,
        True,
        101,
        "2",
    )


def test_octaves_stay_open_until_a_convention_is_known() -> None:
    placed = Pattern("{note}").place("C3.wav")
    assert placed is not None
    assert placed.note_under("") is None
    assert placed.note_under("C3") == 60
    assert placed.note_under("C4") == 48
    number = Pattern("{note}").place("60.wav")
    assert number is not None
    assert number.note_under("") == 60


@pytest.mark.parametrize(("name", "note"), [("Bb2", 46), ("A#2", 46), ("Cs-1", 1), ("c4", 60), ("Eb4", 63)])
def test_spellings_of_notes(name: str, note: int) -> None:
    placed = Pattern("x {note}").place(f"x {name}.wav")
    assert placed is not None
    assert placed.note == note


def test_a_name_outside_the_pattern_is_left_out() -> None:
    pattern = Pattern("{layer}_{note}_v{velocity}")
    assert pattern.place("readme.wav") is None
    assert pattern.place("hum_J3_v1.wav") is None


def test_folders_count_where_the_pattern_has_a_slash() -> None:
    placed = Pattern("{layer}/{note}").place("samples/Struck/D2.wav")
    assert placed is not None
    assert (placed.layer, placed.note) == ("Struck", 38)


@pytest.mark.parametrize("text", ["{layer}_{pitch}", "{note}{note}"])
def test_wrong_patterns_name_the_field(text: str) -> None:
    with pytest.raises(CompanionError, match=r"\{(pitch|note)\}"):
        Pattern(text)


def test_dynamic_marks_keep_their_order() -> None:
    marks = ["pp", "p", "mp", "mf", "f", "ff"]
    values = [read_velocity(mark) for mark in marks]
    assert values == sorted(values, key=lambda value: value or 0)
    assert len(set(values)) == len(marks)


@pytest.mark.parametrize(
    ("names", "pattern"),
    [
        (
            [f"Strike_{n}_v{v}_rr{t}" for n in ("C3", "F#3") for v in (1, 2) for t in (1, 2)],
            "{layer}_{note}_v{velocity}_rr{take}",
        ),
        ([f"slate-hum-{n}-{v}" for n in ("C3", "Fs3", "Bb-1") for v in ("pp", "ff")], "{layer}-{note}-{velocity}"),
        ([f"slate {n} {t:02}" for n in ("C2", "d3") for t in range(3)], "{layer} {note} {take}"),
        (["slate kick", "slate snare", "room"], ""),
        ([], ""),
    ],
)
def test_proposed_patterns(names: list[str], pattern: str) -> None:
    paths = [f"samples/{name}.wav" for name in names]
    reading = read_names(paths, Naming())
    assert reading.patterns == ((pattern,) if pattern else ())
    assert reading.places.keys() == set(paths if pattern else ())


def test_of_several_notes_the_one_that_differs_is_read() -> None:
    places = read_names([f"x/A1 Choir {note}.wav" for note in ("F4", "F#4", "G4")], Naming()).places
    assert [place.note for place in places.values()] == [65, 66, 67]
    assert read_names(["x/Choir.wav"], Naming()).places == {}


@given(st.text(max_size=40), st.text(max_size=40))
def test_any_name_and_literal_text_are_survived(literal: str, name: str) -> None:
    try:
        pattern = Pattern(literal + "{note}")
    except CompanionError:
        return
    pattern.place(name)
    read_names([name], Naming())
