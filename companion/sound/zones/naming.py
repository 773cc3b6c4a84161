"""What file names say of note, velocity, take and layer, by the patterns the facts give."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Mapping
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.facts import MiddleC, Naming, NoteLanguage
from companion.sound.zones.notes import NOTE_CLASS, SPELLED, spelled
from companion.sound.zones.vocabulary import (
    HERTZ,
    MAYBE_RELEASES,
    RELEASES,
    TOUCHES,
    read_hertz,
    read_velocity,
)

OCTAVES: Final[Mapping[MiddleC, int]] = {"C3": 12, "C4": 0, "C5": -12}
"""How far the note of a name lies above what it is where middle C is C4."""

_NUMBER: Final = "[0-9]{1,3}"


def _either(words: Iterable[str]) -> str:
    return "|".join(sorted(words, key=len, reverse=True))


_FIELDS: Final = {
    "note": f"{SPELLED}|{_NUMBER}",
    "octave": "-?[0-9]",
    "hertz": HERTZ,
    "velocity": f"{_NUMBER}|(?i:{_either(TOUCHES)})",
    "low_velocity": _NUMBER,
    "high_velocity": _NUMBER,
    "low_key": f"{SPELLED}|{_NUMBER}",
    "high_key": f"{SPELLED}|{_NUMBER}",
    "take": "[0-9]{1,4}|[A-Za-z]",
    "microphone": r"[^\W_]+",
    "release": f"(?i:{_either((*RELEASES, *MAYBE_RELEASES))})",
    "layer": "[^/]+?",
    "any": "[^/]*?",
}
_FREE: Final = ("layer", "any")
_ONCE_ONLY: Final = frozenset(_FIELDS) - frozenset(_FREE)
_BRACED: Final = re.compile(r"\{([^{}]*)\}")
_BORDER: Final = r"(?:(?<![^\W\d_])(?=[^\W\d_])|(?<=[a-z])(?=[A-Z])|(?<![0-9])(?=[-0-9]))"
"""What lies between free text and a field: no field begins in the middle of a word or of a number."""


class Placed(msgspec.Struct, frozen=True, kw_only=True):
    """What one name says. note: as if middle C were C4 (MIDI 60 = C4) where it is written as a name.

    octave_open: the note was written as a name, so its number holds only under a convention; a name written under
    ``C3`` lies 12 higher. velocity: 1–127, dynamic marks and words spread over the range; order is what counts. cents:
    above the note, where a frequency is written. microphone: which of several recordings of one stroke. release: what
    sounds when the key is let go. folder: the folders that the pattern says nothing of.
    """

    note: int | None = None
    cents: float = 0.0
    octave_open: bool = False
    velocity: int | None = None
    low_velocity: int | None = None
    high_velocity: int | None = None
    low_key: int | None = None
    high_key: int | None = None
    take: str = ""
    layer: str = ""
    microphone: str = ""
    release: bool = False
    folder: str = ""

    @classmethod
    def of(
        cls, fields: Mapping[str, str], language: NoteLanguage = "", folder: str = "", number_offset: int = 0
    ) -> Placed:
        """Return what the fields of a name, or the cells of a table, say; what does not read is as if it were empty."""
        note, is_open = written_note(fields.get("note", ""), language, fields.get("octave", ""))
        if note is not None and not is_open:
            note = note + number_offset if 0 <= note + number_offset <= 127 else None
        hertz, cents = read_hertz(fields.get("hertz", "")), 0.0
        if hertz is not None:
            exact = 69 + 12 * math.log2(hertz / 440)
            note, is_open, cents = round(exact), False, 100 * (exact - round(exact))
        return Placed(
            note=note,
            cents=round(cents, 2),
            octave_open=is_open,
            velocity=read_velocity(fields.get("velocity", "")),
            low_velocity=read_velocity(fields.get("low_velocity", "")),
            high_velocity=read_velocity(fields.get("high_velocity", "")),
            low_key=written_note(fields.get("low_key", ""), language)[0],
            high_key=written_note(fields.get("high_key", ""), language)[0],
            take=fields.get("take", ""),
            layer=fields.get("layer", ""),
            microphone=fields.get("microphone", "").lower(),
            release=bool(fields.get("release")),
            folder=folder,
        )

    def note_under(self, middle_c: MiddleC) -> int | None:
        """Return the MIDI note under a convention, or None while it is open or out of range."""
        if self.note is None or (self.octave_open and not middle_c):
            return None
        note = self.note + (OCTAVES[middle_c] if self.octave_open else 0)
        return note if 0 <= note <= 127 else None


def written_note(text: str, language: NoteLanguage = "", octave: str = "") -> tuple[int | None, bool]:
    """Return (note under middle C = C4, whether its octave depends on the convention); (None, False) for no note."""
    if text.isascii() and text.isdigit():
        return (int(text) if int(text) <= 127 else None), False
    one = spelled(unicodedata.normalize("NFC", text)) if text else None
    note = one.note(language, int(octave) if octave else None) if one else None
    return note, note is not None


class Pattern:
    """A file-name pattern such as ``{layer}_{note}_v{velocity}_rr{take}``, matched against names without extension.

    Fields: note (with octave, where that stands apart), hertz, velocity, take, layer, microphone, release, low_key,
    high_key, low_velocity, high_velocity, any. A pattern that holds a slash is matched against as many folders of the
    path. language: what its notes are written in. number_offset: what is added where a note is a number.
    """

    def __init__(self, text: str, language: NoteLanguage = "", number_offset: int = 0) -> None:
        """Raises :class:`CompanionError` naming a field that is unknown or stands twice."""
        self.folders = text.count("/")
        self._language: NoteLanguage = language
        self._number_offset = number_offset
        parts = _BRACED.split(unicodedata.normalize("NFC", text))
        names = parts[1::2]
        looks = _FIELDS | ({"note": NOTE_CLASS} if "octave" in names else {})
        pattern, layers = "", 0
        for index, name in enumerate(parts):
            if index % 2 == 0:  # what stands between the fields
                pattern += re.escape(name)
                continue
            if name not in _FIELDS or (name in _ONCE_ONLY and names.count(name) > 1):
                fault = "one field twice" if name in _FIELDS else "an unknown field"
                raise CompanionError(
                    f"The file-name pattern has {fault}: {{{name}}}",
                    "naming.pattern",
                    f"use each of these at most once: {', '.join(_FIELDS)}",
                )
            free_before = index > 1 and not parts[index - 1] and parts[index - 2] in _FREE
            border = _BORDER if free_before and name != "layer" else ""
            layers += name == "layer"
            group = f"layer{layers}" if name == "layer" else name
            pattern += f"(?:{looks[name]})" if name == "any" else f"{border}(?P<{group}>{looks[name]})"
        self._match = re.compile(pattern).fullmatch
        self._layers = [f"layer{number}" for number in range(1, layers + 1)]

    def place(self, path: str) -> Placed | None:
        """Return what the name of ``path`` says, or None when it does not fit the pattern."""
        fields = self.fields(path)
        if fields is None:
            return None
        above = path.rsplit("/", 1 + self.folders)[0] if path.count("/") > self.folders else ""
        return Placed.of(fields, self._language, above, self._number_offset)

    def fields(self, path: str) -> dict[str, str] | None:
        """Return the text of each field of the name of ``path``, or None when it does not fit the pattern."""
        name = "/".join(path.split("/")[-1 - self.folders :])
        match = self._match(unicodedata.normalize("NFC", bare(name))[:400])
        if match is None:
            return None
        fields = match.groupdict()
        if self._layers:
            fields["layer"] = " ".join(fields[layer] for layer in self._layers)
        return fields


def bare(path: str) -> str:
    """Return a path without the extension of its name."""
    stem, dot, ending = path.rpartition(".")
    return stem if dot and stem and "/" not in ending and not stem.endswith("/") else path


def compiled(naming: Naming) -> list[Pattern]:
    """Return the patterns of the facts, ready to be matched. Raises :class:`CompanionError` for one that is wrong."""
    texts = [text for text in (naming.pattern, *naming.more) if text]
    return [Pattern(text, naming.language, naming.number_offset or 0) for text in texts]


def place_all(paths: Iterable[str], naming: Naming) -> dict[str, Placed]:
    """Return what each name says by the first pattern of the facts it fits; names that fit none are left out."""
    ready = compiled(naming)
    found = {}
    for path in paths:
        for pattern in ready:
            if (place := pattern.place(path)) is not None:
                found[path] = place
                break
    return found
