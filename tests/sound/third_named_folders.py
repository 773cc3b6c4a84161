"""Ways of naming that were written down when the reading stood, and run once before anything was mended by them."""

from __future__ import annotations

import random
from typing import Final

from tests.sound.named_folders import (
    DUTCH,
    ENGLISH,
    FLATS,
    GERMAN,
    SOLFEGE,
    VELOCITIES,
    Folder,
    Style,
    innocents,
    made,
    named,
    octave_of,
    some_notes,
)

STYLES: Final[dict[str, Style]] = {}


def style(make: Style) -> Style:
    """List a style."""
    STYLES[make.__name__] = make
    return make


def joined(name: str, *folders: Folder) -> Folder:
    """Return several folders as one: a maker's habits change."""
    samples = tuple(one for folder in folders for one in folder.samples)
    faults = frozenset(path for folder in folders for path in folder.faults)
    return Folder(name, samples, faults, any(folder.by_ear for folder in folders))


@style
def two_habits(rng: random.Random) -> Folder:
    notes = some_notes(rng)
    old = made(rng, "", lambda t: f"Old/Harp {named(t.note)} {('soft', 'loud')[t.touch]}", touches=2, notes=notes)
    new = made(
        rng,
        "",
        lambda t: f"New/Harp_{named(t.note)}_v{VELOCITIES[2][t.touch]}_rr{t.take + 1}",
        touches=2,
        takes=2,
        notes=notes,
    )
    return joined("two_habits", *(_layer(folder, name) for folder, name in ((old, "old"), (new, "new"))))


def _layer(folder: Folder, name: str) -> Folder:
    return folder._replace(samples=tuple(one._replace(layer=f"{name} {one.layer}") for one in folder.samples))


@style
def instrument_and_kit(rng: random.Random) -> Folder:
    reeds = made(rng, "", lambda t: f"Reeds/Reed {named(t.note)}")
    kit = innocents(rng, "", [f"Kit/{word}{number}" for word in ("Kick", "Snare", "D", "E") for number in (1, 2, 3)])
    return joined("instrument_and_kit", reeds, kit)


@style
def numbers_and_kit(rng: random.Random) -> Folder:
    pipes = made(rng, "", lambda t: f"Pipes/pipe {t.note}", by_ear=True)
    kit = innocents(rng, "", [f"Noises/blower {number}" for number in range(36, 48)])
    return joined("numbers_and_kit", pipes, kit)


@style
def touches_numbered_in_words(rng: random.Random) -> Folder:
    words = ("soft", "medium", "hard")
    return made(
        rng,
        "touches_numbered_in_words",
        lambda t: f"{named(t.note, FLATS)}{words[t.touch]}{t.take + 1}",
        touches=3,
        takes=2,
    )


@style
def copies(rng: random.Random) -> Folder:
    return made(rng, "copies", lambda t: f"Zither {named(t.note)}" + (f" ({t.take})" if t.take else ""), takes=2)


@style
def worked_on(rng: random.Random) -> Folder:
    return made(rng, "worked_on", lambda t: f"{named(t.note)}_{VELOCITIES[2][t.touch]}_norm_fade-24bit", touches=2)


@style
def key_ranges(rng: random.Random) -> Folder:
    return made(
        rng,
        "key_ranges",
        lambda t: f"Pad {named(t.note)} {named(t.note - 1)}-{named(t.note + 1)}",
        notes=range(38, 75, 3),
    )


@style
def stereo_letters(rng: random.Random) -> Folder:
    return made(
        rng,
        "stereo_letters",
        lambda t: f"Oboe.{named(t.note)}.{t.take + 1}.{t.microphone}",
        takes=2,
        microphones=("L", "R"),
    )


@style
def velocity_layers_marked(rng: random.Random) -> Folder:
    return made(
        rng,
        "velocity_layers_marked",
        lambda t: f"CP_{named(t.note)}_VL{t.touch + 1}_RR{t.take + 1}",
        touches=4,
        takes=2,
    )


@style
def word_between(rng: random.Random) -> Folder:
    return made(
        rng,
        "word_between",
        lambda t: f"{named(t.note)} {t.layer} v{VELOCITIES[3][t.touch]}",
        touches=3,
        layers=("open", "muted"),
    )


@style
def folder_per_touch_and_take(rng: random.Random) -> Folder:
    return made(
        rng,
        "folder_per_touch_and_take",
        lambda t: f"Velocity {VELOCITIES[3][t.touch]}/Round Robin {t.take + 1}/{named(t.note)}",
        touches=3,
        takes=2,
    )


@style
def solfege_upper(rng: random.Random) -> Folder:
    return made(
        rng,
        "solfege_upper",
        lambda t: f"{named(t.note, SOLFEGE).upper()}-{('PP', 'FF')[t.touch]}",
        notes=range(48, 66),
        touches=2,
    )


@style
def german_flat_words(rng: random.Random) -> Folder:
    names = ("C", "Des", "D", "Es", "E", "F", "Ges", "G", "As", "A", "B", "H")
    return made(rng, "german_flat_words", lambda t: f"Orgel/{t.note:03} {named(t.note, names)}", notes=range(36, 61))


@style
def german_in_english_folder(rng: random.Random) -> Folder:
    return made(
        rng,
        "german_in_english_folder",
        lambda t: f"Samples/Soft/Violin_{named(t.note, GERMAN)}_RR{t.take + 1}",
        notes=range(55, 80),
        takes=2,
    )


@style
def dutch_chromatic(rng: random.Random) -> Folder:
    return made(
        rng, "dutch_chromatic", lambda t: f"Klok {named(t.note, DUTCH, 3)} {t.take + 1}", notes=range(48, 72), takes=2
    )


@style
def take_words(rng: random.Random) -> Folder:
    return made(
        rng,
        "take_words",
        lambda t: f"Gamelan {named(t.note)} alt{t.take + 1} v{VELOCITIES[2][t.touch]}",
        touches=2,
        takes=3,
    )


@style
def c_two_digits(rng: random.Random) -> Folder:
    return made(rng, "c_two_digits", lambda t: f"hit{t.serial:04}_{named(t.note)}")


@style
def only_few(rng: random.Random) -> Folder:
    return made(rng, "only_few", lambda t: f"Bowl {named(t.note)}", notes=(50, 57, 61))


@style
def bass_b(rng: random.Random) -> Folder:
    return made(rng, "bass_b", lambda t: f"B Bass_{named(t.note)}_{t.take + 1}", notes=range(28, 50), takes=2)


@style
def hertz_folders(rng: random.Random) -> Folder:
    return made(
        rng,
        "hertz_folders",
        lambda t: f"{440 * 2 ** ((t.note - 69) / 12):.1f} Hz/{t.take + 1}",
        notes=range(48, 72, 5),
        takes=2,
    )


@style
def midi_marked_apart(rng: random.Random) -> Folder:
    return made(
        rng,
        "midi_marked_apart",
        lambda t: f"note_{t.note}_vel_{VELOCITIES[3][t.touch]}_rr_{t.take + 1}",
        touches=3,
        takes=2,
    )


@style
def equals_signs(rng: random.Random) -> Folder:
    return made(rng, "equals_signs", lambda t: f"key={t.note},vel={VELOCITIES[3][t.touch]}", touches=3, by_ear=True)


@style
def velocity_percent(rng: random.Random) -> Folder:
    return made(rng, "velocity_percent", lambda t: f"Slab {named(t.note)} {(25, 50, 75, 100)[t.touch]}%", touches=4)


@style
def note_in_middle_of_camel(rng: random.Random) -> Folder:
    return made(rng, "note_in_middle_of_camel", lambda t: f"FeltPiano{named(t.note, FLATS)}Close", microphones=("",))


@style
def mixed_case_octaves(rng: random.Random) -> Folder:
    def helmholtz(note: int) -> str:
        octave = octave_of(note, 4)
        letter = ENGLISH[note % 12]
        return {2: letter, 3: letter.lower()}.get(octave, f"{letter.lower()}{octave - 3}")

    return made(rng, "mixed_case_octaves", lambda t: f"Rank {helmholtz(t.note)}", notes=range(36, 66), by_ear=True)


@style
def rank_of_four_foot(rng: random.Random) -> Folder:
    folder = made(rng, "rank_of_four_foot", lambda t: f"Flute4/{t.note:03}", by_ear=True)
    higher = tuple(one._replace(cents=None if one.cents is None else one.cents + 1200) for one in folder.samples)
    return folder._replace(samples=higher)


@style
def tuned_to_432(rng: random.Random) -> Folder:
    folder = made(rng, "tuned_to_432", lambda t: f"Lyre {named(t.note)} {VELOCITIES[2][t.touch]}", touches=2)
    lower = tuple(one._replace(cents=None if one.cents is None else one.cents - 32) for one in folder.samples)
    return folder._replace(samples=lower)


@style
def guitar_positions(rng: random.Random) -> Folder:
    return innocents(
        rng, "guitar_positions", [f"Noises/{letter}{number} squeak" for letter in "EADGB" for number in (1, 2, 3)]
    )


@style
def hexes(rng: random.Random) -> Folder:
    return innocents(rng, "hexes", [f"{rng.randrange(1 << 32):08x}" for _ in range(40)])


@style
def scenes(rng: random.Random) -> Folder:
    return innocents(rng, "scenes", [f"Foley/A{number} door {take}" for number in (1, 2, 3, 4) for take in (1, 2)])


@style
def chords(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "chords",
        [
            f"Loops/{tempo} {chord} {word}"
            for tempo in (90, 120)
            for chord in ("Am", "C", "F", "G7", "Dm7")
            for word in ("strum", "pick")
        ],
    )


@style
def weekdays(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "weekdays",
        [
            f"Session {day} {hour:02}h{minute:02}"
            for day in ("Mo", "Di", "Do", "Fr", "So")
            for hour, minute in ((9, 15), (14, 30))
        ],
    )


@style
def levels_of_rain(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "levels_of_rain",
        [f"Rain_{word}_{number:03}" for word in ("soft", "medium", "hard") for number in range(48, 60)],
    )


@style
def semitone_shifts(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "semitone_shifts",
        [f"Whoosh -{number}st" for number in range(1, 8)] + [f"Whoosh +{number}st" for number in range(1, 8)],
    )


@style
def la_la(rng: random.Random) -> Folder:
    return innocents(
        rng, "la_la", [f"Vox/{word}{number}" for word in ("la", "do", "mi", "oh", "ah") for number in (1, 2, 3)]
    )
