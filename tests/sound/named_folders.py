"""Folders of samples named in many ways, each with what its names mean and what it sounds like: the set that the
reading was made by. ``other_named_folders.py`` holds styles that were written down and left alone until it stood.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from itertools import product
from typing import Any, Final, NamedTuple

ENGLISH: Final = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
FLATS: Final = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
GERMAN: Final = ("C", "Cis", "D", "Dis", "E", "F", "Fis", "G", "Gis", "A", "B", "H")
GERMAN_FLATS: Final = ("C", "Des", "D", "Es", "E", "F", "Ges", "G", "As", "A", "B", "H")
DUTCH: Final = ("C", "Cis", "D", "Es", "E", "F", "Fis", "G", "As", "A", "Bes", "B")
SOLFEGE: Final = ("Do", "Do#", "Re", "Re#", "Mi", "Fa", "Fa#", "Sol", "Sol#", "La", "La#", "Si")
SOLFEGE_FLATS: Final = ("do", "reb", "re", "mib", "mi", "fa", "solb", "sol", "lab", "la", "sib", "si")
WORDS: Final = ("Slate", "Reed", "Low Hum", "Bowl", "Kettle", "Glass Choir", "Zither", "Oboe", "Bass", "Felt Piano")
WHITE: Final = (0, 2, 4, 5, 7, 9, 11)


class Sample(NamedTuple):
    """A file, and what its name means. note: MIDI; touch: its place among the touches, 0 the softest; cents: what it
    sounds like, None where no pitch can be trusted. layer: what it may be compared within.
    """

    path: str
    note: int | None
    touch: int | None = None
    low: int | None = None
    high: int | None = None
    take: str = ""
    layer: str = ""
    microphone: str = ""
    release: bool = False
    cents: float | None = None
    loudness: float | None = None


class Folder(NamedTuple):
    """A folder. faults: the files that sound another note than their names mean. by_ear: only sound can settle it."""

    style: str
    samples: tuple[Sample, ...]
    faults: frozenset[str] = frozenset()
    by_ear: bool = False
    tonal: bool = True


class Told(NamedTuple):
    """What a namer may write of a sample."""

    note: int
    touch: int
    take: int
    microphone: str
    layer: str
    release: bool
    serial: int


def octave_of(note: int, middle_c: int) -> int:
    """Return the octave a note is written with where middle C is C3, C4 or C5."""
    return note // 12 - 5 + middle_c


def named(note: int, names: Sequence[str] = ENGLISH, middle_c: int = 4) -> str:
    """Return a note as a name writes it."""
    return f"{names[note % 12]}{octave_of(note, middle_c)}"


def some_notes(rng: random.Random, fewest: int = 5) -> list[int]:
    """Return the notes of an instrument: chromatic, in thirds, or white keys."""
    step, low = rng.choice((1, 2, 3, 3, 4)), rng.randrange(33, 49)
    return list(range(low, low + step * rng.randrange(max(fewest, 6), 16), step))


def made(
    rng: random.Random,
    style: str,
    write: Callable[[Told], str],
    *,
    notes: Sequence[int] | None = None,
    touches: int = 1,
    takes: int = 1,
    microphones: Sequence[str] = ("",),
    layers: Sequence[str] = ("",),
    releases: bool = False,
    ranges: Sequence[tuple[int, int]] = (),
    by_ear: bool = False,
    tonal: bool = True,
    suffix: str = "",
) -> Folder:
    """Return a folder of all that is given crossed, with a few wrong notes where it sounds of notes."""
    notes = some_notes(rng) if notes is None else notes
    suffix = suffix or rng.choice((".wav", ".wav", ".WAV", ".flac", ".aif"))
    samples = []
    kinds = product(layers, (False, True) if releases else (False,), notes, range(touches), range(takes), microphones)
    for serial, (layer, release, note, touch, take, microphone) in enumerate(kinds):
        told = Told(note, touch, take, microphone, layer, release, serial)
        low, high = ranges[touch] if ranges else (None, None)
        clear = tonal and not release and rng.random() > 0.06
        samples.append(
            Sample(
                write(told) + suffix,
                note,
                touch if touches > 1 else None,
                low,
                high,
                str(take) if takes > 1 else "",
                layer,
                microphone,
                release,
                100 * note + rng.gauss(3, 5) if clear else None,
                -40 + 7 * touch + rng.gauss(0, 0.7),
            )
        )
    sounding = [place for place, one in enumerate(samples) if one.cents is not None]
    faults = rng.sample(sounding, max(1, len(sounding) // 40)) if sounding else []
    for place in faults:
        wrong = 100 * rng.choice((-3, -2, -1, 1, 2, 3, 6))
        samples[place] = samples[place]._replace(cents=(samples[place].cents or 0) + wrong)
    return Folder(style, tuple(samples), frozenset(samples[place].path for place in faults), by_ear, tonal)


def silent(folder: Folder) -> Folder:
    """Return a folder as it is before anything of it was measured."""
    return folder._replace(samples=tuple(one._replace(cents=None, loudness=None) for one in folder.samples))


Style = Callable[[random.Random], Folder]
STYLES: dict[str, Style] = {}


def style(make: Style) -> Style:
    """List a style."""
    STYLES[make.__name__] = make
    return make


VELOCITIES: Final = {2: (48, 112), 3: (30, 80, 127), 4: (32, 64, 96, 127)}


@style
def layer_note_velocity_take(rng: random.Random) -> Folder:
    word, mid = rng.choice(WORDS), rng.choice((3, 4))
    v = VELOCITIES[3]
    return made(
        rng,
        "layer_note_velocity_take",
        lambda t: f"Samples/{word}_{named(t.note, middle_c=mid)}_v{v[t.touch]}_rr{t.take + 1}",
        touches=3,
        takes=2,
    )


@style
def glued(rng: random.Random) -> Folder:
    mid, count = rng.choice((3, 4, 5)), rng.choice((3, 8, 16))
    return made(rng, "glued", lambda t: f"{named(t.note, middle_c=mid)}v{t.touch + 1}", touches=count)


@style
def note_first(rng: random.Random) -> Folder:
    word, mid = rng.choice(WORDS), rng.choice((3, 4))
    return made(rng, "note_first", lambda t: f"{named(t.note, FLATS, mid)} {word}")


@style
def touch_words(rng: random.Random) -> Folder:
    words = rng.choice(
        (
            ("soft", "hard"),
            ("softest", "soft", "hard", "hardest"),
            ("pp", "mf", "ff"),
            ("p", "f"),
            ("quiet", "medium", "loud"),
        )
    )
    mid, word = rng.choice((3, 4)), rng.choice(WORDS)
    return made(
        rng, "touch_words", lambda t: f"S/{word}-{named(t.note, middle_c=mid)}-{words[t.touch]}", touches=len(words)
    )


@style
def touch_folders(rng: random.Random) -> Folder:
    words = rng.choice((("Soft", "Hard"), ("pp", "mf", "ff"), ("Softest", "Medium", "Hardest")))
    mid = rng.choice((3, 4))
    return made(
        rng, "touch_folders", lambda t: f"Samples/{words[t.touch]}/{named(t.note, middle_c=mid)}", touches=len(words)
    )


@style
def note_folders(rng: random.Random) -> Folder:
    words, mid = ("soft", "hard"), rng.choice((3, 4))
    return made(
        rng,
        "note_folders",
        lambda t: f"Samples/{named(t.note, middle_c=mid)}/{words[t.touch]}_{t.take + 1}",
        touches=2,
        takes=3,
    )


@style
def padded_midi(rng: random.Random) -> Folder:
    word = rng.choice(("reed", "pipe", "tine"))
    return made(rng, "padded_midi", lambda t: f"Samples/{word}_{t.note:03}", by_ear=True)


@style
def midi_and_velocity(rng: random.Random) -> Folder:
    v = VELOCITIES[rng.choice((2, 3, 4))]
    return made(rng, "midi_and_velocity", lambda t: f"{t.note}_{v[t.touch]}", touches=len(v), by_ear=True)


@style
def velocity_and_midi(rng: random.Random) -> Folder:
    v = VELOCITIES[rng.choice((3, 4))]
    return made(rng, "velocity_and_midi", lambda t: f"S/{v[t.touch]:03}-{t.note:03}", touches=len(v), by_ear=True)


@style
def marked_midi(rng: random.Random) -> Folder:
    mark = rng.choice(("n", "note", "Midi", "key"))
    return made(rng, "marked_midi", lambda t: f"Choir {mark}{t.note} v{VELOCITIES[2][t.touch]}", touches=2)


@style
def velocity_ranges(rng: random.Random) -> Folder:
    ranges = rng.choice((((0, 63), (64, 127)), ((1, 40), (41, 90), (91, 127))))
    mid, gap = rng.choice((3, 4)), rng.choice(("-", "_"))
    return made(
        rng,
        "velocity_ranges",
        lambda t: f"{named(t.note, middle_c=mid)}_{ranges[t.touch][0]:03}{gap}{ranges[t.touch][1]:03}",
        touches=len(ranges),
        ranges=ranges,
    )


@style
def marked_ranges(rng: random.Random) -> Folder:
    ranges, mid = ((0, 50), (51, 100), (101, 127)), rng.choice((3, 4))
    return made(
        rng,
        "marked_ranges",
        lambda t: f"Bowl {named(t.note, middle_c=mid)} lo{ranges[t.touch][0]} hi{ranges[t.touch][1]}",
        touches=3,
        ranges=ranges,
    )


@style
def german(rng: random.Random) -> Folder:
    names, mid = rng.choice((GERMAN, GERMAN_FLATS)), rng.choice((3, 4))
    return made(
        rng,
        "german",
        lambda t: f"Proben/Zither_{named(t.note, names, mid)}",
        notes=range(36, 36 + rng.randrange(24, 40)),
    )


@style
def german_small(rng: random.Random) -> Folder:
    mid = rng.choice((3, 4))
    return made(
        rng,
        "german_small",
        lambda t: f"{named(t.note, GERMAN, mid).lower()} {('leise', 'laut')[t.touch]}",
        notes=range(48, 72),
        touches=2,
    )


@style
def german_without_h(rng: random.Random) -> Folder:
    start = rng.choice((34, 46))
    return made(
        rng,
        "german_without_h",
        lambda t: f"Rohr_{named(t.note, GERMAN, 4)}",
        notes=range(start, start + 37, 4),
        by_ear=True,
    )


@style
def dutch(rng: random.Random) -> Folder:
    return made(rng, "dutch", lambda t: f"Orgel {named(t.note, DUTCH, 4)}", notes=range(36, 36 + rng.randrange(24, 40)))


@style
def english_whole_white(rng: random.Random) -> Folder:
    notes = [12 * octave + step for octave in (3, 4, 5) for step in WHITE]
    mid = rng.choice((3, 4))
    return made(rng, "english_whole_white", lambda t: f"Bell {named(t.note, ENGLISH, mid)}", notes=notes)


@style
def english_one_b(rng: random.Random) -> Folder:
    return made(
        rng, "english_one_b", lambda t: f"Cello_{named(t.note, ENGLISH, 4)}", notes=(48, 52, 55, 59, 60, 64, 67)
    )


@style
def sharps_by_s(rng: random.Random) -> Folder:
    names = tuple(name.replace("#", "s") for name in ENGLISH)
    mid = rng.choice((3, 4))
    return made(
        rng, "sharps_by_s", lambda t: f"tine-{named(t.note, names, mid)}-{t.take + 1}", notes=range(40, 62), takes=2
    )


@style
def sharps_spelled(rng: random.Random) -> Folder:
    names = tuple(name.replace("#", "sharp") for name in ENGLISH)
    return made(rng, "sharps_spelled", lambda t: f"Tine {named(t.note, names, 3)}", notes=range(40, 64, 3))


@style
def solfege(rng: random.Random) -> Folder:
    names, mid = rng.choice((SOLFEGE, SOLFEGE_FLATS)), rng.choice((3, 4))
    return made(
        rng, "solfege", lambda t: f"Voce/{named(t.note, names, mid)}_{('piano', 'forte')[0]}", notes=range(45, 66)
    )


@style
def hertz(rng: random.Random) -> Folder:
    def write(t: Told) -> str:
        value = 440 * 2 ** ((t.note - 69) / 12)
        return f"Tone {value:.1f}Hz" if rng.random() < 2 else ""

    return made(rng, "hertz", write, notes=range(45, 80, 5))


@style
def hertz_whole(rng: random.Random) -> Folder:
    return made(
        rng,
        "hertz_whole",
        lambda t: f"{round(440 * 2 ** ((t.note - 69) / 12))}Hz_{t.take + 1}",
        notes=range(57, 90, 4),
        takes=2,
    )


@style
def microphones(rng: random.Random) -> Folder:
    words = rng.choice((("close", "room"), ("Close", "Mid", "Far"), ("OH", "Spot", "Room"), ("L", "R")))
    mid = rng.choice((3, 4))
    return made(
        rng,
        "microphones",
        lambda t: f"{named(t.note, middle_c=mid)}_v{VELOCITIES[2][t.touch]}_{t.take + 1}_{t.microphone}",
        touches=2,
        takes=2,
        microphones=words,
    )


@style
def microphone_folders(rng: random.Random) -> Folder:
    words = rng.choice((("Close", "Room"), ("near", "mid", "far")))
    return made(
        rng,
        "microphone_folders",
        lambda t: f"Samples/{t.microphone}/Strike {named(t.note)} rr{t.take + 1}",
        takes=3,
        microphones=words,
    )


@style
def numbered_microphones(rng: random.Random) -> Folder:
    return made(
        rng,
        "numbered_microphones",
        lambda t: f"Gong_{named(t.note)}_{t.microphone}_rr{t.take + 1}",
        takes=2,
        microphones=("mic1", "mic2"),
    )


@style
def releases(rng: random.Random) -> Folder:
    word = rng.choice(("rel", "release"))
    return made(
        rng,
        "releases",
        lambda t: f"S/Harp_{named(t.note)}" + (f"_{word}" if t.release else f"_v{VELOCITIES[2][t.touch]}"),
        releases=True,
    )


@style
def release_folder(rng: random.Random) -> Folder:
    return made(
        rng,
        "release_folder",
        lambda t: f"{'Releases' if t.release else 'Sustain'}/{named(t.note, middle_c=3)}_{t.take + 1}",
        releases=True,
        takes=2,
    )


@style
def letters_as_takes(rng: random.Random) -> Folder:
    return made(rng, "letters_as_takes", lambda t: f"Plate {named(t.note)}{'abc'[t.take]}", takes=3)


@style
def articulations(rng: random.Random) -> Folder:
    words = ("sustain", "staccato", "tremolo")
    return made(rng, "articulations", lambda t: f"Viola_{named(t.note)}_{t.layer}_{t.take + 1}", takes=2, layers=words)


@style
def articulation_folders(rng: random.Random) -> Folder:
    return made(
        rng,
        "articulation_folders",
        lambda t: f"Violin/{t.layer}/{named(t.note)} {t.take + 1:02}",
        takes=2,
        layers=("Long", "Short"),
    )


@style
def instruments_alike(rng: random.Random) -> Folder:
    return made(
        rng,
        "instruments_alike",
        lambda t: f"{t.layer}/sus_{named(t.note)}_rr{t.take + 1}",
        takes=2,
        layers=("Viola", "Cello"),
    )


@style
def serials_behind(rng: random.Random) -> Folder:
    start = rng.randrange(0, 3)
    return made(rng, "serials_behind", lambda t: f"Rec {named(t.note)} {t.serial + start:04}")


@style
def dated(rng: random.Random) -> Folder:
    return made(rng, "dated", lambda t: f"2024-03-{1 + t.serial % 28:02}_Slate_{named(t.note)}_{t.take + 1}", takes=2)


@style
def tempo_and_rate(rng: random.Random) -> Folder:
    return made(
        rng, "tempo_and_rate", lambda t: f"Pad 120bpm {named(t.note)} 44100 24bit v{VELOCITIES[3][t.touch]}", touches=3
    )


@style
def camel(rng: random.Random) -> Folder:
    word = rng.choice(("SlateChoir", "Bowl", "Piano"))
    return made(
        rng, "camel", lambda t: f"{word}{named(t.note)}{('Soft', 'Hard')[t.touch]}{t.take + 1}", touches=2, takes=2
    )


@style
def negative_octaves(rng: random.Random) -> Folder:
    return made(
        rng,
        "negative_octaves",
        lambda t: f"Sub_{named(t.note, middle_c=3)}_v{VELOCITIES[2][t.touch]}",
        notes=range(12, 60, 3),
        touches=2,
    )


@style
def dashes_everywhere(rng: random.Random) -> Folder:
    return made(
        rng,
        "dashes_everywhere",
        lambda t: f"slate-{ENGLISH[t.note % 12]}-{octave_of(t.note, 4)}-{('pp', 'ff')[t.touch]}",
        touches=2,
        by_ear=True,
    )


@style
def octave_apart(rng: random.Random) -> Folder:
    return made(
        rng,
        "octave_apart",
        lambda t: f"Tube_{FLATS[t.note % 12]}_{octave_of(t.note, 4)}_v{VELOCITIES[2][t.touch]}",
        notes=range(41, 66),
        touches=2,
    )


@style
def octave_folders(rng: random.Random) -> Folder:
    return made(
        rng,
        "octave_folders",
        lambda t: f"Octave {octave_of(t.note, 4)}/{ENGLISH[t.note % 12]}_{t.take + 1}",
        notes=range(40, 64),
        takes=2,
    )


@style
def name_and_number(rng: random.Random) -> Folder:
    mid = rng.choice((3, 4))
    return made(rng, "name_and_number", lambda t: f"{named(t.note, middle_c=mid)}_{t.note:03}_{t.take + 1}", takes=2)


@style
def two_counters(rng: random.Random) -> Folder:
    return made(
        rng,
        "two_counters",
        lambda t: f"Lute {named(t.note)} {t.touch + 1} {t.take + 1}",
        touches=4,
        takes=3,
        by_ear=True,
    )


@style
def touches_by_number(rng: random.Random) -> Folder:
    return made(rng, "touches_by_number", lambda t: f"Lute_{named(t.note)}_{VELOCITIES[4][t.touch]}", touches=4)


@style
def only_cs(rng: random.Random) -> Folder:
    return made(rng, "only_cs", lambda t: f"Bowl_{named(t.note)}", notes=(36, 48, 60, 72, 84), by_ear=True)


@style
def one_note_a_folder(rng: random.Random) -> Folder:
    return made(
        rng,
        "one_note_a_folder",
        lambda t: f"{t.layer}/{named(t.note)} rr{t.take + 1}",
        notes=(60,),
        takes=4,
        layers=("Slate", "Tile", "Brick"),
    )


def innocents(
    rng: random.Random, name: str, paths: Sequence[str], cents: Callable[[int], float | None] | None = None
) -> Folder:
    """Return samples that play no note; what they sound like, if anything, has nothing to do with their names."""

    def sound(place: int) -> float | None:
        if cents is not None:
            return cents(place)
        return rng.uniform(3000, 8000) if rng.random() < 0.3 else None

    return Folder(
        name,
        tuple(
            Sample(f"{path}.wav", None, cents=sound(place), loudness=rng.gauss(-20, 3))
            for place, path in enumerate(paths)
        ),
    )


def _kit(rng: random.Random) -> Iterator[str]:
    for piece in ("Kick", "Snare", "Ride", "Bass Drum", "Hat Closed", "Tom 1", "Crash A"):
        for hit in range(1, rng.randrange(3, 6)):
            yield f"Kit/{piece} {hit}"


@style
def kit(rng: random.Random) -> Folder:
    return innocents(rng, "kit", list(_kit(rng)))


@style
def coded_kit(rng: random.Random) -> Folder:
    return innocents(rng, "coded_kit", [f"Kit/{letter}{number}" for letter in "KSDTHC" for number in range(1, 5)])


@style
def drums_by_d(rng: random.Random) -> Folder:
    return innocents(rng, "drums_by_d", [f"Drums/D{number}" for number in range(1, rng.randrange(4, 9))])


@style
def pads(rng: random.Random) -> Folder:
    return innocents(rng, "pads", [f"{letter}{number}" for letter in "ABCD" for number in range(1, 5)])


@style
def loops(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "loops",
        [
            f"Loops/{word} {tempo}bpm {number:02}"
            for word in ("Rain", "Wind")
            for tempo in (90, 120)
            for number in range(1, 4)
        ],
    )


@style
def field_recordings(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "field_recordings",
        [
            f"Field/2023{month:02}{day:02}_harbour_{take:03}"
            for month, day, take in ((3, 1, 1), (3, 2, 2), (4, 15, 3), (5, 20, 4), (6, 1, 5))
        ],
    )


@style
def recorder_serials(rng: random.Random) -> Folder:
    first = rng.randrange(20, 60)
    return innocents(rng, "recorder_serials", [f"REC{number:04}" for number in range(first, first + 30)])


@style
def serials_from_one(rng: random.Random) -> Folder:
    # A piano recorded key by key: the numbers count the keys, and are no MIDI notes.
    return innocents(
        rng,
        "serials_from_one",
        [f"Upright_{number:03}" for number in range(1, 62)],
        lambda place: 100 * (24 + place) + rng.gauss(0, 5),
    )


@style
def words_with_letters(rng: random.Random) -> Folder:
    words = (
        "Bass",
        "Ride",
        "Choir A",
        "Choir B",
        "E-Piano",
        "B-side",
        "G string",
        "A-Team",
        "D-Tuned",
        "F-hole",
        "Fade",
        "Cabbage",
        "Add9",
    )
    return innocents(rng, "words_with_letters", [f"FX/{word} {number}" for word in words for number in (1, 2)])


@style
def strings_of_a_guitar(rng: random.Random) -> Folder:
    return innocents(
        rng,
        "strings_of_a_guitar",
        [f"Noises/{letter} string slide {number}" for letter in "EADGBe" for number in range(1, 4)],
    )


@style
def versions(rng: random.Random) -> Folder:
    return innocents(rng, "versions", [f"Whoosh v2 {number}" for number in range(1, 8)])


def folders(seed: int, each: int, styles: dict[str, Style] | None = None) -> Iterator[Folder]:
    """Yield folders of every style, each as it sounds and once as it is before it was heard."""
    for name, make in (styles or STYLES).items():
        for number in range(each):
            rng: Any = random.Random(f"{seed} {name} {number}")
            folder = make(rng)
            yield folder
            if number % 2 == 0:
                yield silent(folder)
