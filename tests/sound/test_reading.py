"""How names are read: what is written, what is heard, what is asked, and what the maker is told of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.core.facts import Facts, Naming
from companion.core.findings import Finding
from companion.core.rules import findings_of
from companion.sound.checks.model import sound_model
from companion.sound.checks.unjudged import names_disagree, names_open, note_unread
from companion.sound.zones.hearing import SampleSound, heard_of
from companion.sound.zones.naming import Pattern
from companion.sound.zones.reading import NameReading, read_names
from companion.sound.zones.telling import names_data, names_lines

GERMAN = ("C", "Cis", "D", "Dis", "E", "F", "Fis", "G", "Gis", "A", "B", "H")
ENGLISH = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


def read(names: Iterable[str], sounds: Mapping[str, SampleSound] | None = None, **naming: Any) -> NameReading:
    return read_names([f"{name}.wav" for name in names], Naming(**naming), sounds)


def sounding(notes: Mapping[str, float], **more: Any) -> dict[str, SampleSound]:
    return {f"{name}.wav": SampleSound(100 * note, **more) for name, note in notes.items()}


def noted(reading: NameReading) -> dict[str, int | None]:
    """Return the notes that are read, under the octaves that were settled, by name."""
    return {
        path.removesuffix(".wav"): place.note if not reading.middle_c else place.note_under(reading.middle_c)
        for path, place in reading.places.items()
    }


def scale(names: Iterable[str], low: int = 48, prefix: str = "Reed ", octave: int = 3) -> dict[str, int]:
    """Return names of the notes upwards from ``low``, as they are written where middle C is C4."""
    every = list(names)
    return {f"{prefix}{every[note % 12]}{note // 12 - 4 + octave}": note for note in range(low, low + 24)}


def test_three_names_are_shown_and_what_did_not_fit_is_counted() -> None:
    names = [f"Reed {note}3 {touch}" for note in ("C", "D#", "F#") for touch in ("soft", "hard")]
    reading = read([*names, "rain", "wind"])
    paths = [f"{name}.wav" for name in [*names, "rain", "wind"]]
    lines = names_lines(reading, paths, Naming())
    assert lines[0] == "names are read as {layer} {note} {velocity}: 6 of 8"
    assert lines[1] == "Reed C3 soft.wav: C3, its octave open, velocity 40, layer Reed"
    assert len([line for line in lines if line.startswith("Reed")]) == 3
    assert lines[-1] == "2 names not read, such as rain.wav"
    data = names_data(reading, paths, Naming())
    assert (data["names"], data["read"]) == (8, 6)


@pytest.mark.parametrize(("middle_c", "shift"), [("C3", 12), ("C4", 0), ("C5", -12)])
def test_what_is_heard_settles_the_octaves(middle_c: str, shift: int) -> None:
    notes = {f"Reed {name}": note + shift for name, note in (("C3", 48), ("D#3", 51), ("F#3", 54), ("A3", 57))}
    reading = read(notes, sounding(notes))
    assert reading.middle_c == middle_c
    assert noted(reading) == notes
    assert f"middle C is {middle_c}: 4 of 4 notes heard sound so" in reading.why


def test_octaves_stay_open_where_the_sound_lies_elsewhere_or_ranks_differ() -> None:
    notes = {f"Reed {name}": note for name, note in (("C3", 48), ("D#3", 51), ("F#3", 54), ("A3", 57))}
    assert read(notes, sounding({name: note + 24 for name, note in notes.items()})).middle_c == ""
    high = {name.replace("Reed", "Flute"): note + 12 for name, note in notes.items()}
    assert read([*notes, *high], sounding(notes | high)).middle_c == ""


def test_h_makes_names_german_whatever_is_heard() -> None:
    notes = scale(GERMAN)
    reading = read(notes)
    assert reading.language == "german"
    assert noted(reading) == notes
    assert reading.why == ("the notes are German: the names have -is and H",)


def test_one_b_that_sounds_b_flat_is_a_wrong_note_and_no_language() -> None:
    """What would be read away as German is then found."""
    notes = {f"Reed {name}": note for name, note in (("C3", 48), ("E3", 52), ("G3", 55), ("B3", 59), ("C4", 60))}
    reading = read(notes, sounding(notes | {"Reed B3": 58}))
    assert noted(reading) == notes
    assert (reading.language, reading.heard_language) == ("english", "")


def test_two_bs_that_sound_b_flat_are_german() -> None:
    notes = {
        f"Reed {name}": note for name, note in (("C3", 48), ("E3", 52), ("G3", 55), ("B3", 58), ("C4", 60), ("B4", 70))
    }
    reading = read(notes, sounding(notes))
    assert reading.language == "german"
    assert noted(reading) == notes
    assert reading.why[0] == "the notes are German: B sound so on 2 notes"


def test_an_h_that_is_no_note_makes_nothing_german_where_b_is_heard() -> None:
    """The hats of a kit, under a pattern that takes them for notes."""
    notes = {f"Reed {name}": note for name, note in (("C3", 48), ("E3", 52), ("B3", 59), ("C4", 60), ("B4", 71))}
    reading = read([*notes, "Kit H1", "Kit H2"], sounding(notes), pattern="{layer} {note}")
    assert reading.language == "english"
    assert noted(reading) == notes | {"Kit H1": None, "Kit H2": None}
    assert [asked.paths for asked in reading.asked] == [("Kit H1.wav", "Kit H2.wav")]


def test_b_is_asked_about_where_the_rest_is_german_or_dutch() -> None:
    names = [f"Reed {name}3" for name in ("C", "Cis", "D", "Fis", "B")]
    reading = read(names)
    assert noted(reading)["Reed B3"] is None
    (asked,) = reading.asked
    assert asked.paths == ("Reed B3.wav",)
    assert "German" in asked.why
    assert asked.fact == "naming.language german"
    stated = read(names, language="german")
    assert noted(stated)["Reed B3"] == 58


def test_numbers_are_notes_only_where_they_are_heard() -> None:
    numbers = [f"reed_{note:03}" for note in range(36, 84, 3)]
    silent = read(numbers)
    assert silent.places == {}
    (asked,) = silent.asked
    assert (asked.why, asked.pattern) == ("the numbers may be MIDI notes", "{layer}_{note}")
    heard = read(numbers, sounding({name: int(name[-3:]) for name in numbers}))
    assert noted(heard) == {name: int(name[-3:]) for name in numbers}
    assert heard.why == ("the numbers are MIDI notes: 16 of 16 notes heard sound so",)
    stated = read(numbers, {f"{name}.wav": SampleSound(root=int(name[-3:])) for name in numbers})
    assert noted(stated) == noted(heard)
    assert stated.why == ("the numbers are MIDI notes: 16 of 16 headers say so",)
    counted = read(numbers, sounding({name: int(name[-3:]) + 21 for name in numbers}))
    assert counted.places == {}, "they count keys"
    (asked,) = counted.asked
    assert asked.why == "the numbers count keys, 21 below the MIDI notes heard"
    assert asked.fact == "naming.number_offset 21"
    by_facts = read(numbers, pattern="{layer}_{note}", number_offset=21)
    assert noted(by_facts) == {name: int(name[-3:]) + 21 for name in numbers}


def test_of_two_numbers_the_one_that_is_heard_is_the_note() -> None:
    notes = {f"{note}_{velocity}": note for note in range(40, 64, 3) for velocity in (40, 80, 120)}
    assert read(notes, sounding(notes)).patterns == ("{note}_{velocity}",)
    turned = {f"{velocity}_{note}": note for note in range(40, 64, 3) for velocity in (40, 80, 120)}
    assert read(turned, sounding(turned)).patterns == ("{velocity}_{note}",)


def test_a_number_beside_a_name_settles_the_octaves_by_itself() -> None:
    names = [f"Reed {note}3 {number:03}" for note, number in (("C", 60), ("D#", 63), ("F#", 66))]
    assert noted(read(names)) == dict(zip(names, (60, 63, 66), strict=True))


@pytest.mark.parametrize(("step", "field"), [(6.0, "velocity"), (0.0, "take")])
def test_levels_tell_touches_from_takes(step: float, field: str) -> None:
    names = [f"Reed {note}3 {number}" for note in ("C", "D#", "F#", "A") for number in (1, 2, 3)]
    sounds = {f"{name}.wav": SampleSound(loudness=-30 + step * int(name[-1])) for name in names}
    assert read(names, sounds).patterns == (f"{{layer}} {{note}} {{{field}}}",)
    assert read(names, sounds).asked == ()


def test_numbers_that_nothing_tells_are_asked_about() -> None:
    (asked,) = read([f"Reed {note}3 {one} {two}" for note in ("C", "D#") for one in (1, 2) for two in (1, 2, 3)]).asked
    assert asked.why == "several numbers may count takes or touches"
    (asked,) = read([f"Reed {note}3 {one}" for note in ("C", "D#") for one in (1, 2)]).asked
    assert asked.why == "the numbers are read as takes, and may be touches"


@pytest.mark.parametrize(
    "names",
    [
        ["D1", "D2", "D3"],
        [f"{letter}{number}" for letter in "ABCD" for number in (1, 2, 3)],
        ["K1", "S1", "S2", "D1", "D2", "T1"],
        ["Choir A 1", "Choir B 1", "Choir A 2", "Choir B 2"],
        ["G string 1", "D string 1", "A string 2", "E string 1"],
        ["Bass", "Ride", "E-Piano", "B-side", "Choir A"],
        [f"Rain 120bpm {number}" for number in range(60, 90)],
        [f"Harbour 44100 {number}" for number in range(1, 9)],
        [f"2024-03-{day:02}" for day in range(10, 25)],
        [f"Rumble {hertz}Hz" for hertz in (50, 60, 100, 120, 800)],
        [f"Hum {hertz} Hz 1" for hertz in (50, 100)],
        [f"key{number:02}" for number in range(1, 26)],
        [f"noise n{number}" for number in range(1, 9)],
    ],
)
def test_what_is_no_note_is_never_read_as_one(names: list[str]) -> None:
    assert all(place.note is None for place in read(names).places.values())
    noise = {f"{name}.wav": SampleSound(3000 + 137.0 * place * place % 4000) for place, name in enumerate(names)}
    assert all(place.note is None for place in read(names, noise).places.values())


def test_a_proposed_pattern_never_reads_what_was_left_out() -> None:
    """The numbers of the kit would be notes to the pattern of the reeds."""
    notes = {f"reed {note:03}": note for note in range(36, 84, 3)}
    kit = [f"kick {number:03}" for number in range(1, 9)]
    reading = read([*notes, *kit], sounding(notes))
    assert noted(reading) == notes or noted(reading) == notes | dict.fromkeys(kit)
    ready = [Pattern(text) for text in reading.patterns]
    assert all(
        place is None or place.note is None for one in ready for name in kit if [place := one.place(f"{name}.wav")]
    )


def test_positions_are_no_takes_and_no_layer_of_one_another(good: Any) -> None:
    names = [
        f"Reed {note}3 rr{take} {place}"
        for note in ("C", "D#", "F#")
        for take in (1, 2)
        for place in ("close", "mid", "room")
    ]
    model = sound_model({f"{name}.wav": good() for name in names}, {}, Facts())
    assert set(model.layers) == {"Reed · close", "Reed · mid", "Reed · room"}
    assert {zone.take for zone in model.zones.values()} == {"1", "2"}
    alike = {(zone.layer, zone.key, zone.take) for zone in model.zones.values()}
    assert len(alike) == len(names)


def test_a_header_that_always_says_the_same_was_never_set(good: Any) -> None:
    names = {f"Reed {name}": note for name, note in (("C3", 48), ("D#3", 51), ("F#3", 54), ("A3", 57))}
    facts = Facts(naming=Naming(middle_c="C4"))
    zones = sound_model({f"{name}.wav": good(root_note=60) for name in names}, {}, facts).zones
    assert {zone.path[:-4]: zone.note for zone in zones.values()} == names
    set_ = sound_model({f"{name}.wav": good(root_note=note + 1) for name, note in names.items()}, {}, facts).zones
    assert {zone.path[:-4]: zone.note for zone in set_.values()} == {name: note + 1 for name, note in names.items()}


def test_headers_that_were_never_set_are_passed_over_beside_files_without_one(good: Any) -> None:
    names = {f"Reed {name}": note for name, note in (("C3", 48), ("D#3", 51), ("F#3", 54), ("A3", 57), ("C4", 60))}
    files = {f"{name}.wav": good(root_note=60 if place % 2 == 0 else None) for place, name in enumerate(names)}
    zones = sound_model(files, {}, Facts(naming=Naming(middle_c="C4"))).zones
    assert {zone.path[:-4]: zone.note for zone in zones.values()} == names


def test_headers_speak_where_they_differ(good: Any) -> None:
    files = {"a.wav": good(root_note=48), "b.wav": good(root_note=51), "c.wav": good()}
    assert [one.root for one in heard_of(files).values()] == [48, 51, None]
    alike = {"a.wav": good(root_note=60), "b.wav": good(root_note=60), "c.wav": good()}
    assert [one.root for one in heard_of(alike).values()] == [None, None, None]


def told(good: Any, sounds: Mapping[str, float], **naming: Any) -> list[Finding]:
    files = {
        f"{name}.wav": good(pitch_cents=100 * note, pitch_trust=0.99, pitch_spread=2.0) for name, note in sounds.items()
    }
    rules = (note_unread, names_open, names_disagree)
    return list(findings_of(rules, sound_model(files, {}, Facts(naming=Naming(**naming)))))


def test_names_that_are_stated_english_and_sound_german_are_told(good: Any) -> None:
    notes = {
        f"Reed {name}": note for name, note in (("C3", 48), ("E3", 52), ("G3", 55), ("B3", 58), ("C4", 60), ("B4", 70))
    }
    (finding,) = told(good, notes, language="english")
    assert (finding.rule, finding.at.fact) == ("names-disagree", "naming.language")
    assert "naming.language german" in finding.mend
    assert told(good, notes, language="german") == []
    assert told(good, notes) == []


def test_octaves_that_are_stated_and_not_heard_are_noted(good: Any) -> None:
    notes = {f"Reed {name}": note for name, note in (("C3", 48), ("D#3", 51), ("F#3", 54), ("A3", 57))}
    (finding,) = told(good, notes, middle_c="C3")
    assert (finding.rule, finding.severity.value, finding.at.fact) == ("names-disagree", "notes", "naming.middle_c")
    assert told(good, notes, middle_c="C4") == []


def test_a_pattern_that_reads_the_wrong_number_is_told(good: Any) -> None:
    notes = {f"{velocity}_{note}": note for note in range(40, 64, 3) for velocity in (40, 80, 120)}
    (finding,) = [one for one in told(good, notes, pattern="{note}_{velocity}") if one.rule == "names-disagree"]
    assert 'naming.pattern "{velocity}_{note}"' in finding.mend
    assert told(good, notes, pattern="{velocity}_{note}") == []


def test_numbers_that_count_keys_are_told_where_a_pattern_takes_them_for_notes(good: Any) -> None:
    notes = {f"harp {number:02}": number + 23 for number in range(1, 20)}
    (finding,) = told(good, notes, pattern="{layer} {note}")
    assert (finding.rule, finding.value, finding.at.fact) == ("names-disagree", 23, "naming.number_offset")
    assert "naming.number_offset 23" in finding.mend
    assert told(good, notes, pattern="{layer} {note}", number_offset=23) == []
    (asked,) = told(good, notes)
    assert asked.rule == "note-unread"
    assert 'naming.pattern "{layer} {note}" and companion fact FOLDER naming.number_offset 23' in asked.mend
    high = {f"harp {number:02}": number + 12 for number in range(40, 60)}
    assert told(good, high, pattern="{layer} {note}") == [], "a rank an octave above its keys"


def test_what_is_stated_to_play_no_note_is_not_asked_about() -> None:
    names = ["D1", "D2", "D3"]
    assert [asked.paths for asked in read(names).asked] == [("D1.wav", "D2.wav", "D3.wav")]
    assert read(names, unpitched=("D*",)).asked == ()
    assert [asked.paths for asked in read(names, unpitched=("D1.wav",)).asked] == [("D2.wav", "D3.wav")]


def test_what_no_pattern_of_the_facts_fits_is_told_with_the_line_that_reads_it(good: Any) -> None:
    notes = {f"Reed {name}": note for name, note in (("C3", 48), ("D#3", 51), ("F#3", 54), ("A3", 57))}
    odd = {f"Flute-{name}": note for name, note in (("C3", 48), ("D#3", 51), ("F#3", 54))}
    (finding,) = told(good, notes | odd, pattern="{layer} {note}", middle_c="C4")
    assert (finding.rule, finding.value) == ("note-unread", 3)
    assert 'companion fact FOLDER naming.more "{layer}-{note}"' in finding.mend
    assert told(good, notes | odd, pattern="{layer} {note}", more=("{layer}-{note}",), middle_c="C4") == []


def test_numbers_that_may_be_touches_are_told_and_the_pattern_settles_them(good: Any) -> None:
    names = {f"Reed {note}3 {one} {two}": 48 for note in ("C", "D#") for one in (1, 2) for two in (1, 2, 3)}
    files = {f"{name}.wav": good(momentary_max_lufs=None) for name in names}
    (finding,) = findings_of((names_open,), sound_model(files, {}, Facts()))
    assert (finding.rule, finding.unknown, finding.value) == ("names-open", True, 12)
    facts = Facts(naming=Naming(pattern="{layer} {note} {velocity} {take}"))
    assert list(findings_of((names_open,), sound_model(files, {}, facts))) == []


@pytest.mark.parametrize(
    ("names", "read_as"),
    [
        (["220Hz", "440Hz", "880.0 Hz"], {"220Hz": 57, "440Hz": 69, "880.0 Hz": 81}),
        ([f"Reed {note}3{end}" for note in ("C", "D#", "F#") for end in ("", " room")], {"Reed C3 room": 48}),
        (["note60", "note62 rr1"], {"note60": 60, "note62 rr1": 62}),
        (["Reed Do3", "Reed Sib3", "Reed Sol#3"], {"Reed Do3": 48, "Reed Sib3": 58, "Reed Sol#3": 56}),
        (["Reed 3C#", "Reed C#_3", "Reed F#_3", "Reed A_4"], {"Reed C#_3": 49, "Reed A_4": 69}),
    ],
)
def test_what_is_read_without_a_sound(names: list[str], read_as: dict[str, int]) -> None:
    found = noted(read(names))
    assert {name: found.get(name) for name in read_as} == read_as


def test_a_word_for_a_room_needs_no_other_and_one_letter_does() -> None:
    room = [f"Reed {note}3{end}" for note in ("C", "D#", "F#") for end in ("", " room")]
    assert {place.microphone for place in read(room).places.values()} == {"", "room"}
    left = [f"Reed {note}3{end}" for note in ("C", "D#", "F#") for end in ("", " L")]
    assert {place.microphone for place in read(left).places.values()} == {""}
    both = [f"Reed {note}3 {end}" for note in ("C", "D#", "F#") for end in ("L", "R")]
    assert {place.microphone for place in read(both).places.values()} == {"l", "r"}
    let_go = [f"Reed {note}3{end}" for note in ("C", "D#", "F#") for end in ("", " R")]
    assert {place.release for place in read(let_go).places.values()} == {False, True}


def test_levels_are_held_against_those_of_the_same_note() -> None:
    """A loud note with its two softest touches, a soft one with its two loudest."""
    levels = {"C3 1": -12, "C3 2": -8, "D#3 2": -42, "D#3 3": -38, "F#3 2": -44, "F#3 3": -40, "A3 1": -14, "A3 2": -10}
    sounds = {f"Reed {name}.wav": SampleSound(loudness=level) for name, level in levels.items()}
    assert read([path[:-4] for path in sounds], sounds).patterns == ("{layer} {note} {velocity}",)


def test_key_ranges_are_read_and_told() -> None:
    names = [
        f"Pad {root} {low}-{high}"
        for root, low, high in (("C3", "B2", "C#3"), ("D#3", "D3", "E3"), ("F#3", "F3", "G3"))
    ]
    reading = read(names)
    paths = [f"{name}.wav" for name in names]
    assert [(place.low_key, place.note, place.high_key) for place in reading.places.values()] == [
        (47, 48, 49),
        (50, 51, 52),
        (53, 54, 55),
    ]
    assert "keys 47 to 49" in names_lines(reading, paths, Naming())[1]


@pytest.mark.parametrize("first", [0, 1])
def test_letters_that_all_have_the_same_numbers_are_parts_until_they_are_heard(first: int) -> None:
    names = [f"{letter}{number}" for letter in "ACE" for number in (first, first + 1)]
    assert read(names).places == {}
    notes = {name: 12 * (int(name[1]) + 1) + {"A": 9, "C": 0, "E": 4}[name[0]] for name in names}
    assert noted(read(names, sounding(notes))) == notes
    ragged = [f"{letter}{number}" for letter in "ACE" for number in (first + 2, first + 3)]
    assert len(read(ragged).places) == len(ragged)


NAMES = st.lists(st.text("ABCDEFGHabcdefgh#b0123456789_- .[]/é", min_size=1, max_size=20), max_size=12)


@given(NAMES, st.booleans())
def test_any_names_are_read_as_their_patterns_read_them(names: list[str], heard: bool) -> None:
    """What is proposed as facts reads exactly what was shown, and nothing else of these names."""
    paths = [f"{name}.wav" for name in dict.fromkeys(names)]
    sounds = {path: SampleSound(100.0 * (40 + place)) for place, path in enumerate(paths)} if heard else {}
    reading = read_names(paths, Naming(), sounds)
    if reading.patterns:
        naming = Naming(pattern=reading.patterns[0], more=reading.patterns[1:], language=reading.language or "english")
        again = read_names(paths, naming, sounds)
        notes = {path: place.note for path, place in reading.places.items() if place.note is not None}
        assert {path: place.note for path, place in again.places.items() if place.note is not None} == notes
