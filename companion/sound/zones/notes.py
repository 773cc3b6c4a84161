"""Notes as names write them: with letters, in English, German or Dutch, or with the syllables of solfège."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final, NamedTuple

from companion.core.facts import NoteLanguage

_STEPS: Final = {
    "c": 0,
    "d": 2,
    "e": 4,
    "f": 5,
    "g": 7,
    "a": 9,
    "b": 11,
    "h": 11,
    "do": 0,
    "ut": 0,
    "re": 2,
    "ré": 2,
    "mi": 4,
    "fa": 5,
    "sol": 7,
    "so": 7,
    "la": 9,
    "si": 11,
    "ti": 11,
}
_SHARPS: Final = frozenset(("#", "♯", "s", "is", "sharp", "diese", "dièse"))
_FLATS: Final = frozenset(("b", "♭", "es", "flat", "bemol", "bémol"))

_LETTER: Final = r"[A-Ha-h](?:[#♯♭bBsS]|is|IS|es|ES|[sS]harp|SHARP|[fF]lat|FLAT)?"
_SYLLABLE: Final = r"(?i:do|ut|r[eé]|mi|fa|sol|so|la|si|ti)(?:[#♯♭b]|(?i:sharp|flat|di[eè]se|b[eé]mol))?"
NOTE_CLASS: Final = rf"(?:{_LETTER}|{_SYLLABLE})"
"""A regular expression for a note without its octave."""
OCTAVE: Final = r"-?[0-9](?![0-9])"
SPELLED: Final = rf"{NOTE_CLASS}{OCTAVE}[#♯]?"
"""A regular expression for a note with its octave; a sharp may stand behind it."""

_PARTS: Final = re.compile(
    r"(?:([A-Ha-h])([#♯♭bBsS]|(?i:is|es|sharp|flat))?"
    r"|((?i:do|ut|r[eé]|mi|fa|sol|so|la|si|ti))([#♯♭b]|(?i:sharp|flat|di[eè]se|b[eé]mol))?)"
    r"(-?[0-9])?([#♯]?)"
)


class Spelled(NamedTuple):
    """A note as it is spelled. letter, sign: in small letters. octave: None where none is written."""

    letter: str
    sign: str
    octave: int | None

    @property
    def is_syllable(self) -> bool:
        """Whether it is solfège."""
        return len(self.letter) > 1

    def semitone(self, language: NoteLanguage = "") -> int | None:
        """Return semitones above the C of its octave in a language, English where it is empty; None for no note in it.

        German: H is B natural and B is B flat. As and Es are flats in German and Dutch, and sharps in English.
        """
        change = (self.sign in _SHARPS) - (self.sign in _FLATS)
        if self.is_syllable:
            return _STEPS[self.letter] + change
        if self.sign == "s" and language in ("german", "dutch"):
            if self.letter not in "ae":
                return None
            change = -1
        if self.letter == "h" and language != "german":
            return None
        if self.letter == "b" and language == "german":
            return 10 + max(0, change)
        return _STEPS[self.letter] + change

    def note(self, language: NoteLanguage = "", octave: int | None = None) -> int | None:
        """Return the MIDI note as if middle C were C4; None where there is no octave, or no such note."""
        semitone, octave = self.semitone(language), self.octave if self.octave is not None else octave
        return None if semitone is None or octave is None else 12 * (octave + 1) + semitone


@lru_cache(maxsize=4096)
def spelled(text: str) -> Spelled | None:
    """Return a note out of the text that is one and nothing else, or None."""
    match = _PARTS.fullmatch(text)
    if match is None or (match[2] and match[6]) or (match[4] and match[6]):
        return None
    letter, sign = (match[1] or match[3]).lower(), (match[2] or match[4] or match[6] or "").lower()
    return Spelled(letter, sign, int(match[5]) if match[5] else None)
