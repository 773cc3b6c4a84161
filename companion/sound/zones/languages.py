"""In which language notes are written: by how they are spelled, and where that leaves it open by what is heard."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Final, NamedTuple

from companion.core.facts import NoteLanguage
from companion.sound.zones.hearing import SampleSound
from companion.sound.zones.notes import Spelled

LANGUAGES: Final[tuple[NoteLanguage, ...]] = ("english", "german", "dutch")
_NEAR: Final = 40.0
_FEWEST: Final = 2
_AGREE: Final = 0.8

TITLES: Final = {"english": "English", "german": "German", "dutch": "Dutch"}


class LanguageVerdict(NamedTuple):
    """language: empty where it makes no difference, or cannot be told. why: in words, empty for plain English.

    open: letters whose notes cannot be told, such as ``b``. heard: what the samples sound like where that is another
    language than how they are spelled, or stated, to be told as a contradiction.
    """

    language: NoteLanguage = ""
    why: str = ""
    open: frozenset[tuple[str, str]] = frozenset()
    heard: NoteLanguage = ""


def language_of(
    notes: Mapping[str, Spelled], heard: Mapping[str, SampleSound], octaves: int | None, stated: NoteLanguage = ""
) -> LanguageVerdict:
    """Return the language of notes by path. octaves: how many the sound lies above them; None where nothing tells.

    What is heard decides only by two different notes and more that are all the same: one sample alone may be the wrong
    note, which is to be found, not to be read away. Without H, -is and -es names are English.
    """
    spellings = {(one.letter, one.sign) for one in notes.values()}
    doubtful = {
        one for one in spellings if len({Spelled(*one, 4).note(language) for language in LANGUAGES} - {None}) > 1
    }
    possible = _possible(spellings)
    votes = _votes(notes, heard, octaves, doubtful)
    by_ear = _by_ear(votes)
    if stated:
        return LanguageVerdict(stated, heard=by_ear if by_ear and not _same(stated, by_ear, doubtful) else "")
    if not doubtful:
        return LanguageVerdict(possible[0] if "english" not in possible else "")
    signs = _told(spellings)
    hs = frozenset(one for one in spellings if one[0] == "h")
    if hs and by_ear == "english" and not any(sign in ("is", "es") for _, sign in spellings):
        return LanguageVerdict("english", "B sounds so, whatever H is", open=hs)
    if len(possible) == 1:
        language = possible[0]
        against = by_ear and not _same(language, by_ear, doubtful)
        return LanguageVerdict(
            language, f"the names have {signs}" if language != "english" else "", heard=by_ear if against else ""
        )
    if by_ear:
        heard_as = " and ".join(sorted({_spelling(one) for one in votes}))
        return LanguageVerdict(by_ear, f"{heard_as} sound so on {len(votes)} notes")
    if "english" in possible and not any(sign == "s" for _, sign in doubtful):
        return LanguageVerdict("english")
    apart = frozenset(
        one for one in doubtful if len({Spelled(*one, 4).note(language) for language in possible} - {None}) > 1
    )
    return LanguageVerdict("" if apart else possible[0], open=apart)


def _possible(spellings: Iterable[tuple[str, str]]) -> list[NoteLanguage]:
    """Return the languages that spellings allow, the likeliest first."""
    letters = {(letter, sign) for letter, sign in spellings if len(letter) == 1}
    if any(letter == "h" for letter, _ in letters):
        return ["german"]
    if ("b", "es") in letters:
        return ["dutch"]
    if any(sign == "s" and letter not in "ae" for letter, sign in letters):
        return ["english"]
    if any(sign in ("#", "♯", "b", "♭", "sharp", "flat") for _, sign in letters):
        # German names have # as well; only what is heard says so, and B alone is no word for it.
        return ["english", "german"] if ("b", "") in letters else ["english"]
    if any(sign in ("is", "es") for _, sign in letters):
        return ["german", "dutch"]
    return ["english", "german", "dutch"] if any(sign == "s" for _, sign in letters) else ["english", "german"]


def _told(spellings: Iterable[tuple[str, str]]) -> str:
    marks = sorted(
        {"H" if letter == "h" else "-" + sign for letter, sign in spellings if letter == "h" or sign in ("is", "es")}
    )
    return " and ".join(marks)


def _spelling(one: tuple[str, str, int | None]) -> str:
    return one[0].upper() + one[1]


def _same(one: NoteLanguage, other: NoteLanguage, doubtful: Iterable[tuple[str, str]]) -> bool:
    return all(Spelled(*each, 4).note(one) == Spelled(*each, 4).note(other) for each in doubtful)


def _votes(
    notes: Mapping[str, Spelled],
    heard: Mapping[str, SampleSound],
    octaves: int | None,
    doubtful: Iterable[tuple[str, str]],
) -> dict[Spelled, frozenset[NoteLanguage]]:
    """Return by different note which languages it sounds like."""
    if octaves is None:
        return {}
    apart: dict[Spelled, list[float]] = defaultdict(list)
    doubts = set(doubtful)
    for path, one in notes.items():
        sound = heard.get(path)
        if (one.letter, one.sign) in doubts and sound is not None and sound.cents is not None:
            apart[one].append(sound.cents - 1200 * octaves)
    votes = {}
    for one, several in apart.items():
        cents = statistics.median(several)
        fits = frozenset(
            language
            for language in LANGUAGES
            if (note := one.note(language)) is not None and abs(cents - 100 * note) <= _NEAR
        )
        votes[one] = fits
    return votes


def _by_ear(votes: Mapping[Spelled, frozenset[NoteLanguage]]) -> NoteLanguage:
    """Return the language that nearly all notes sound like, of two notes or more; English before another."""
    if len(votes) < _FEWEST:
        return ""
    counts = {language: sum(language in fits for fits in votes.values()) for language in LANGUAGES}
    best = max(LANGUAGES, key=lambda language: counts[language])
    return best if counts[best] >= max(_FEWEST, _AGREE * len(votes)) else ""
