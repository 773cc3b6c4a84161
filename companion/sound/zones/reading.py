"""How the names of an instrument's samples are read: patterns, language and octaves, and what is left to ask."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import msgspec

from companion.core.facts import Facts, MiddleC, Naming, NoteLanguage
from companion.core.globs import globs
from companion.core.text import listed
from companion.sound.zones.choosing import NO_OCTAVE, NoteChoice, best_agreement, choose, spelled_notes
from companion.sound.zones.gluing import is_glued
from companion.sound.zones.hearing import CONFIRMED, CONTRADICTED, SampleSound, agreement, offset_of
from companion.sound.zones.languages import TITLES, LanguageVerdict, language_of
from companion.sound.zones.lexing import NOTE, SLASH
from companion.sound.zones.naming import Pattern, Placed, compiled, place_all
from companion.sound.zones.notes import Spelled, spelled
from companion.sound.zones.numbers import ANY, fields_of
from companion.sound.zones.pieces import TEXT
from companion.sound.zones.shapes import Family, Row, families

MOST_PATTERNS: Final = 24
"""Patterns that are proposed for a folder; names in so many forms that it takes more are in no order."""
_CONVENTIONS: Final[Mapping[int, MiddleC]] = {1: "C3", 0: "C4", -1: "C5"}
_BRACES: Final = re.compile(r"[{}]+")
_SURE: Final = 0.8
_FEWEST: Final = 3
_TELLING: Final = frozenset(
    ("note", "hertz", "octave", "velocity", "microphone", "release", "take", "low_velocity", "high_velocity")
)


class AskedNames(msgspec.Struct, frozen=True):
    """Names that may say more than is read: which, why, and the pattern or the fact that would have it read.

    beside: the note is read, and what is asked is beside it.
    """

    paths: tuple[str, ...]
    why: str
    pattern: str = ""
    fact: str = ""
    beside: bool = False


class NameReading(msgspec.Struct, frozen=True, kw_only=True):
    """What the names of samples say. places: by path, of those that are read.

    patterns, language, middle_c: as facts that would read them so. why: what settled language and octaves, in words.
    asked: what may be a note and is not read. better: patterns that what is heard confirms, where the facts' patterns
    read other notes. heard_language, heard_middle_c: what the samples sound like where that
    is not what the names, or the facts, say; heard_offset: how far it lies above numbers that were read as notes.
    """

    places: Mapping[str, Placed] = {}
    patterns: tuple[str, ...] = ()
    language: NoteLanguage = ""
    middle_c: MiddleC = ""
    why: tuple[str, ...] = ()
    asked: tuple[AskedNames, ...] = ()
    better: tuple[str, ...] = ()
    heard_language: NoteLanguage = ""
    heard_middle_c: MiddleC = ""
    heard_offset: int = 0

    def applied(self, facts: Facts) -> Facts:
        """Return ``facts`` with the language and the octaves that the names were read by."""
        naming = msgspec.structs.replace(facts.naming, language=self.language, middle_c=self.middle_c)
        return msgspec.structs.replace(facts, naming=naming)


def read_names(paths: Iterable[str], naming: Naming, heard: Mapping[str, SampleSound] | None = None) -> NameReading:
    """Return what the names of samples say, by the patterns of the facts or, where there are none, by themselves.

    heard: what is known of the sound, by path; what only that could settle stays open without it. Raises CompanionError
    for a pattern that is wrong.
    """
    every, sounds = list(paths), heard or {}
    by_facts = bool(naming.pattern or naming.more)
    reading = (_as_stated if by_facts else _proposed)(every, naming, sounds)
    if not (naming.unpitched and reading.asked):
        return reading
    stated = globs(naming.unpitched)  # what is stated to play no note is not asked about
    left = ((one, tuple(path for path in one.paths if not stated.matches(path))) for one in reading.asked)
    asked = tuple(msgspec.structs.replace(one, paths=paths) for one, paths in left if paths)
    return msgspec.structs.replace(reading, asked=asked)


def _as_stated(paths: Sequence[str], naming: Naming, heard: Mapping[str, SampleSound]) -> NameReading:
    patterns = tuple(text for text in (naming.pattern, *naming.more) if text)
    ready = compiled(naming)
    notes: dict[str, Spelled] = {}
    for path in paths:
        for pattern in ready:
            if (fields := pattern.fields(path)) is not None:
                if (one := spelled(fields.get("note", ""))) is not None:
                    octave = fields.get("octave")
                    notes[path] = one._replace(octave=int(octave)) if octave else one
                break
    settled = _settled({"": notes}, heard, naming)
    places = place_all(paths, msgspec.structs.replace(naming, language=settled.language))
    places = {path: _without_open(place, notes.get(path), settled.verdict) for path, place in places.items()}
    left = _proposed([path for path in paths if path not in places], naming, heard)
    return NameReading(
        # What names without a note say of takes and touches is read as it is where there are no patterns.
        places=places | {path: place for path, place in left.places.items() if place.note is None},
        patterns=patterns,
        language=settled.language,
        middle_c=settled.middle_c,
        why=settled.why,
        asked=(*_doubts(notes, settled.verdict), *_unfitting(left)),
        better=_better(paths, places, heard),
        heard_offset=_numbers_off(places, heard),
        heard_language=settled.verdict.heard,
        heard_middle_c=settled.heard_middle_c,
    )


def _unfitting(left: NameReading) -> tuple[AskedNames, ...]:
    """Return what no pattern of the facts fits and others would read, one question for each of those."""
    found = []
    for text in left.patterns:
        pattern = Pattern(text, left.language)
        noted = (path for path, place in left.places.items() if place.note is not None and pattern.place(path) == place)
        if here := tuple(noted):
            found.append(AskedNames(here, "no pattern of the facts fits", text))
    return (*found, *left.asked)


def _better(paths: Sequence[str], places: Mapping[str, Placed], heard: Mapping[str, SampleSound]) -> tuple[str, ...]:
    """Return the patterns that what is heard confirms, where it is against the notes that the facts' patterns read."""
    if _fit(places, heard) != CONTRADICTED:
        return ()
    other = _proposed(paths, Naming(), heard)
    return other.patterns if _fit(other.places, heard) == CONFIRMED else ()


def _numbers_off(places: Mapping[str, Placed], heard: Mapping[str, SampleSound]) -> int:
    """Return how many semitones all numbers that are read as notes lie below what is heard; 0 for whole octaves."""
    numbers = {p: 100.0 * one.note for p, one in places.items() if one.note is not None and not one.octave_open}
    offset = offset_of(numbers, heard) or 0
    return offset if offset % 12 else 0


def _fit(places: Mapping[str, Placed], heard: Mapping[str, SampleSound]) -> str:
    notes = {path: 100.0 * place.note + place.cents for path, place in places.items() if place.note is not None}
    return agreement(notes, heard).verdict


class _Settled(msgspec.Struct, frozen=True):
    verdict: LanguageVerdict
    language: NoteLanguage
    middle_c: MiddleC
    heard_middle_c: MiddleC
    why: tuple[str, ...]


def _settled(groups: Mapping[str, Mapping[str, Spelled]], heard: Mapping[str, SampleSound], naming: Naming) -> _Settled:
    """Return language and octave convention of spelled notes, put together by what should lie alike."""
    shifted: dict[str, SampleSound] = {}
    octaves: Counter[int] = Counter()
    fitting = total = 0
    for notes in groups.values():
        found = best_agreement(notes, heard)
        if found.verdict != CONFIRMED or found.by_header:
            continue
        octaves[found.octaves] += found.notes
        fitting += round(found.share * found.notes)
        total += found.notes
        for path in notes:
            if (one := heard.get(path)) is not None and one.cents is not None:
                shifted[path] = SampleSound(one.cents - 1200 * found.octaves)
    together = {path: one for notes in groups.values() for path, one in notes.items() if one.octave is not None}
    verdict = language_of(together, shifted, 0 if shifted else None, naming.language)
    best, count = octaves.most_common(1)[0] if octaves else (0, 0)
    sure = count >= max(_FEWEST, _SURE * octaves.total()) and best in _CONVENTIONS
    by_ear: MiddleC = _CONVENTIONS[best] if sure else ""
    why = []
    if verdict.why:
        why.append(f"the notes are {TITLES[verdict.language]}: {verdict.why}")
    if by_ear and not naming.middle_c:
        why.append(f"middle C is {by_ear}: {fitting:,} of {total:,} notes heard sound so")
    elif octaves and not by_ear:
        apart = listed([f"{octave:+d}".replace("-", "−") for octave in sorted(octaves)])
        why.append(f"octaves are left open: what is heard lies {apart} octaves from the names where middle C is C4")
    return _Settled(
        verdict=verdict,
        language=verdict.language,
        middle_c=naming.middle_c or by_ear,
        heard_middle_c=by_ear if naming.middle_c and by_ear and by_ear != naming.middle_c else "",
        why=tuple(why),
    )


def _without_open(place: Placed, one: Spelled | None, verdict: LanguageVerdict) -> Placed:
    if one is not None and (one.letter, one.sign) in verdict.open:
        return msgspec.structs.replace(place, note=None, octave_open=False)
    return place


def _doubts(notes: Mapping[str, Spelled], verdict: LanguageVerdict) -> tuple[AskedNames, ...]:
    """Return the notes whose language is open, as one question."""
    doubtful = tuple(path for path, one in notes.items() if (one.letter, one.sign) in verdict.open)
    names = " and ".join(sorted({(letter + sign).capitalize() for letter, sign in verdict.open}))
    if verdict.language == "english":
        return (AskedNames(doubtful, f"{names} is a note in German only, and B does not sound so"),) if doubtful else ()
    why = f"{names} may be German, which makes it another note"
    return (AskedNames(doubtful, why, fact="naming.language german"),) if doubtful else ()


class _Plan(msgspec.Struct, frozen=True):
    """Families of one shape with one choice, and how they are written as a pattern."""

    families: tuple[Family, ...]
    choice: NoteChoice
    fields: Mapping[int, str]
    asks: str

    @property
    def rows(self) -> list[Row]:
        return [row for family in self.families for row in family.rows]


def _proposed(paths: Sequence[str], naming: Naming, heard: Mapping[str, SampleSound]) -> NameReading:
    every = families(paths)
    choices = choose(every, heard)
    notes = {
        f"{place}": spelled_notes(family.rows, choice)
        for place, (family, choice) in enumerate(zip(every, choices, strict=True))
        if choice.is_read and choice.how == "spelled"
    }
    settled = _settled(notes, heard, naming)
    plans = _plans(every, choices, heard)
    why = (*_numbers_heard(choices), *settled.why)
    wanted: dict[str, str] = {}
    asked: list[AskedNames] = []
    for plan in plans:
        pattern = written(plan.families[0], plan.fields)
        here = tuple(row.path for row in plan.rows)
        if plan.choice.asks:
            fact = f"naming.number_offset {plan.choice.offset}" if plan.choice.offset else ""
            asked.append(AskedNames(here, plan.choice.asks, "" if plan.choice.asks == NO_OCTAVE else pattern, fact))
        elif plan.asks:
            asked.append(AskedNames(here, plan.asks, beside=True))
        if not plan.choice.asks and set(plan.fields.values()) & _TELLING:
            wanted |= dict.fromkeys(here, pattern)
    patterns, places = _held(paths, wanted, plans, settled.language)
    together = {path: one for each in notes.values() for path, one in each.items()}
    places = {path: _without_open(place, together.get(path), settled.verdict) for path, place in places.items()}
    return NameReading(
        places=places,
        patterns=patterns,
        language=settled.language,
        middle_c=settled.middle_c,
        why=why,
        asked=(*asked, *_doubts(together, settled.verdict)),
        heard_language=settled.verdict.heard,
        heard_middle_c=settled.heard_middle_c,
    )


def _numbers_heard(choices: Sequence[NoteChoice]) -> list[str]:
    """Return what says that numbers are notes."""
    heard = [one.heard for one in choices if one.how == "number" and one.is_read and one.heard.verdict == CONFIRMED]
    notes, fitting = sum(one.notes for one in heard), sum(round(one.notes * one.share) for one in heard)
    source = "headers say so" if heard and all(one.by_header for one in heard) else "notes heard sound so"
    return [f"the numbers are MIDI notes: {fitting:,} of {notes:,} {source}"] if heard else []


def _plans(every: Sequence[Family], choices: Sequence[NoteChoice], heard: Mapping[str, SampleSound]) -> list[_Plan]:
    alike: dict[object, list[tuple[Family, NoteChoice]]] = defaultdict(list)
    for family, choice in zip(every, choices, strict=True):
        row, spelled_out = family.rows[0], choice.column >= 0 and choice.how == "spelled"
        glued = spelled_out and is_glued(row.tokens, row.pieces[choice.column].start)
        key = (family.shape, choice.column, choice.octave, choice.how, choice.asks, choice.low)
        alike[key, family.words if glued else ()].append((family, choice))
    plans = []
    for several in alike.values():
        families_, choice = tuple(family for family, _ in several), several[0][1]
        fields, asks = fields_of(families_, choice, heard)
        plans.append(_Plan(families_, choice, fields, asks))
    return sorted(plans, key=lambda plan: -len(plan.rows))


def written(family: Family, fields: Mapping[int, str], words: bool = False) -> str:
    """Return the pattern of a shape, from the first folder on that tells something. words: its words as they are."""
    row, parts = family.rows[0], [""]
    telling = [False]
    for place, (role, prefix) in enumerate(family.shape):
        if role == SLASH:
            parts.append("")
            telling.append(False)
            continue
        field = fields.get(place)
        if field in _TELLING:
            telling[-1] = True
        literal = words or _before_its_note(family, place, fields)
        if field is None or (literal and field == TEXT):
            parts[-1] += _BRACES.sub("{any}", row.text(place))  # a pattern writes its own fields in braces
        elif field in (TEXT, ANY):
            ended = parts[-1].endswith("{any}"), parts[-1].endswith("{layer}")
            parts[-1] += "" if ended[0] or (ended[1] and field == TEXT) else f"{{{field}}}"
        else:
            parts[-1] += f"{prefix}{{{field}}}"
    first = next((place for place, tells in enumerate(telling) if tells), len(parts) - 1)
    return "/".join(parts[first:])


def _before_its_note(family: Family, place: int, fields: Mapping[int, str]) -> bool:
    """Tell whether a note is glued to the word in this column: without the word nothing says where the note begins."""
    row, note = family.rows[0], place + 1
    return fields.get(note) == "note" and family.shape[note][0] == NOTE and is_glued(row.tokens, row.pieces[note].start)


def _held(
    paths: Sequence[str], wanted: Mapping[str, str], plans: Sequence[_Plan], language: NoteLanguage
) -> tuple[tuple[str, ...], dict[str, Placed]]:
    """Return patterns in an order in which each name is read as it is meant, and what they then say.

    A pattern that would read names that are meant otherwise, or not at all, is written with its words instead; what is
    still read otherwise then is left out.
    """
    counts = Counter(wanted.values())
    by_size = [text for text, _ in counts.most_common(MOST_PATTERNS)]
    detailed = sorted(by_size, key=lambda text: (-_detail(text), -counts[text]))
    best: tuple[tuple[str, ...], dict[str, Placed]] = ((), {})
    for order in (by_size, detailed):
        places, wrong = _tried(paths, order, wanted, language)
        if not wrong:
            return tuple(order), places
    offending = {text for texts in wrong.values() for text in texts}
    exact: dict[str, str] = {}
    for plan in plans:
        text = written(plan.families[0], plan.fields)
        if text in offending:
            for family in plan.families:
                exact |= dict.fromkeys(
                    (row.path for row in family.rows if row.path in wanted), written(family, plan.fields, words=True)
                )
        else:
            exact |= {row.path: text for row in plan.rows if row.path in wanted}
    counts = Counter(exact.values())
    order = [text for text, _ in counts.most_common(2 * MOST_PATTERNS)]
    order.sort(key=lambda text: (-_detail(text), -counts[text]))
    for _ in range(len(order) + 1):
        places, wrong = _tried(paths, order, exact, language)
        bad = {text for texts in wrong.values() for text in texts}
        best = (tuple(order), places)
        if not bad:
            break
        order = [text for text in order if text not in bad]
    return best


def _detail(text: str) -> int:
    """Return how much a pattern asks of a name: what fits a pattern that asks for more is read by that one."""
    free = text.count("{any}") + text.count("{layer}")
    return 4 * (text.count("{") - free) - 2 * text.count("{microphone}") - text.count("{any}")


def _tried(
    paths: Sequence[str], order: Sequence[str], wanted: Mapping[str, str], language: NoteLanguage
) -> tuple[dict[str, Placed], dict[str, set[str]]]:
    """Return what patterns in this order read, and by path those that read a name otherwise than it is meant."""
    ready = {text: Pattern(text, language) for text in order}
    places: dict[str, Placed] = {}
    wrong: dict[str, set[str]] = {}
    for path in paths:
        own = ready.get(wanted.get(path, ""))
        meant = own.place(path) if own else None
        for text, pattern in ready.items():
            if pattern is own:
                break
            if (place := pattern.place(path)) is not None:
                if place != meant:
                    wrong[path] = {text}
                break
        if meant is not None:
            places[path] = meant
    return places, wrong
