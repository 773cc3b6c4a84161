"""How names are read, told to the maker: examples, counts, what settled it, and the line that reads the rest."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from companion.core.facts import MiddleC, Naming, NoteLanguage
from companion.core.globs import globs
from companion.core.text import listed, plural, visible
from companion.core.units import note_name
from companion.sound.zones.naming import Placed, bare
from companion.sound.zones.reading import AskedNames, NameReading
from companion.sound.zones.zones import Zone

EXAMPLES: Final = 3
MOST_NAMED: Final = 6


def names_lines(reading: NameReading, paths: Sequence[str], naming: Naming, kept: Naming | None = None) -> list[str]:
    """Return in sentences how the names of ``paths`` are read: by which patterns, three of them, and what is left.

    Empty where there is no name to read. kept: the facts on names as they will be when a line is typed, where those are
    others than by which the names were read.
    """
    if not paths:
        return []
    read, others = _read(reading, paths)
    lines = []
    if read:
        by = "by the facts as" if naming.pattern or naming.more else "as"
        lines.append(f"names are read {by} {listed(_noting(reading), 4)}: {len(read):,} of {len(paths):,}")
        lines += [
            f"{visible(path)}: {decoded(reading.places[path], reading.middle_c, reading.language)}"
            for path in _spread(read)
        ]
    lines += reading.why
    if others:
        first = others[0]
        what = decoded(reading.places[first], reading.middle_c, reading.language)
        lines.append(f"{plural(len(others), 'name')} without a note, such as {visible(first)}: {what}")
    for asked in reading.asked:
        what = f"{plural(len(asked.paths), 'name')}, such as {visible(asked.paths[0])}: {asked.why}"
        line = line_for(asked, kept or naming, reading.patterns)
        lines.append(f"{what}; if so: {line}" if line else what)
    asked_about = {path for asked in reading.asked for path in asked.paths}
    left = [path for path in paths if path not in reading.places and path not in asked_about]
    if left:
        lines.append(f"{plural(len(left), 'name')} not read, such as {visible(left[0])}")
    return lines


def _read(reading: NameReading, paths: Iterable[str]) -> tuple[list[str], list[str]]:
    """Return the names of which a note is read, and those of which something else is."""
    placed = [path for path in paths if path in reading.places]
    noted = {path for path in placed if reading.places[path].note is not None}
    return [path for path in placed if path in noted], [path for path in placed if path not in noted]


def _noting(reading: NameReading) -> list[str]:
    """Return the patterns that read a note, all of them where none does."""
    noting = [text for text in reading.patterns if "{note}" in text or "{hertz}" in text]
    return noting or list(reading.patterns)


def names_data(reading: NameReading, paths: Sequence[str], naming: Naming) -> dict[str, object]:
    """Return the same as plain values, for JSON: see ``NamesOutput`` of the commands."""
    read, others = _read(reading, paths)
    return {
        "patterns": list(reading.patterns),
        "language": reading.language,
        "middle_c": reading.middle_c,
        "names": len(paths),
        "read": len(read),
        "without_note": len(others),
        "examples": {path: decoded(reading.places[path], reading.middle_c, reading.language) for path in _spread(read)},
        "why": list(reading.why),
        "asked": [
            {
                "names": len(one.paths),
                "first": one.paths[0],
                "why": one.why,
                "line": line_for(one, naming, reading.patterns),
            }
            for one in reading.asked
        ],
        "told": names_lines(reading, paths, naming),
    }


def _spread(paths: Sequence[str]) -> list[str]:
    """Return three of ``paths``: the first, one of the middle, the last."""
    if len(paths) <= EXAMPLES:
        return list(paths)
    return [paths[0], paths[len(paths) // 2], paths[-1]]


def decoded(place: Placed, middle_c: MiddleC = "", language: NoteLanguage = "") -> str:
    """Return what a name says, in words: ``C3 (MIDI 60), velocity 40, take 1, layer Strike``."""
    parts = [_note(place, middle_c, language)] if place.note is not None else ["no note"]
    if place.velocity is not None:
        parts.append(f"velocity {place.velocity}")
    if place.low_velocity is not None and place.high_velocity is not None:
        parts.append(f"velocities {place.low_velocity} to {place.high_velocity}")
    if place.low_key is not None and place.high_key is not None:
        parts.append(f"keys {place.low_key} to {place.high_key}")
    for word, value in (("take", place.take), ("microphone", place.microphone), ("layer", place.layer)):
        if value:
            parts.append(f"{word} {visible(value)}")
    return ", ".join([*parts, "release"] if place.release else parts)


def _note(place: Placed, middle_c: MiddleC, language: NoteLanguage) -> str:
    number = place.note_under(middle_c)
    cents = f" {place.cents:+.0f} cents".replace("-", "−") if round(place.cents) else ""
    if number is None:
        return f"{note_name(place.note or 0, 'C4', language)}, its octave open"
    return f"{note_name(number, middle_c or 'C4', language)} (MIDI {number}){cents}"


def line_for(asked: AskedNames, naming: Naming, patterns: Sequence[str]) -> str:
    """Return the line to type that would have these names read; empty where no pattern would."""
    if asked.fact and asked.pattern and not naming.pattern:
        return f"companion fact FOLDER naming.pattern {quoted(asked.pattern)} and companion fact FOLDER {asked.fact}"
    if asked.fact:
        return f"companion fact FOLDER {asked.fact}"
    if not asked.pattern:
        return ""
    first = naming.pattern or (patterns[0] if patterns else "")
    if not first:
        return f"companion fact FOLDER naming.pattern {quoted(asked.pattern)}"
    more = dict.fromkeys([*(naming.more or patterns[1:]), asked.pattern])
    line = f"companion fact FOLDER naming.more {' '.join(map(quoted, more))}"
    return line if naming.pattern else f"companion fact FOLDER naming.pattern {quoted(first)} and {line}"


def unpitched_line(paths: Sequence[str], zones: Mapping[str, Zone], naming: Naming) -> str:
    """Return the line to type that states of ``paths`` that they play no note, and of no sample that has one."""
    noted = [path for path, zone in zones.items() if zone.key is not None]
    folders: dict[str, list[str]] = {}
    for path in paths:
        folders.setdefault(path.rpartition("/")[0], []).append(path)
    taken = {path.rpartition("/")[0] for path in noted}
    patterns: list[str] = []
    for folder, here in folders.items():
        place = f"{_literal(folder)}/" if folder else ""
        if folder not in taken:
            patterns.append(f"{place}*")
            continue
        ending = {path.rpartition(".")[2] for path in here}
        heads = dict.fromkeys(_head(path) for path in here)
        wide = [f"{_literal(head)}*.{_literal(min(ending))}" for head in heads] if len(ending) == 1 else []
        fits = wide and not any(map(globs(tuple(wide)).matches, noted))
        patterns += wide if fits and len(wide) < len(here) else [_literal(path) for path in here]
    shown = [*naming.unpitched, *patterns[:MOST_NAMED]]
    more = " …" if len(patterns) > MOST_NAMED else ""
    return f"companion fact FOLDER naming.unpitched {' '.join(map(quoted, shown))}{more}"


def _head(path: str) -> str:
    """Return a path up to the first digit of its name: what numbered files share."""
    folder, slash, name = path.rpartition("/")
    return folder + slash + (re.split("[0-9]", bare(name))[0] or bare(name))


def _literal(text: str) -> str:
    """Return the pattern of the facts that means this text."""
    return re.sub(r"[*\\]", "?", text)


def quoted(text: str) -> str:
    """Return a pattern as it is typed behind a command."""
    return f'"{visible(text)}"' if '"' not in text else f"'{visible(text)}'"


def facts_of(reading: NameReading) -> Mapping[str, object]:
    """Return the facts that keep a reading, by their keys; without those that are empty.

    Patterns of no note stay out: what they read is read without them, and no file is accounted for by such a name.
    """
    noting = [text for text in reading.patterns if "{note}" in text or "{hertz}" in text]
    first, more = noting[:1], noting[1:]
    facts = {
        "naming.pattern": first[0] if first else "",
        "naming.more": more,
        "naming.middle_c": reading.middle_c,
        "naming.language": reading.language if reading.language != "english" else "",  # which is how it is read anyway
    }
    return {key: value for key, value in facts.items() if value}
