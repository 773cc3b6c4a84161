"""What the numbers beside a note are: velocities, ranges, takes, or nothing that counts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from itertools import pairwise
from typing import Final

from companion.sound.zones.choosing import NoteChoice, declared_notes
from companion.sound.zones.hearing import SampleSound, rises
from companion.sound.zones.lexing import BETWEEN, DIGITS, SLASH
from companion.sound.zones.pieces import TEXT
from companion.sound.zones.shapes import Family, Row

ANY: Final = "any"
_MOST_TAKES: Final = 24
_MOST_TOUCHES: Final = 32
_MOST_COUNTED: Final = 12
_TOP: Final = 127


def fields_of(
    several: Sequence[Family], choice: NoteChoice, heard: Mapping[str, SampleSound]
) -> tuple[dict[int, str], str]:
    """Return by column what is read of families of one shape and one choice, and why some number is asked about."""
    shape = several[0].shape
    rows = [row for family in several for row in family.rows]
    fields = {place: role for place, (role, _) in enumerate(shape) if role in _AS_THEY_ARE}
    fields |= {place: ANY for place, (role, _) in enumerate(shape) if role in ("idle", "hertz", "note", "number")}
    fields |= dict.fromkeys(several[0].columns("class"), TEXT)  # letters that tell layers apart, unless they are notes
    if choice.column >= 0:
        fields[choice.column] = "hertz" if choice.how == "hertz" else "note"
        if choice.octave >= 0:
            fields[choice.octave] = "octave"
        if choice.low >= 0:
            fields |= {choice.low: "low_key", choice.high: "high_key"}
    for place in [place for place, field in fields.items() if field == "octave" and place != choice.octave]:
        fields[place] = ANY
    notes = declared_notes(rows, choice) if choice.column >= 0 else {}
    left = [place for place in several[0].columns(DIGITS) if place not in fields]
    left = _ranges(shape, rows, fields, left, notes)
    _keys_not_velocities(rows, fields, notes)
    for place in [each for each, field in fields.items() if field == "velocity" and shape[each][1]]:
        if _is_version(rows, place):
            fields[place] = ANY
    asks = _counted(shape, rows, fields, left, notes, heard)
    seen: set[str] = set()
    for place in sorted(fields):
        field = fields[place]
        if field in seen:
            fields[place] = ANY  # said twice in one name
        elif field not in (ANY, TEXT):
            seen.add(field)
    return fields, asks


_AS_THEY_ARE: Final = frozenset(
    (
        *("velocity", "microphone", "release", "take", "octave", TEXT),
        *("low_velocity", "high_velocity", "low_key", "high_key"),
    )
)


def _is_version(rows: Sequence[Row], place: int) -> bool:
    """Tell whether ``v2`` is the same in all names and so low that it is no touch: the version of something."""
    values = {row.value(place) for row in rows}
    return len(values) == 1 and values <= set("0123456789")


def _ints(rows: Sequence[Row], place: int) -> list[int]:
    return [int(row.value(place)[:9]) for row in rows]


def _ranges(
    shape: Sequence[tuple[str, str]],
    rows: Sequence[Row],
    fields: dict[int, str],
    left: list[int],
    notes: Mapping[str, float],
) -> list[int]:
    """Find two numbers that are the ends of a range: of velocities where they share out 0 to 127, else of keys."""
    starts = [*left, *(place for place, field in fields.items() if field == "velocity" and shape[place][1])]
    for low in sorted(starts):
        high = low + 2
        if high not in left or shape[low + 1][0] not in (BETWEEN, TEXT):
            continue
        pairs = set(zip(_ints(rows, low), _ints(rows, high), strict=True))
        if any(first > last or last > _TOP for first, last in pairs):
            continue
        if _shares_out(pairs):
            fields |= {low: "low_velocity", high: "high_velocity"}
        elif notes and len(pairs) > 1 and _holds(rows, low, high, notes):
            fields |= {low: "low_key", high: "high_key"}
        else:
            continue
        if shape[low + 1][0] == TEXT:
            fields.pop(low + 1, None)
        return [place for place in left if place not in (low, high)]
    return left


def _keys_not_velocities(rows: Sequence[Row], fields: dict[int, str], notes: Mapping[str, float]) -> None:
    """Take ``lo`` and ``hi`` for keys where each note has a pair of its own around it, and they share out nothing."""
    places = {field: place for place, field in sorted(fields.items(), reverse=True)}
    low, high = places.get("low_velocity", -1), places.get("high_velocity", -1)
    if low < 0 or high < 0 or not all(row.value(place).isdigit() for row in rows for place in (low, high)):
        return
    pairs = {row.path: (row.value(low), row.value(high)) for row in rows}
    of_notes = {(notes.get(path), pair) for path, pair in pairs.items()}
    own = len(of_notes) == len(set(notes.values())) == len(set(pairs.values()))
    if own and len(of_notes) > 1 and _holds(rows, low, high, notes):
        fields |= {low: "low_key", high: "high_key"}


def _shares_out(pairs: Collection[tuple[int, int]]) -> bool:
    ordered = sorted(pairs)
    joined = all(after[0] == before[1] + 1 for before, after in pairwise(ordered))
    return joined and ordered[0][0] <= 1 and ordered[-1][1] >= _TOP - 1


def _holds(rows: Sequence[Row], low: int, high: int, notes: Mapping[str, float]) -> bool:
    return all(
        row.path in notes and int(row.value(low)) <= notes[row.path] / 100 <= int(row.value(high)) for row in rows
    )


def _counted(
    shape: Sequence[tuple[str, str]],
    rows: Sequence[Row],
    fields: dict[int, str],
    left: Sequence[int],
    notes: Mapping[str, float],
    heard: Mapping[str, SampleSound],
) -> str:
    """Say what numbers that stand alone count. Returns why one is asked about, or an empty text."""
    counting: list[int] = []
    for place in left:
        kind = _kind(shape, rows, place, notes)
        if kind == "velocity" and "velocity" not in fields.values():
            fields[place] = "velocity"
        elif kind == "take":
            counting.append(place)
        else:
            fields[place] = TEXT if kind == TEXT else ANY
    if not counting:
        return ""
    has_touch = {"velocity", "low_velocity"} & set(fields.values())
    has_take = "take" in fields.values()
    if not notes:
        free = counting if not has_take else []
        fields |= dict.fromkeys(counting, ANY) | dict.fromkeys(free[-1:], "take")
        return ""
    rising = {place: None if has_touch else _rising(rows, fields, counting, place, heard) for place in counting}
    touches = [place for place in counting if rising[place]]
    if len(touches) == 1 and not has_touch:
        fields[touches[0]] = "velocity"
        counting.remove(touches[0])
    if len(counting) == 1 and not has_take:
        fields[counting[0]] = "take"
        unheard = not has_touch and not touches and rising[counting[0]] is None
        return "the numbers are read as takes, and may be touches" if unheard else ""
    fields |= dict.fromkeys(counting, ANY)
    return "several numbers may count takes or touches" if counting else ""


def _rising(
    rows: Sequence[Row],
    fields: Mapping[int, str],
    counting: Sequence[int],
    place: int,
    heard: Mapping[str, SampleSound],
) -> bool | None:
    others = [each for each, field in fields.items() if field not in (ANY, "take") and each != place]
    alike = {row.path: tuple(row.text(each) for each in (*others, *counting) if each != place) for row in rows}
    return rises(dict(zip((row.path for row in rows), _ints(rows, place), strict=True)), alike, heard)


def _kind(shape: Sequence[tuple[str, str]], rows: Sequence[Row], place: int, notes: Mapping[str, float]) -> str:
    numbers = _ints(rows, place)
    values = sorted(set(numbers))
    in_text = place > 0 and (
        shape[place - 1][0] == TEXT
        or (place > 1 and shape[place - 1] == (BETWEEN, " ") and shape[place - 2][0] == TEXT)
    )
    before_note = bool(notes) and not any(role in ("note", "number", "class", "hertz") for role, _ in shape[:place])
    if len(values) == 1:
        copied = place > 0 and shape[place - 1] == (BETWEEN, "(") and values[0] <= _MOST_TAKES
        return "take" if copied else TEXT if in_text else ANY
    if any(role == SLASH for role, _ in shape[place:]) and not notes:
        return TEXT
    several: dict[int, set[float | None]] = defaultdict(set)
    for row, number in zip(rows, numbers, strict=True):
        several[number].add(notes.get(row.path))
    if notes and len(set(notes.values())) > 1 and max(map(len, several.values())) == 1:
        return ANY  # a number of its own for each note: it counts files
    counts = values[0] in (0, 1) and values[-1] <= _MOST_TAKES and len(values) > 0.6 * (values[-1] - values[0] + 1)
    if counts or values[-1] <= _MOST_COUNTED:
        if before_note and in_text:
            return TEXT
        return "take"
    if values[-1] <= _TOP and values[0] >= 0 and len(values) <= _MOST_TOUCHES and notes:
        return "velocity"
    return ANY
