"""Notes that are glued to a word in capitals, ``REEDC#4``: told from codes by the company that one word keeps."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from typing import Final

from companion.sound.zones.lexing import NOTE, WORD, Token

_GLUED: Final = re.compile(r"([A-Z]{3,})([A-G][#♯♭bs]?)([0-9]+)")
_FEWEST: Final = 5
_FEWEST_SHARP: Final = 3
"""Letters, with their signs, behind one word: fewer may count anything. A sharp counts nothing but notes."""


def unglued(names: Sequence[tuple[Token, ...]]) -> list[tuple[Token, ...]]:
    """Return names with such words parted from their notes.

    Of a word with five and more different letters behind it, or three where one is sharp, each with one digit: a number
    of two is no octave, and so none of the others is.
    """
    found = [_glued(name) for name in names]
    letters: dict[str, set[str]] = defaultdict(set)
    codes = set()
    for each in found:
        for word, letter, digits in each.values():
            letters[word].add(letter)
            if len(digits) > 1:
                codes.add(word)
    parted = {word for word, several in letters.items() if len(several) >= _fewest(several)} - codes
    return [
        _parted(name, {place: one for place, one in each.items() if one[0] in parted})
        for name, each in zip(names, found, strict=True)
    ]


def _fewest(letters: set[str]) -> int:
    return _FEWEST_SHARP if any(letter[-1] in "#♯" for letter in letters) else _FEWEST


def _glued(name: tuple[Token, ...]) -> dict[int, tuple[str, str, str]]:
    """Return by the place of a word the word, the letter with its sign, and the digits behind it."""
    found = {}
    for place, (kind, text) in enumerate(name[:-1]):
        if kind != WORD or not text.isupper():
            continue
        behind = "".join(piece for _, piece in name[place : place + 3])
        match = _GLUED.match(behind)
        if match is not None and len(match[0]) in _ends(name[place : place + 3]):
            found[place] = (match[1], match[2], match[3])
    return found


def _ends(tokens: Sequence[Token]) -> list[int]:
    """Return where in their text each of the tokens ends."""
    return [sum(len(text) for _, text in tokens[:count]) for count in range(1, len(tokens) + 1)]


def _parted(name: tuple[Token, ...], glued: dict[int, tuple[str, str, str]]) -> tuple[Token, ...]:
    tokens: list[Token] = []
    skipped = 0
    for place, token in enumerate(name):
        if skipped:
            skipped -= 1
        elif place in glued:
            word, letter, digits = glued[place]
            tokens += [(WORD, word), (NOTE, letter + digits)]
            skipped = _ends(name[place : place + 3]).index(len(word + letter + digits))
        else:
            tokens.append(token)
    return tuple(tokens)


def is_glued(tokens: Sequence[Token], place: int) -> bool:
    """Tell whether the note at ``place`` of a name was glued to a word in capitals."""
    return (
        place > 0 and tokens[place - 1][0] == WORD and len(tokens[place - 1][1]) > 1 and tokens[place - 1][1].isupper()
    )
