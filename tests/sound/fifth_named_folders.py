"""Ten ways of naming that were written down before the reader had been looked at, and run once before any mend."""

from __future__ import annotations

import random
from typing import Final

from tests.sound.named_folders import ENGLISH, FLATS, GERMAN, Folder, Style, Told, made, named

STYLES: Final[dict[str, Style]] = {}
APART: Final = ("C", "Cs", "D", "Ds", "E", "F", "Fs", "G", "Gs", "A", "As", "B")
RANGES: Final = ((1, 64), (65, 100), (101, 127))


def style(make: Style) -> Style:
    """List a style."""
    STYLES[make.__name__] = make
    return make


@style
def a_word_in_capitals_glued(rng: random.Random) -> Folder:
    return made(rng, "a_word_in_capitals_glued", lambda t: f"PEDALREED{named(t.note)}", by_ear=True)


@style
def running_number_and_place(rng: random.Random) -> Folder:
    def write(t: Told) -> str:
        return f"{t.serial:03} {named(t.note, FLATS)} {('p', 'mf', 'ff')[t.touch]} rr{t.take + 1} near"

    return made(rng, "running_number_and_place", write, touches=3, takes=2)


@style
def brackets_of_three_kinds(rng: random.Random) -> Folder:
    def write(t: Told) -> str:
        return f"Quay Bells ({named(t.note)}) [{('gentle', 'medium', 'hard')[t.touch]}] {{{t.take + 1}}}"

    return made(rng, "brackets_of_three_kinds", write, touches=3, takes=2)


@style
def so_many_of_three(rng: random.Random) -> Folder:
    return made(
        rng,
        "so_many_of_three",
        lambda t: f"n{t.note:03}-v{t.touch + 1}of3-t{t.take + 1}",
        touches=3,
        takes=2,
        by_ear=True,
    )


@style
def german_between_dots(rng: random.Random) -> Folder:
    def write(t: Told) -> str:
        return f"Gambe.sus.{named(t.note, GERMAN)}.{('pp', 'mp', 'f')[t.touch]}.{t.take + 1}"

    return made(rng, "german_between_dots", write, touches=3, takes=2, by_ear=True)


@style
def octave_apart_from_its_note(rng: random.Random) -> Folder:
    def write(t: Told) -> str:
        touch = ("Soft", "Mid", "Loud")[t.touch]
        return f"LowString_{APART[t.note % 12]}_{t.note // 12 - 1}_{touch}_{t.take + 1}"

    return made(rng, "octave_apart_from_its_note", write, touches=3, takes=2, by_ear=True)


@style
def octave_is_the_folder(rng: random.Random) -> Folder:
    def write(t: Told) -> str:
        return f"Octave {t.note // 12 - 1}/{APART[t.note % 12]} {t.touch + 1} {t.take + 1}"

    return made(rng, "octave_is_the_folder", write, touches=3, takes=2, by_ear=True)


@style
def keys_counted(rng: random.Random) -> Folder:
    def write(t: Told) -> str:
        return f"Key {t.note - 20:02} ({('soft', 'medium', 'loud')[t.touch]}) take {t.take + 1}"

    return made(rng, "keys_counted", write, touches=3, takes=2, by_ear=True)


@style
def root_lowest_highest(rng: random.Random) -> Folder:
    def write(t: Told) -> str:
        low, high = RANGES[t.touch]
        return f"Drone_root{t.note}_lo{t.note - 1}_hi{t.note + 1}_vel{low:03}-{high:03}_{t.take + 1}"

    return made(rng, "root_lowest_highest", write, touches=3, takes=2, ranges=RANGES, by_ear=True)


@style
def as_one_would_say_it(rng: random.Random) -> Folder:
    def write(t: Told) -> str:
        return f"take {t.take + 1} of {named(t.note, ENGLISH).lower()} {('softly', 'normal', 'loudly')[t.touch]}"

    return made(rng, "as_one_would_say_it", write, touches=3, takes=2)
