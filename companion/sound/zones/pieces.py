"""Which pieces of names are words for touch, microphone, release or take: those that differ where nothing else does."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Final, NamedTuple

from companion.sound.zones.lexing import BETWEEN, CLASS, DIGITS, HZ, IDLE, NOTE, SLASH, WORD, Token
from companion.sound.zones.notes import spelled
from companion.sound.zones.vocabulary import (
    MARKS,
    MAYBE_RELEASES,
    MICROPHONES,
    PREFIXES,
    RELEASES,
    TAKE_LETTERS,
    TOUCHES,
    read_velocity,
)

TEXT: Final = "layer"

Template = tuple[Token, ...]
"""A name with its notes and numbers taken out: what many names share."""

_MASKED: Final = (NOTE, HZ, DIGITS, IDLE)
_LONG_PREFIX: Final = 2
_CERTAIN: Final = 99


class Piece(NamedTuple):
    """A piece of a template. role: a field of a pattern, or what is still open (note, class, digits, …), ``/``, or
    BETWEEN. start, stop: the tokens it is made of. prefix: what is written in front of a number, and belongs to it.
    """

    role: str
    start: int
    stop: int
    prefix: str = ""


def template_of(tokens: Iterable[Token]) -> Template:
    """Return what a name shares with others that differ in notes and numbers."""
    return tuple((kind, "" if kind in _MASKED else text) for kind, text in tokens)


def roles_of(templates: Iterable[Template]) -> dict[Template, dict[int, str]]:
    """Return by template the words that say something, by their place: velocity, microphone, release, take or class.

    A word counts where names differ in it alone, or where one name has it and another, otherwise the same, has not; so
    “Room Tone” and “Soft Pad” are names of sounds where there is no other. Words for a release,
    and marks such as pp, always count.
    """
    known = set(templates)
    contrast: dict[tuple[str, Template], set[str]] = defaultdict(set)
    places = [
        (template, place) for template in known for place, (kind, _) in enumerate(template) if kind in (WORD, CLASS)
    ]
    for template, place in places:
        for role, value in _meanings(template, place):
            contrast[role, _without(template, place, role)].add(value)
    roles: dict[Template, dict[int, str]] = {template: {} for template in known}
    for template, place in places:
        best, most = "", 1
        for role, _ in _meanings(template, place):
            size = len(contrast[role, _without(template, place, role)])
            may_lack = role not in ("class", "take") and (role != "microphone" or len(template[place][1]) > 1)
            size += size == 1 and may_lack and _is_extra(template, place, known)
            if role == "take" and not _from_a(contrast[role, _without(template, place, role)]):
                continue
            if template[place][1].lower() in (RELEASES if role == "release" else MARKS if role == "velocity" else ()):
                size = _CERTAIN
            if size > most:
                best, most = role, size
        if best:
            roles[template][place] = best
    return roles


def _meanings(template: Template, place: int) -> list[tuple[str, str]]:
    """Return what a word may be, each with the value it then has: touch before microphone before the rest."""
    text = template[place][1].lower()
    if place + 1 < len(template) and template[place + 1][0] == DIGITS and text in PREFIXES:
        return []
    found = []
    if text in TOUCHES:
        found.append(("velocity", str(read_velocity(text))))
    if text in MICROPHONES:
        found.append(("microphone", text))
    if text in RELEASES or text in MAYBE_RELEASES:
        found.append(("release", text))
    if text in TAKE_LETTERS and any(kind in (NOTE, DIGITS, HZ) for kind, _ in template[:place]):
        found.append(("take", text))
    if template[place][0] == CLASS and (one := spelled(template[place][1])):
        found.append(("class", f"{one.letter}{one.sign}"))
    return found


def _without(template: Template, place: int, role: str) -> Template:
    return (*template[:place], (role, "*"), *template[place + 1 :])


def _is_extra(template: Template, place: int, known: set[Template]) -> bool:
    """Tell whether there is a name that lacks this word, and what parts it from the rest, and nothing else."""
    before, after = template[:place], template[place + 1 :]
    if before and before[-1][0] in (BETWEEN, SLASH) and (*before[:-1], *after) in known:
        return True
    return (
        bool(after and after[0][0] in (BETWEEN, SLASH) and (*before, *after[1:]) in known) or (*before, *after) in known
    )


def _from_a(letters: set[str]) -> bool:
    return len(letters) > 1 and "".join(sorted(letters)) == TAKE_LETTERS[: len(letters)]


def pieces_of(template: Template, roles: Mapping[int, str]) -> tuple[Piece, ...]:
    """Return the pieces of a template: words that say nothing are one text with what stands between them."""
    found: list[Piece] = []
    place = 0
    while place < len(template):
        kind, text = template[place]
        stop = place + 1
        if kind in (WORD, CLASS) and (role := roles.get(place)):
            found.append(Piece(role, place, stop))
        elif kind == WORD and (number := _numbered(template, place)):
            stop = number + 1
            prefix = "".join(piece for _, piece in template[place:number])
            found.append(Piece(PREFIXES[text.lower()], place, stop, prefix))
        elif kind in (WORD, CLASS):
            _add_text(found, place, stop)
        else:
            found.append(Piece(kind, place, stop))
        place = stop
    return tuple(found)


def _numbered(template: Template, place: int) -> int:
    """Return where the number stands that a word introduces, or 0."""
    text, rest = template[place][1].lower(), template[place + 1 : place + 3]
    if text not in PREFIXES or not rest:
        return 0
    if rest[0][0] == DIGITS:
        return place + 1
    apart = rest[0] in ((BETWEEN, "_"), (BETWEEN, " "), (BETWEEN, "-"), (BETWEEN, "="), (BETWEEN, "."))
    return place + 2 if apart and len(rest) > 1 and rest[1][0] == DIGITS and len(text) >= _LONG_PREFIX else 0


def _add_text(found: list[Piece], start: int, stop: int) -> None:
    between = 0
    while between < len(found) and found[-1 - between].role == BETWEEN:
        between += 1
    if between < len(found) and found[-1 - between].role == TEXT:
        first = found[-1 - between].start
        del found[len(found) - 1 - between :]
        found.append(Piece(TEXT, first, stop))
    else:
        found.append(Piece(TEXT, start, stop))
