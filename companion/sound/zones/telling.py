"""How names are read, told to the maker: examples, counts, what settled it, and the line that reads the rest."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from companion.core.facts import MiddleC, Naming
from companion.core.text import listed, plural, visible
from companion.core.units import note_name
from companion.sound.zones.naming import Placed
from companion.sound.zones.reading import AskedNames, NameReading

EXAMPLES: Final = 3


def names_lines(reading: NameReading, paths: Sequence[str], naming: Naming) -> list[str]:
    """Return in sentences how the names of ``paths`` are read: by which patterns, three of them, and what is left.

    Empty where there is no name to read.
    """
    if not paths:
        return []
    read = [path for path in paths if path in reading.places]
    lines = []
    if read:
        by = "by the facts as" if naming.pattern or naming.more else "as"
        lines.append(f"names are read {by} {listed(reading.patterns, 4)}: {len(read):,} of {len(paths):,}")
        lines += [f"{visible(path)}: {decoded(reading.places[path], reading.middle_c)}" for path in _spread(read)]
    lines += reading.why
    for asked in reading.asked:
        what = f"{plural(len(asked.paths), 'name')}, such as {visible(asked.paths[0])}: {asked.why}"
        line = line_for(asked, naming, reading.patterns)
        lines.append(f"{what}; if so: {line}" if line else what)
    left = [path for path in unfit(reading, paths) if not any(path in asked.paths for asked in reading.asked)]
    if left:
        lines.append(f"{plural(len(left), 'name')} not read, such as {visible(left[0])}")
    return lines


def names_data(reading: NameReading, paths: Sequence[str], naming: Naming) -> dict[str, object]:
    """Return the same as plain values, for JSON: see ``NamesOutput`` of the commands."""
    read = [path for path in paths if path in reading.places]
    return {
        "patterns": list(reading.patterns),
        "language": reading.language,
        "middle_c": reading.middle_c,
        "names": len(paths),
        "read": len(read),
        "examples": {path: decoded(reading.places[path], reading.middle_c) for path in _spread(read)},
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


def unfit(reading: NameReading, paths: Iterable[str]) -> list[str]:
    """Return the names that no pattern fits."""
    return [path for path in paths if path not in reading.places]


def _spread(paths: Sequence[str]) -> list[str]:
    """Return three of ``paths``: the first, one of the middle, the last."""
    if len(paths) <= EXAMPLES:
        return list(paths)
    return [paths[0], paths[len(paths) // 2], paths[-1]]


def decoded(place: Placed, middle_c: MiddleC = "") -> str:
    """Return what a name says, in words: ``C3 (MIDI 60), velocity 40, take 1, layer Strike``."""
    parts = [_note(place, middle_c)] if place.note is not None else ["no note"]
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


def _note(place: Placed, middle_c: MiddleC) -> str:
    number = place.note_under(middle_c)
    cents = f" {place.cents:+.0f} cents".replace("-", "−") if round(place.cents) else ""
    if number is None:
        return f"{note_name(place.note or 0, 'C4')}, its octave open"
    return f"{note_name(number, middle_c or 'C4')} (MIDI {number}){cents}"


def line_for(asked: AskedNames, naming: Naming, patterns: Sequence[str]) -> str:
    """Return the line to type that would have these names read; empty where no pattern would."""
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


def quoted(text: str) -> str:
    """Return a pattern as it is typed behind a command."""
    return f'"{visible(text)}"' if '"' not in text else f"'{visible(text)}'"


def facts_of(reading: NameReading) -> Mapping[str, object]:
    """Return the facts that keep a reading, by their keys; without those that are empty."""
    first, more = reading.patterns[:1], list(reading.patterns[1:])
    facts = {
        "naming.pattern": first[0] if first else "",
        "naming.more": more,
        "naming.middle_c": reading.middle_c,
        "naming.language": reading.language if reading.language != "english" else "",  # which is how it is read anyway
    }
    return {key: value for key, value in facts.items() if value}
