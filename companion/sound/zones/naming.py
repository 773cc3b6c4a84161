"""What file names say of note, velocity, take and layer, by the pattern the facts give."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.facts import MiddleC
from companion.core.units import NOTE_NAME, read_note

DYNAMICS: Final = ("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff")
_DYNAMIC_WORDS: Final = {"soft": 40, "quiet": 40, "medium": 75, "med": 75, "mid": 75, "loud": 115, "hard": 115}

_NUMBER: Final = r"\d{1,3}"
_WORDS: Final = "|".join(sorted((*DYNAMICS, *_DYNAMIC_WORDS), key=len, reverse=True))
_FIELDS: Final = {
    "note": f"{NOTE_NAME}|{_NUMBER}",
    "velocity": rf"\d{{1,3}}|(?i:{_WORDS})",
    "low_velocity": _NUMBER,
    "high_velocity": _NUMBER,
    "low_key": f"{NOTE_NAME}|{_NUMBER}",
    "high_key": f"{NOTE_NAME}|{_NUMBER}",
    "take": r"\d{1,4}|[A-Za-z]",
    "layer": r".+?",
    "any": r".*?",
}
_BRACED: Final = re.compile(r"\{([^{}]*)\}")


class Placed(msgspec.Struct, frozen=True, kw_only=True):
    """What one name says. note: as if middle C were C4 (MIDI 60 = C4) where it is written as a name.

    octave_open: the note was written as a name, so its number holds only under a convention; a name written under
    ``C3`` lies 12 higher. velocity: 1–127, dynamic marks spread over the range; order is what counts.
    """

    note: int | None = None
    octave_open: bool = False
    velocity: int | None = None
    low_velocity: int | None = None
    high_velocity: int | None = None
    low_key: int | None = None
    high_key: int | None = None
    take: str = ""
    layer: str = ""

    @classmethod
    def of(cls, fields: Mapping[str, str]) -> Placed:
        """Return what the fields of a name, or the cells of a table, say; what does not read is as if it were empty."""
        note, is_open = read_note(fields.get("note", ""))
        return Placed(
            note=note,
            octave_open=is_open,
            velocity=read_velocity(fields.get("velocity", "")),
            low_velocity=read_velocity(fields.get("low_velocity", "")),
            high_velocity=read_velocity(fields.get("high_velocity", "")),
            low_key=read_note(fields.get("low_key", ""))[0],
            high_key=read_note(fields.get("high_key", ""))[0],
            take=fields.get("take", ""),
            layer=fields.get("layer", ""),
        )

    def note_under(self, middle_c: MiddleC) -> int | None:
        """Return the MIDI note under a convention, or None while it is open or out of range."""
        if self.note is None or (self.octave_open and not middle_c):
            return None
        note = self.note + (12 if self.octave_open and middle_c == "C3" else 0)
        return note if 0 <= note <= 127 else None


class Pattern:
    """A file-name pattern such as ``{layer}_{note}_v{velocity}_rr{take}``, matched against names without extension.

    Fields: note, velocity, take, layer, low_key, high_key, low_velocity, high_velocity, any. A pattern that holds a
    slash is matched against as many folders of the path.
    """

    def __init__(self, text: str) -> None:
        """Raises :class:`CompanionError` naming a field that is unknown or stands twice."""
        self._folders = text.count("/")
        pattern = ""
        fields: set[str] = set()
        for index, name in enumerate(_BRACED.split(text)):
            if index % 2 == 0:  # what stands between the fields
                pattern += re.escape(name)
                continue
            if name not in _FIELDS or (name in fields and name != "any"):
                fault = "one field twice" if name in fields else "an unknown field"
                raise CompanionError(
                    f"The file-name pattern has {fault}: {{{name}}}",
                    "naming.pattern",
                    f"use each of these at most once: {', '.join(_FIELDS)}",
                )
            fields.add(name)
            pattern += f"(?:{_FIELDS[name]})" if name == "any" else f"(?P<{name}>{_FIELDS[name]})"
        self._match = re.compile(pattern).fullmatch

    def place(self, path: str) -> Placed | None:
        """Return what the name of ``path`` says, or None when it does not fit the pattern."""
        name = "/".join(path.split("/")[-1 - self._folders :])
        stem, dot, _ = name.rpartition(".")
        match = self._match((stem if dot and stem else name)[:400])
        return Placed.of(match.groupdict()) if match else None


def read_velocity(text: str) -> int | None:
    """Return a velocity 0–127 for a number, a dynamic mark or a word; numbers over 127 keep their order at 127."""
    if text.isascii() and text.isdigit():
        return min(127, int(text))
    text = text.lower()
    if text in DYNAMICS:
        return round(127 * (DYNAMICS.index(text) + 1) / len(DYNAMICS))
    return _DYNAMIC_WORDS.get(text)


def guess_note(path: str) -> Placed:
    """Return the note a name seems to hold where there is no pattern: the last part of it that reads as a note name."""
    stem = path.rpartition("/")[2].rpartition(".")[0]
    names = (part for part in reversed(re.split(r"[_\-\s.()\[\]]+", stem)) if re.fullmatch(NOTE_NAME, part))
    return Placed.of({"note": next(names, "")})


def place_all(paths: Iterable[str], pattern: str) -> dict[str, Placed]:
    """Return what each name says; names that do not fit are left out. An empty pattern fits nothing."""
    if not pattern:
        return {}
    compiled = Pattern(pattern)
    return {path: place for path in paths if (place := compiled.place(path)) is not None}


_PARTS: Final = (
    (re.compile(f"(){NOTE_NAME}"), "note"),
    (re.compile(r"(?i)(v|vel|velocity|vl|dyn)\d{1,3}"), "velocity"),
    (re.compile(r"(?i)(rr|r|take|t|take_?|var|alt)\d{1,3}"), "take"),
    (re.compile(f"(?i)()(?:{_WORDS})"), "velocity"),
    (re.compile(r"()\d{1,2}"), "take"),
)
"""How the parts of a name may look, each with its prefix as the group, and which field they then are."""

_SEPARATOR: Final = re.compile(r"([_\-\s.]+)")
_ENOUGH: Final = 0.6


def propose_pattern(paths: Sequence[str]) -> str:
    """Return the pattern that fits most of ``paths`` and holds a note, or an empty string when none fits 60 %.

    Only shapes that are plain to see are proposed: parts split by ``_``, ``-``, space or dot, a note name, ``v`` or
    ``vel`` with a number, a dynamic mark, ``rr``, ``r`` or ``take`` with a number. The octave convention is left open.
    """
    shapes = Counter(_shape(path.rpartition("/")[2].rpartition(".")[0]) for path in paths)
    noted = Counter({shape: count for shape, count in shapes.items() if "{note}" in shape})
    fits = {shape: len(place_all(paths, shape)) for shape, _ in noted.most_common(12)}
    best = max(fits, key=lambda shape: fits[shape], default="")
    return best if fits and fits[best] >= _ENOUGH * len(paths) else ""


def _shape(stem: str) -> str:
    parts = _SEPARATOR.split(stem)
    shape: list[str] = []
    used: set[str] = set()
    for index, part in enumerate(parts):
        if index % 2:
            shape.append(part)
        elif field := _field(part, used):
            shape.append(field)
        elif "{layer}" not in shape:
            shape.append("{layer}" if part else "")
        elif shape[-2] == "{layer}":
            shape.pop()  # words that follow one another are one layer name
        else:
            shape.append("{any}")
    return "".join(shape)


def _field(part: str, used: set[str]) -> str:
    for looks, name in _PARTS:
        match = looks.fullmatch(part)
        # A bare number is a take only behind a note.
        if match and name not in used and (match[1] or name != "take" or "note" in used):
            used.add(name)
            return f"{match[1]}{{{name}}}"
    return ""
