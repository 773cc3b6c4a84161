"""The last set of ways of naming: written down and run once, when all that came of the others was mended."""

from __future__ import annotations

import random
from typing import Final

from tests.sound.named_folders import (
    ENGLISH,
    FLATS,
    GERMAN,
    SOLFEGE_FLATS,
    VELOCITIES,
    WHITE,
    Folder,
    Style,
    innocents,
    made,
    named,
    octave_of,
    some_notes,
)
from tests.sound.third_named_folders import joined

STYLES: Final[dict[str, Style]] = {}


def style(make: Style) -> Style:
    """List a style."""
    STYLES[make.__name__] = make
    return make


@style
def plus_and_minus(rng: random.Random) -> Folder:
    return made(rng, "plus_and_minus", lambda t: f"Stone+{named(t.note)}+{('pp', 'mp', 'ff')[t.touch]}", touches=3)


@style
def dots(rng: random.Random) -> Folder:
    return made(
        rng, "dots", lambda t: f"drone.{named(t.note, FLATS)}.{VELOCITIES[3][t.touch]}.{t.take + 1}", touches=3, takes=2
    )


@style
def numbers_everywhere(rng: random.Random) -> Folder:
    v = VELOCITIES[3]
    return made(
        rng, "numbers_everywhere", lambda t: f"{t.note}-{v[t.touch]}-{t.take + 1}", touches=3, takes=3, by_ear=True
    )


@style
def chromatic_numbers_velocity_alike(rng: random.Random) -> Folder:
    v = (40, 52, 64, 76)  # as even as notes are, and within their range
    return made(
        rng,
        "chromatic_numbers_velocity_alike",
        lambda t: f"Tine_{v[t.touch]}_{t.note}",
        notes=range(40, 77, 3),
        touches=4,
        by_ear=True,
    )


@style
def project_number_first(rng: random.Random) -> Folder:
    project = rng.randrange(10, 99)
    return made(
        rng, "project_number_first", lambda t: f"{project}_Harp_{named(t.note)}_{VELOCITIES[2][t.touch]}", touches=2
    )


@style
def word_of_note_letters(rng: random.Random) -> Folder:
    return made(rng, "word_of_note_letters", lambda t: f"Cabbage Bead_{named(t.note)}_RR{t.take + 1}", takes=2)


@style
def a_piano(rng: random.Random) -> Folder:
    return made(rng, "a_piano", lambda t: f"A Piano {named(t.note)} {('p', 'mf', 'f')[t.touch]}", touches=3)


@style
def layers_a_b(rng: random.Random) -> Folder:
    return made(rng, "layers_a_b", lambda t: f"Pad {t.layer}_{named(t.note)}", layers=("A", "B"))


@style
def octave_before(rng: random.Random) -> Folder:
    return made(
        rng,
        "octave_before",
        lambda t: f"{octave_of(t.note, 4)}_{ENGLISH[t.note % 12]}_{('soft', 'hard')[t.touch]}",
        notes=range(40, 70),
        touches=2,
    )


@style
def german_glued(rng: random.Random) -> Folder:
    return made(
        rng, "german_glued", lambda t: f"{named(t.note, GERMAN, 3)}v{t.touch + 1}", notes=range(40, 64), touches=3
    )


@style
def german_two_octaves_flats(rng: random.Random) -> Folder:
    names = ("C", "Des", "D", "Es", "E", "F", "Ges", "G", "As", "A", "B", "H")
    return made(
        rng,
        "german_two_octaves_flats",
        lambda t: f"Harfe_{named(t.note, names)}_{t.take + 1}",
        notes=range(46, 75, 3),
        takes=2,
        by_ear=True,
    )


@style
def solfege_folders(rng: random.Random) -> Folder:
    return made(
        rng,
        "solfege_folders",
        lambda t: f"Campane/{named(t.note, SOLFEGE_FLATS)}/{('piano', 'forte')[0]}{t.take + 1}",
        notes=range(55, 73),
        takes=2,
    )


@style
def white_keys_german(rng: random.Random) -> Folder:
    notes = [12 * octave + step for octave in (4, 5) for step in WHITE]
    return made(rng, "white_keys_german", lambda t: f"Glocke {named(t.note, GERMAN)}", notes=notes)


@style
def ranges_in_folders(rng: random.Random) -> Folder:
    ranges = ((0, 42), (43, 84), (85, 127))
    return made(
        rng,
        "ranges_in_folders",
        lambda t: f"vel {ranges[t.touch][0]}-{ranges[t.touch][1]}/{named(t.note)}",
        touches=3,
        ranges=ranges,
    )


@style
def microphones_first(rng: random.Random) -> Folder:
    return made(
        rng,
        "microphones_first",
        lambda t: f"{t.microphone}_{named(t.note)}_{t.take + 1}",
        takes=2,
        microphones=("Overhead", "Contact"),
    )


@style
def microphone_suffix_glued(rng: random.Random) -> Folder:
    return made(
        rng, "microphone_suffix_glued", lambda t: f"Gong{named(t.note)}{t.microphone}", microphones=("Close", "Far")
    )


@style
def hammers(rng: random.Random) -> Folder:
    strokes = made(rng, "", lambda t: f"Notes/{named(t.note)} v{VELOCITIES[2][t.touch]}", touches=2)
    noises = innocents(rng, "", [f"Hammers/hammer {number}" for number in range(21, 60)])
    return joined("hammers", strokes, noises)


@style
def releases_by_number(rng: random.Random) -> Folder:
    return made(
        rng,
        "releases_by_number",
        lambda t: f"{'rel' if t.release else 'sus'}_{t.note:03}_{t.take + 1}",
        takes=2,
        releases=True,
        by_ear=True,
    )


@style
def off_samples(rng: random.Random) -> Folder:
    return made(rng, "off_samples", lambda t: f"Clav {named(t.note)}{' off' if t.release else ''}", releases=True)


@style
def missing_soft_ones(rng: random.Random) -> Folder:
    folder = made(rng, "missing_soft_ones", lambda t: f"Felt_{named(t.note)}_{('soft', 'hard')[t.touch]}", touches=2)
    kept = tuple(one for one in folder.samples if one.touch == 1 or rng.random() > 0.3)
    return folder._replace(samples=kept, faults=folder.faults & {one.path for one in kept})


@style
def two_in_one_folder(rng: random.Random) -> Folder:
    notes = some_notes(rng)
    first = made(rng, "", lambda t: f"S/Struck_{named(t.note)}_{t.take + 1}", notes=notes, takes=2)
    second = made(rng, "", lambda t: f"S/bowed-{named(t.note)}", notes=notes)
    second = second._replace(samples=tuple(one._replace(layer="bowed") for one in second.samples))
    return joined("two_in_one_folder", first, second)


@style
def deep(rng: random.Random) -> Folder:
    return made(
        rng,
        "deep",
        lambda t: f"Audio/2023 Session/Raw/Harp/{t.layer}/{named(t.note)}_{('soft', 'hard')[t.touch]}_{t.take + 1:02}",
        touches=2,
        takes=2,
        layers=("Nails", "Pads"),
    )


@style
def very_few_takes(rng: random.Random) -> Folder:
    return made(rng, "very_few_takes", lambda t: f"Conch {named(t.note)} take{t.take + 1}", notes=(53, 58), takes=3)


@style
def claps_and_bars(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "claps_and_bars",
        [f"Grooves/{bar}bar {letter} {tempo}" for bar in (1, 2, 4) for letter in "ABCD" for tempo in (90, 96)],
    )


@style
def shots(rng: random.Random) -> Folder:
    return innocents(
        rng, "shots", [f"Shots/{name}_{number}" for name in ("FX", "Hit", "Sub", "Fall") for number in range(40, 52)]
    )


@style
def takes_of_the_day(rng: random.Random) -> Folder:
    return innocents(rng, "takes_of_the_day", [f"T{day:02}-{number:02}" for day in (3, 4, 5) for number in range(1, 9)])


@style
def wind_force(rng: random.Random) -> Folder:
    return innocents(rng, "wind_force", [f"Wind F{force}" for force in range(2, 9)])


@style
def cassettes(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "cassettes",
        [f"Tape {tape} side {side} {number}" for tape in (1, 2) for side in "AB" for number in (1, 2, 3)],
    )


@style
def gear_labels(rng: random.Random) -> Folder:
    return innocents(
        rng, "gear_labels", [f"Amp/{channel}{knob} hiss" for channel in ("A", "B") for knob in range(1, 9)]
    )


@style
def one_shot_tonal_serials(rng: random.Random) -> Folder:
    # In tune with one another, by chance not with their numbers.
    return innocents(
        rng,
        "one_shot_tonal_serials",
        [f"Pluck {number}" for number in range(36, 61)],
        lambda place: 100 * (43 + place) + rng.gauss(0, 6),
    )
