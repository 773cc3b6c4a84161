"""Notes glued to a word in capitals, and codes that look like them; words that say which numbers are keys."""

from __future__ import annotations

from itertools import product

import pytest

from companion.core.facts import Naming
from companion.sound.zones.hearing import SampleSound
from companion.sound.zones.reading import NameReading, read_names

WHOLE = {"C4": 60, "D4": 62, "E4": 64, "F#4": 66, "G#4": 68, "A#4": 70}
WHITE = {"C4": 60, "D4": 62, "E4": 64, "F4": 65, "G4": 67}


def notes(reading: NameReading) -> dict[str, int | None]:
    return {path: place.note for path, place in reading.places.items() if place.note is not None}


def test_a_note_is_parted_from_a_word_in_capitals() -> None:
    paths = {f"{word}{name}.wav": note for word in ("REED", "FLUTE") for name, note in WHOLE.items()}
    reading = read_names(paths, Naming())
    assert notes(reading) == paths
    assert set(reading.patterns) == {"REED{note}", "FLUTE{note}"}


@pytest.mark.parametrize("sign", ["b", "s", "♯"])
def test_small_signs_belong_to_the_note(sign: str) -> None:
    """Behind capitals ``b`` is a flat: no word goes on in small letters."""
    steps = ("C", f"D{sign}", f"E{sign}", f"G{sign}", f"A{sign}", "F", "G")
    assert len(notes(read_names([f"REED{step}3.wav" for step in steps], Naming()))) == len(steps)


def test_white_keys_alone_are_read_when_they_sound_so() -> None:
    """Five letters with one digit may be parts, A to E, of anything."""
    paths = {f"REED{name}.wav": note for name, note in WHITE.items()}
    unheard = read_names(paths, Naming())
    assert not notes(unheard)
    assert [len(one.paths) for one in unheard.asked] == [len(paths)]
    heard = {path: SampleSound(cents=100.0 * note) for path, note in paths.items()}
    assert notes(read_names(paths, Naming(), heard)) == paths


@pytest.mark.parametrize(
    "codes",
    [
        [f"PART{letter}{number}.wav" for letter, number in product("ABCDEFG", range(1, 13))],
        [f"TOM{letter}1.wav" for letter in "ABCD"],
        [f"PART{letter}1.wav" for letter in "ABCDEFG"],
        [f"REED{name}x.wav" for name in WHOLE],
    ],
    ids=["numbers of two digits", "four letters", "seven letters", "a word goes on"],
)
def test_codes_in_capitals_are_no_notes(codes: list[str]) -> None:
    assert not notes(read_names(codes, Naming()))


def test_lowest_and_highest_are_keys_where_they_lie_around_the_note() -> None:
    ranges = {f"Drone_root{note}_lo{note - 1}_hi{note + 1}.wav": note for note in range(48, 72, 3)}
    places = read_names(ranges, Naming()).places
    assert {path: (place.low_key, place.high_key) for path, place in places.items()} == {
        path: (note - 1, note + 1) for path, note in ranges.items()
    }
    assert all(place.low_velocity is None for place in places.values())


def test_lowest_and_highest_are_velocities_where_they_share_them_out() -> None:
    """Both pairs hold some of the notes, and neither goes by them."""
    pairs = ((0, 63), (64, 127))
    paths = [f"Drone_root{note}_lo{low}_hi{high}.wav" for note in range(48, 72, 3) for low, high in pairs]
    places = read_names(paths, Naming()).places
    assert {(place.low_velocity, place.high_velocity) for place in places.values()} == set(pairs)


def test_numbered_keys_are_asked_about_up_to_the_last_key_of_a_piano() -> None:
    asked = read_names([f"Key {number}.wav" for number in range(24, 89, 4)], Naming())
    assert not notes(asked)
    assert asked.asked
    beyond = [f"Key {number}.wav" for number in range(24, 93, 4)]
    assert len(notes(read_names(beyond, Naming()))) == len(beyond)
    meant = [f"Note {number}.wav" for number in range(24, 89, 4)]
    assert len(notes(read_names(meant, Naming()))) == len(meant)


def test_braces_in_names_are_no_fields() -> None:
    paths = [f"Bell ({name}) {{{take}}}.wav" for name in WHOLE for take in (1, 2)]
    places = read_names(paths, Naming()).places
    assert {place.take for place in places.values()} == {"1", "2"}
    assert {place.note for place in places.values()} == set(WHOLE.values())


def test_four_letters_are_too_few_even_where_they_sound_so() -> None:
    paths = {f"REED{name}.wav": note for name, note in list(WHITE.items())[:4]}
    heard = {path: SampleSound(cents=100.0 * note) for path, note in paths.items()}
    assert not notes(read_names(paths, Naming(), heard))


def test_one_number_of_two_digits_makes_codes_of_all() -> None:
    letters = [f"OBO{name}.wav" for name in WHOLE]
    assert len(notes(read_names(letters, Naming()))) == len(letters)
    assert not notes(read_names([*letters, "OBOG12.wav"], Naming()))


@pytest.mark.parametrize(
    "ranges",
    [
        {60: [(0, 127)]},
        {note: [(0, 90), (40, 127)] for note in range(60, 67, 2)},
        {note: [(10 * place, 10 * place + 9)] for place, note in enumerate(range(100, 107, 2))},
    ],
    ids=["one note has one pair", "all notes have both pairs", "none lies around its note"],
)
def test_lowest_and_highest_are_velocities_unless_each_note_has_its_own_around_it(
    ranges: dict[int, list[tuple[int, int]]],
) -> None:
    told = [(note, low, high, take) for note, pairs in ranges.items() for low, high in pairs for take in (1, 2)]
    paths = [f"Drone_root{note}_lo{low}_hi{high}_rr{take}.wav" for note, low, high, take in told]
    places = read_names(paths, Naming()).places
    assert {(one.low_velocity, one.high_velocity) for one in places.values()} == {
        (low, high) for _, low, high, _ in told
    }
    assert all(one.low_key is None for one in places.values())


def test_numbered_keys_are_read_where_they_sound_like_midi_notes() -> None:
    paths = {f"Key {number}.wav": number for number in range(24, 89, 4)}
    heard = {path: SampleSound(cents=100.0 * number) for path, number in paths.items()}
    assert notes(read_names(paths, Naming(), heard)) == paths
