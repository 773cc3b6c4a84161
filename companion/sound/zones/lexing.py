"""Takes names apart: notes, numbers, words, and what stands between them."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from typing import Final

from companion.sound.zones.naming import bare
from companion.sound.zones.notes import NOTE_CLASS, spelled
from companion.sound.zones.vocabulary import HERTZ, NOTHING

NOTE, CLASS, HZ, DIGITS, WORD, BETWEEN, SLASH, IDLE = "note", "class", "hertz", "digits", "word", "between", "/", "idle"

Token = tuple[str, str]
"""What a piece of a name looks like, and the piece."""

LONGEST: Final = 400
"""Characters of a name that are looked at; no system allows longer names."""


def _master(octave: str) -> re.Pattern[str]:
    return re.compile(
        rf"(?P<idle>{NOTHING})"
        rf"|(?P<hertz>{HERTZ})"
        rf"|(?P<note>{NOTE_CLASS}{octave}[#♯]?)"
        rf"|(?P<class>{NOTE_CLASS}(?![^\W_]))"
        r"|(?P<digits>[0-9]+)"
        r"|(?P<word>[A-Z]{2,}(?![a-z])|[A-Z]?[a-zß-öø-ÿ]+|[^\W0-9_])"
        r"|(?P<slash>/)"
        r"|(?P<between>[\W_])"
    )


_WITH_MINUS: Final = _master(r"(?:-[12]|[0-9])(?![0-9])")
_WITHOUT: Final = _master(r"[0-9](?![0-9])")


@lru_cache(maxsize=8192)
def _lexed_part(text: str, minus: bool) -> tuple[Token, ...]:
    found: list[Token] = []
    for match in (_WITH_MINUS if minus else _WITHOUT).finditer(text):
        kind, piece = match.lastgroup or BETWEEN, match[0]
        if kind in (NOTE, CLASS) and found and found[-1][0] == WORD and not _is_camel(found[-1][1], piece):
            kind = WORD  # the end of a longer word
        if kind == NOTE and spelled(piece) is None:
            kind = WORD
        found.append((SLASH if kind == "slash" else kind, piece))
    return tuple(found)


def _is_camel(before: str, after: str) -> bool:
    return before[-1:].islower() and after[:1].isupper()


def lexed(path: str, *, minus: bool = True) -> tuple[Token, ...]:
    """Return the pieces of a path without its extension. minus: whether ``C-1`` is a note two octaves under C1."""
    folder, slash, name = unicodedata.normalize("NFC", bare(path))[-LONGEST:].rpartition("/")
    return (*_lexed_part(folder + slash, minus), *_lexed_part(name, minus))
