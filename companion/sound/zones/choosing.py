"""Which column of names holds the note: by what is written, and by what the samples sound like."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Final

import msgspec

from companion.core.facts import NoteLanguage
from companion.sound.zones.gluing import is_glued
from companion.sound.zones.hearing import (
    CONFIRMED,
    CONTRADICTED,
    SILENT,
    Agreement,
    SampleSound,
    agreement,
    offset_of,
)
from companion.sound.zones.languages import LANGUAGES
from companion.sound.zones.lexing import BETWEEN, CLASS, DIGITS, HZ, NOTE, SLASH
from companion.sound.zones.notes import Spelled, spelled
from companion.sound.zones.shapes import Family, Row, is_clean, is_code
from companion.sound.zones.vocabulary import read_hertz

_NUMBERED_OCTAVES: Final = (-1, 0, 1)
"""How far what is heard may lie from a MIDI number, as an organ's ranks do; more is another way of counting."""
_FEW: Final = 3
_SCALE: Final = 7
"""So many letters with one number are a scale."""
_MOSTLY: Final = 0.6
_NEARLY: Final = 0.75
_LOWEST: Final = 12
_HIGHEST: Final = 120
"""MIDI notes that samples are recorded at; a lower number may count something."""
_KEYS: Final = 88
"""Of a piano."""
_TUNED: Final = 15.0
"""Cents within which a frequency that is written out is a note's, rounded to whole Hz as low as 50."""
_CODED: Final = 0.2
NO_OCTAVE: Final = "the names give notes without an octave"
MAYBE_MIDI: Final = "the numbers may be MIDI notes"
MAYBE_PARTS: Final = "what looks like notes may be numbered parts"


class NoteChoice(msgspec.Struct, frozen=True):
    """Where the note of a family stands. column: -1 for none. octave: the column of its octave, where it stands apart.

    how: spelled, number, marked (a number behind a word that says so) or hertz. asks: why the note is not read although
    it may be one, empty where it is, or where there is nothing to ask. likely: how it would be read then.
    """

    column: int = -1
    octave: int = -1
    how: str = ""
    heard: Agreement = Agreement(SILENT)
    asks: str = ""
    low: int = -1
    high: int = -1
    offset: int = 0

    @property
    def is_read(self) -> bool:
        """Whether there is a note, and nothing to ask about it."""
        return self.column >= 0 and not self.asks


NO_NOTE: Final = NoteChoice()


def spelled_notes(rows: Iterable[Row], choice: NoteChoice) -> dict[str, Spelled]:
    """Return the notes of a family as they are spelled, with their octaves, by path."""
    found = {}
    for row in rows:
        one = spelled(row.value(choice.column))
        if one is not None and choice.octave >= 0:
            one = one._replace(octave=int(row.value(choice.octave)))
        if one is not None and one.octave is not None:
            found[row.path] = one
    return found


def declared_notes(rows: Sequence[Row], choice: NoteChoice, language: NoteLanguage = "") -> dict[str, float]:
    """Return 100 × MIDI note by path, as if middle C were C4 where notes are spelled; in German where there is an H."""
    if choice.how == "spelled":
        return rough_cents(spelled_notes(rows, choice), language)
    if choice.how == "hertz":
        from companion.sound.zones.naming import Placed

        placed = ((row.path, Placed.of({"hertz": row.value(choice.column)})) for row in rows)
        return {path: 100.0 * one.note + one.cents for path, one in placed if one.note is not None}
    numbers = ((row.path, row.value(choice.column)) for row in rows)
    return {path: 100.0 * int(text) for path, text in numbers if len(text) <= _FEW and int(text) <= 127}


def rough_cents(notes: Mapping[str, Spelled], language: NoteLanguage = "") -> dict[str, float]:
    """Return 100 × MIDI note of spelled notes in a language, those with an H in German whatever it is."""
    rough = ((path, one.note("german" if one.letter == "h" else language)) for path, one in notes.items())
    return {path: 100.0 * note for path, note in rough if note is not None}


def best_agreement(notes: Mapping[str, Spelled], heard: Mapping[str, SampleSound]) -> Agreement:
    """Return how well spelled notes fit what is heard, in the language that they fit best; English before another."""
    found = [agreement(rough_cents(notes, language), heard) for language in LANGUAGES]
    return max(found, key=lambda one: one.share * one.notes)


def choose(every: Sequence[Family], heard: Mapping[str, SampleSound]) -> list[NoteChoice]:
    """Return where the note of each family stands; families of one folder speak for one another."""
    candidates = [[_held(one, family, heard) for one in _candidates(family)] for family in every]
    choices = [_best(family, several, heard) for family, several in zip(every, candidates, strict=True)]
    trusted: dict[str, set[Spelled]] = defaultdict(set)
    numbers: dict[tuple[str, ...], set[str]] = defaultdict(set)
    for family, choice in zip(every, choices, strict=True):
        if choice.is_read and choice.how == "spelled":
            trusted[family.folder] |= set(spelled_notes(family.rows, choice).values())
        elif choice.is_read and choice.how == "number":
            numbers[family.words] |= set(family.values(choice.column))
    folders: dict[str, _Folder] = defaultdict(_Folder)
    for family in every:
        for row in family.rows:
            folder = folders[row.path.rpartition("/")[0]]
            folder.files += 1
            folder.noted += bool(family.columns(NOTE))
            folder.coded += is_code(row)
            folder.bare += bool(family.columns(CLASS)) and not family.columns(NOTE)
    return [
        _with_kin(family, choice, trusted[family.folder], _known_numbers(family, numbers), folders[family.folder])
        for family, choice in zip(every, choices, strict=True)
    ]


def _held(choice: NoteChoice, family: Family, heard: Mapping[str, SampleSound]) -> NoteChoice:
    if choice.how == "spelled":
        return msgspec.structs.replace(choice, heard=best_agreement(spelled_notes(family.rows, choice), heard))
    octaves = (0,) if choice.how == "hertz" else _NUMBERED_OCTAVES
    return msgspec.structs.replace(choice, heard=agreement(declared_notes(family.rows, choice), heard, octaves))


def _candidates(family: Family) -> list[NoteChoice]:
    found = [NoteChoice(place, how="spelled") for place in family.columns(NOTE)]
    digits = family.columns(DIGITS)
    for place in family.columns(CLASS):
        near = [each for each in _beside(family, place, digits) if all(len(text) == 1 for text in family.values(each))]
        apart = family.columns("octave") or near
        found += [NoteChoice(place, octave, "spelled") for octave in apart]
        if not apart:
            found.append(NoteChoice(place, how="spelled", asks=NO_OCTAVE))
    found += [NoteChoice(place, how="hertz") for place in family.columns(HZ) if _all_hertz(family.values(place))]
    found += [NoteChoice(place, how="marked") for place in family.columns("number") if _are_notes(family.values(place))]
    found += [NoteChoice(place, how="number") for place in digits if _are_notes(family.values(place))]
    return found


def _beside(family: Family, place: int, digits: Collection[int]) -> list[int]:
    """Return the columns of digits next to ``place``, with one mark or a folder between at most; behind it first."""
    shape = family.shape
    found = []
    for step in (1, -1):
        near = place + step
        if 0 <= near < len(shape) and shape[near][0] in (BETWEEN, SLASH):
            near += step
        if near in digits:
            found.append(near)
    return found


def _all_hertz(values: Iterable[str]) -> bool:
    return all(read_hertz(value) is not None for value in values)


def _are_notes(values: Iterable[str]) -> bool:
    return all(len(value) <= _FEW and int(value) <= 127 for value in values)


def _best(family: Family, candidates: Sequence[NoteChoice], heard: Mapping[str, SampleSound]) -> NoteChoice:
    if not candidates:
        return NO_NOTE
    both = _named_and_numbered(family, candidates)
    if both is not None:
        return both
    confirmed = [one for one in candidates if not one.asks and _is_confirmed(family, one)]
    if confirmed:
        return max(confirmed, key=lambda one: (one.heard.notes * one.heard.share, one.how != "number"))
    several = [one for one in candidates if one.how == "spelled" and one.column in family.columns(NOTE)]
    varied = [one for one in several if len(set(family.values(one.column))) > 1]
    if len(several) == _FEW and (bounds := _bounded(family, several)):
        return bounds
    if len(varied) > 1:
        return msgspec.structs.replace(varied[0], asks="there are several notes in a name")
    marked = [one for one in candidates if one.how in ("marked", "hertz")]
    if len(marked) == 1 and marked[0].heard.verdict != CONTRADICTED and _may_be_one(family, marked[0]):
        return _by_mark(family, marked[0])
    if varied or several:
        return _by_spelling(family, (varied or several[-1:])[0])
    apart = [one for one in candidates if one.how == "spelled"]
    if len(apart) > 1:
        return msgspec.structs.replace(apart[0], asks="two numbers may be the octave")
    if apart:
        return _by_spelling(family, apart[0])
    return _number(family, [one for one in candidates if one.how in ("number", "marked")], heard)


def _is_confirmed(family: Family, choice: NoteChoice) -> bool:
    """Tell whether what is heard carries a reading: of what may as well be numbered parts it must carry nearly all."""
    heard = choice.heard
    if heard.verdict != CONFIRMED:
        return False
    if choice.how in ("marked", "hertz") or heard.by_header or heard.notes * heard.share >= _SCALE:
        return True
    if choice.how == "number":
        return heard.share >= _NEARLY and (heard.notes >= _FEW or len(set(family.values(choice.column))) == heard.notes)
    notes = set(spelled_notes(family.rows, choice).values())
    few = heard.notes < _FEW and len(notes) > heard.notes
    return not few and (heard.share >= _NEARLY or _is_plain(notes, apart=choice.octave >= 0))


def _may_be_one(family: Family, choice: NoteChoice) -> bool:
    return choice.how == "marked" or _varies(family, choice)


def _varies(family: Family, choice: NoteChoice) -> bool:
    return len(set(family.values(choice.column))) > 1


def _named_and_numbered(family: Family, candidates: Sequence[NoteChoice]) -> NoteChoice | None:
    """Return the number of names that give the note twice, ``C4_060``: the number needs no convention."""
    spelled_ones = [one for one in candidates if one.how == "spelled" and not one.asks]
    for number in (one for one in candidates if one.how in ("number", "marked")):
        values = declared_notes(family.rows, number)
        for name in spelled_ones:
            notes = declared_notes(family.rows, name)
            apart = {values[path] - notes[path] for path in notes}
            if len(set(notes.values())) >= _FEW and len(apart) == 1 and apart < {-1200.0, 0.0, 1200.0}:
                return number
    return None


def _bounded(family: Family, several: Sequence[NoteChoice]) -> NoteChoice | None:
    """Return the note of three that always lies between the two others: the lowest and the highest key."""
    notes = [declared_notes(family.rows, one) for one in several]
    for root, low, high in ((0, 1, 2), (2, 0, 1), (1, 0, 2)):
        if all(
            notes[low][row.path] <= notes[root][row.path] <= notes[high][row.path] for row in family.rows
        ) and _varies(family, several[root]):
            return msgspec.structs.replace(several[root], low=several[low].column, high=several[high].column)
    return None


def _by_mark(family: Family, choice: NoteChoice) -> NoteChoice:
    """Return numbers that a word, or their unit, calls notes; asked about where they may be none."""
    if choice.how == "marked":
        numbers = [int(value) for value in family.values(choice.column)]
        # Keys are counted from 1 to 88 as well: where nothing is heard, only what lies beyond tells.
        counted = "key" in family.shape[choice.column][1].lower() and max(numbers) <= _KEYS
        return msgspec.structs.replace(choice, asks=MAYBE_MIDI) if counted or min(numbers) < _LOWEST else choice
    notes = set(declared_notes(family.rows, choice).values())
    tuned = sum(abs(cents - 100 * round(cents / 100)) <= _TUNED for cents in notes)
    if len(notes) >= _FEW and tuned >= _NEARLY * len(notes):
        return choice
    return msgspec.structs.replace(choice, asks="the frequencies may be no notes, but of hum or filters")


def _by_spelling(family: Family, choice: NoteChoice) -> NoteChoice:
    """Return a choice as far as its spelling carries: with a reason to ask where letters and digits may be a code."""
    if choice.asks:
        return choice
    notes = set(spelled_notes(family.rows, choice).values())
    if choice.octave < 0 and not all(is_clean(row, choice.column, apart=len(notes) == 1) for row in family.rows):
        return msgspec.structs.replace(choice, asks=MAYBE_PARTS)
    glued = any(is_glued(row.tokens, row.pieces[choice.column].start) for row in family.rows)
    if glued and not _has_signs(notes):
        return msgspec.structs.replace(choice, asks=MAYBE_PARTS)
    against = choice.heard.verdict == CONTRADICTED and (choice.octave >= 0 or not _has_signs(notes))
    if against or not _is_plain(notes, apart=choice.octave >= 0 and not family.shape[choice.octave][1]):
        return msgspec.structs.replace(choice, asks=MAYBE_PARTS)
    return choice


def _has_signs(notes: Iterable[Spelled]) -> bool:
    return any(one.sign for one in notes)


def _is_plain(notes: Collection[Spelled], *, apart: bool) -> bool:
    """Tell whether notes are notes by their spelling alone: signs, or letters that no numbering explains.

    One letter with running numbers (D1, D2, D3) may be drums; several letters that all have the same numbers from 0 or
    1 on (A1 to D4) may be pads, strings or takes. apart: the number stands by itself, so that it may count takes also
    where the letters are notes.
    """
    letters = {(one.letter, one.sign) for one in notes}
    octaves = {one.octave for one in notes if one.octave is not None}
    crossed = len(octaves) > 1 and len(notes) >= _MOSTLY * len(letters) * len(octaves)
    counted = min(octaves, default=0) in (0, 1) and (crossed or len(octaves) == 1)
    if apart:
        return not counted and (len(letters) >= _SCALE or (_has_signs(notes) and len(letters) > 1))
    if _has_signs(notes) or len(letters) >= _SCALE:
        return True
    return len(letters) > 1 and not counted


def _number(family: Family, candidates: Sequence[NoteChoice], heard: Mapping[str, SampleSound]) -> NoteChoice:
    """Return a number that may be the note, to be asked about, or nothing where numbers plainly count something."""
    for one in candidates:
        offset = offset_of(declared_notes(family.rows, one), heard)
        if offset:
            asks = f"the numbers count keys, {abs(offset)} {'below' if offset > 0 else 'above'} the MIDI notes heard"
            return msgspec.structs.replace(one, asks=asks, offset=offset)
        numbers = sorted({int(value) for value in family.values(one.column)})
        if len(numbers) >= _FEW and numbers[0] >= _LOWEST and numbers[-1] <= _HIGHEST:
            if one.heard.verdict == CONTRADICTED:
                return NO_NOTE
            return msgspec.structs.replace(one, asks=MAYBE_MIDI)
    return NO_NOTE


def _known_numbers(family: Family, numbers: Mapping[tuple[str, ...], set[str]]) -> set[str]:
    """Return the numbers that are notes in families of the same words; releases go by all others."""
    if family.columns("release"):
        return set().union(*numbers.values())
    return numbers.get(family.words, set())


class _Folder:
    """How many files a folder has, with a note and with a code that is none."""

    def __init__(self) -> None:
        self.files = self.noted = self.coded = self.bare = 0

    @property
    def without_octave(self) -> bool:
        """Whether notes without an octave stand beside those with one: octaves may be counted as nowhere else."""
        return self.bare >= _CODED * self.noted > 0

    @property
    def is_coded(self) -> bool:
        return self.coded >= _CODED * self.files


def _with_kin(
    family: Family, choice: NoteChoice, trusted: Collection[Spelled], numbers: Collection[str], folder: _Folder
) -> NoteChoice:
    """Return a choice as the other families of its folder make it: they confirm it, or speak against it."""
    if choice.how == "spelled" and choice.column >= 0 and choice.octave < 0:
        notes = set(spelled_notes(family.rows, choice).values())
        clean = all(is_clean(row, choice.column, apart=len(notes) == 1) for row in family.rows)
        if choice.asks == MAYBE_PARTS and clean and choice.heard.verdict != CONTRADICTED and not folder.is_coded:
            alone = len(notes) == 1 and 2 * folder.noted >= folder.files
            if (trusted and (len(notes) == 1 or notes <= set(trusted))) or (alone and not trusted):
                return msgspec.structs.replace(choice, asks="")
        signed = any(one.sign not in ("", "b") for one in notes) and not folder.without_octave
        sure = choice.heard.verdict == CONFIRMED or signed
        if not choice.asks and (folder.is_coded or folder.without_octave) and not sure:
            return msgspec.structs.replace(choice, asks=MAYBE_PARTS)
    if choice.how == "number" and choice.asks and set(family.values(choice.column)) <= set(numbers):
        return msgspec.structs.replace(choice, asks="")  # the same words and numbers as where they are heard
    return choice
