"""More ways of naming, written down before the reading was first run and opened when it stood."""

from __future__ import annotations

import random
from typing import Final

from tests.sound.named_folders import (
    DUTCH,
    ENGLISH,
    FLATS,
    GERMAN,
    GERMAN_FLATS,
    SOLFEGE_FLATS,
    VELOCITIES,
    Folder,
    Style,
    innocents,
    made,
    named,
    octave_of,
)

STYLES: Final[dict[str, Style]] = {}


def style(make: Style) -> Style:
    """List a style."""
    STYLES[make.__name__] = make
    return make


@style
def take_before_note(rng: random.Random) -> Folder:
    return made(rng, "take_before_note", lambda t: f"rr{t.take + 1}_{named(t.note)}_Kettle", takes=3)


@style
def velocity_first(rng: random.Random) -> Folder:
    v = VELOCITIES[4]
    return made(rng, "velocity_first", lambda t: f"Vel {v[t.touch]:03} {named(t.note, middle_c=3)}", touches=4)


@style
def brackets(rng: random.Random) -> Folder:
    return made(rng, "brackets", lambda t: f"Slate Choir [{named(t.note, FLATS)}] ({t.take + 1})", takes=2)


@style
def midi_in_folders(rng: random.Random) -> Folder:
    return made(
        rng,
        "midi_in_folders",
        lambda t: f"Samples/{t.note:03}/hit_{t.touch + 1}_{t.take + 1}",
        touches=3,
        takes=2,
        by_ear=True,
    )


@style
def everything_in_folders(rng: random.Random) -> Folder:
    words = ("Soft", "Medium", "Hard")
    return made(
        rng,
        "everything_in_folders",
        lambda t: f"Samples/{t.microphone}/{words[t.touch]}/{named(t.note)}/{t.take + 1}",
        touches=3,
        takes=2,
        microphones=("Close", "Room"),
    )


@style
def take_folders(rng: random.Random) -> Folder:
    return made(
        rng,
        "take_folders",
        lambda t: f"RR{t.take + 1}/Marimba {named(t.note)} v{VELOCITIES[2][t.touch]}",
        takes=3,
        touches=2,
    )


@style
def upper_case(rng: random.Random) -> Folder:
    return made(
        rng,
        "upper_case",
        lambda t: f"BOWL_{named(t.note).upper()}_{('SOFT', 'HARD')[t.touch]}_RR{t.take + 1}",
        touches=2,
        takes=2,
    )


@style
def lower_flats(rng: random.Random) -> Folder:
    return made(rng, "lower_flats", lambda t: f"harp.{named(t.note, FLATS).lower()}.{('mp', 'ff')[t.touch]}", touches=2)


@style
def german_touches(rng: random.Random) -> Folder:
    words = ("weich", "mittel", "hart")
    return made(
        rng,
        "german_touches",
        lambda t: f"Stein_{words[t.touch]}_{named(t.note, GERMAN_FLATS, 3)}",
        notes=range(40, 65),
        touches=3,
    )


@style
def german_sharps_signs(rng: random.Random) -> Folder:
    names = tuple(name.replace("is", "#") for name in GERMAN)
    return made(rng, "german_sharps_signs", lambda t: f"Pfeife {named(t.note, names)}", notes=range(48, 73))


@style
def dutch_thirds(rng: random.Random) -> Folder:
    return made(rng, "dutch_thirds", lambda t: f"Pijp {named(t.note, DUTCH)}", notes=range(35, 80, 3), by_ear=True)


@style
def english_thirds_from_b(rng: random.Random) -> Folder:
    return made(rng, "english_thirds_from_b", lambda t: f"Tube {named(t.note, FLATS)}", notes=range(35, 80, 4))


@style
def solfege_after_word(rng: random.Random) -> Folder:
    return made(
        rng,
        "solfege_after_word",
        lambda t: f"Corno {named(t.note, SOLFEGE_FLATS)} v{VELOCITIES[3][t.touch]}",
        notes=range(41, 60),
        touches=3,
    )


@style
def velocity_ranges_marked(rng: random.Random) -> Folder:
    ranges = ((1, 31), (32, 63), (64, 95), (96, 127))
    return made(
        rng,
        "velocity_ranges_marked",
        lambda t: f"S/{named(t.note)} v{ranges[t.touch][0]}-{ranges[t.touch][1]} rr{t.take + 1}",
        touches=4,
        takes=2,
        ranges=ranges,
    )


@style
def midi_and_range(rng: random.Random) -> Folder:
    ranges = ((0, 63), (64, 127))
    return made(
        rng,
        "midi_and_range",
        lambda t: f"{t.note:03}_{ranges[t.touch][0]:03}_{ranges[t.touch][1]:03}",
        touches=2,
        ranges=ranges,
        by_ear=True,
    )


@style
def take_and_midi(rng: random.Random) -> Folder:
    return made(rng, "take_and_midi", lambda t: f"{t.take + 1}_{t.note}", takes=4, by_ear=True)


@style
def microphones_and_touch(rng: random.Random) -> Folder:
    words = ("soft", "mid", "hard")
    return made(
        rng,
        "microphones_and_touch",
        lambda t: f"Drone {words[t.touch]} {t.microphone} {named(t.note)}",
        touches=3,
        microphones=("close", "mid", "far"),
    )


@style
def some_with_room(rng: random.Random) -> Folder:
    return made(
        rng,
        "some_with_room",
        lambda t: f"Dulcimer_{named(t.note)}" + (f"_{t.microphone}" if t.microphone else ""),
        microphones=("", "room"),
    )


@style
def release_in_front(rng: random.Random) -> Folder:
    return made(rng, "release_in_front", lambda t: f"{'Rel_' if t.release else ''}Organ_{named(t.note)}", releases=True)


@style
def release_letter(rng: random.Random) -> Folder:
    return made(rng, "release_letter", lambda t: f"Spinet {named(t.note)}{' R' if t.release else ''}", releases=True)


@style
def hertz_parts(rng: random.Random) -> Folder:
    return made(
        rng, "hertz_parts", lambda t: f"Fork 120bpm {440 * 2 ** ((t.note - 69) / 12):.2f} Hz", notes=range(50, 90, 6)
    )


@style
def sharp_behind(rng: random.Random) -> Folder:
    def write(note: int) -> str:
        name = ENGLISH[note % 12]
        return f"{name[0]}{octave_of(note, 4)}{name[1:]}"

    return made(rng, "sharp_behind", lambda t: f"Lyre_{write(t.note)}_{t.take + 1}", notes=range(48, 66), takes=2)


@style
def unicode_signs(rng: random.Random) -> Folder:
    names = tuple(name.replace("b", "♭") for name in FLATS)
    return made(
        rng, "unicode_signs", lambda t: f"Sält {named(t.note, names)} – {t.take + 1}", notes=range(48, 66), takes=2
    )


@style
def many_layers_one_folder(rng: random.Random) -> Folder:
    return made(
        rng,
        "many_layers_one_folder",
        lambda t: f"{t.layer} {named(t.note)} {('p', 'f')[t.touch]}",
        touches=2,
        layers=("Struck", "Bowed", "Hummed Low"),
    )


@style
def numbered_instruments(rng: random.Random) -> Folder:
    return made(
        rng,
        "numbered_instruments",
        lambda t: f"Slab {t.layer}_{named(t.note)}_v{VELOCITIES[2][t.touch]}",
        touches=2,
        layers=("1", "2", "3"),
    )


@style
def velocity_before_word(rng: random.Random) -> Folder:
    return made(
        rng, "velocity_before_word", lambda t: f"{named(t.note)}_127_{VELOCITIES[3][t.touch]:03}_mallet", touches=3
    )


@style
def words_round_robin(rng: random.Random) -> Folder:
    return made(rng, "words_round_robin", lambda t: f"Block {named(t.note)} take {t.take + 1}", takes=3)


@style
def half_in_words(rng: random.Random) -> Folder:
    return made(rng, "half_in_words", lambda t: f"Soft Pad/{named(t.note)} {t.take + 1}", takes=2)


@style
def glued_capitals(rng: random.Random) -> Folder:
    return made(
        rng, "glued_capitals", lambda t: f"Lithophone{named(t.note)}V{t.touch + 1}RR{t.take + 1}", touches=3, takes=2
    )


@style
def octaves_only_a(rng: random.Random) -> Folder:
    return made(
        rng,
        "octaves_only_a",
        lambda t: f"Tone A{octave_of(t.note, 4)}_{t.take + 1}",
        notes=(33, 45, 57, 69),
        takes=2,
        by_ear=True,
    )


@style
def fifths(rng: random.Random) -> Folder:
    return made(
        rng,
        "fifths",
        lambda t: f"{named(t.note)}-{t.touch + 1}",
        notes=(36, 43, 48, 55, 60, 67),
        touches=3,
        by_ear=True,
    )


@style
def shaker_kit(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "shaker_kit",
        [
            f"Perc/{word}_{touch}_{hit}"
            for word in ("Shaker", "Clap", "Bell", "Guiro")
            for touch in ("soft", "hard")
            for hit in (1, 2, 3)
        ],
    )


@style
def rack(rng: random.Random) -> Folder:
    return innocents(rng, "rack", [f"Rack/{letter}-{number}" for letter in "ABC" for number in range(1, 6)])


@style
def sections(rng: random.Random) -> Folder:
    return innocents(rng, "sections", [f"Song/{part}{number} 96bpm" for part in ("A", "B", "C") for number in (1, 2)])


@style
def sizes(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "sizes",
        [
            f"Cymbals/{size} inch {word} {hit}"
            for size in (14, 16, 18, 20)
            for word in ("edge", "bell")
            for hit in (1, 2)
        ],
    )


@style
def dates_and_cards(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "dates_and_cards",
        [f"Raw/{day:02}.05.2023 card {card} {take:04}" for day in (3, 4) for card in "AB" for take in range(60, 64)],
    )


@style
def serials_in_tune(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "serials_in_tune",
        [f"harp{number:02}" for number in range(1, 48)],
        lambda place: 100 * (23 + place) + rng.gauss(0, 5),
    )


@style
def hats(rng: random.Random) -> Folder:
    return innocents(
        rng, "hats", [f"{name}{number}" for name in ("HH", "BD", "SD", "CB", "A", "B") for number in range(1, 5)]
    )


@style
def vowels(rng: random.Random) -> Folder:
    return innocents(rng, "vowels", [f"Voice {vowel} {number}" for vowel in "AEIOU" for number in (1, 2, 3)])
