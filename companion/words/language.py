"""Whether a text is in English, so that nothing is judged by English words that was never written in them."""

import re
from collections.abc import Iterable
from typing import Final

from companion.words.plain import Passage, is_html

_WORD: Final = re.compile(r"[^\W\d_]+(?:[’'][^\W\d_]+)?")
_COMMON: Final = """
the and of to is are you your it its for with this that from or be been has have not as at by if when where
"""
_ENGLISH: Final = frozenset(_COMMON.split())
"""Words that English can hardly do without and that its neighbours do not share."""

_SHARE: Final = 0.06
"""Of all words; English prose has three to four times as many of these, other languages next to none."""

_FEWEST: Final = 12
"""Words; fewer say nothing of their language, and lists and headings have few of those words in English too."""

_LANG: Final = re.compile(r"<html\b[^<>]*\blang\s*=\s*[\"']?([A-Za-z]{2,3})\b", re.IGNORECASE)
_NAMED: Final = re.compile(r"[-_. ]([a-z]{2})\.\w+$", re.IGNORECASE)
_LANGUAGES: Final = """
ar bg bn ca cs cy da de el es et eu fa fi fr ga gl he hi hr hu id is it ja ka ko lt lv mk ms nb nl nn no pl pt ro ru sk
sl sq sr sv th tr uk ur vi zh
"""
_CODES: Final = frozenset(_LANGUAGES.split())
"""ISO 639-1 codes that a file's name may end on, as in ``README.de.md``."""


def in_english(found: Iterable[Passage], text: str, path: str = "") -> bool:
    """Return whether a text is to be read as English: by its words, and by what it or its name says of its language.

    Where the words are English it is, whatever it is called. A text too short to tell is what it says, else English.
    """
    words = [word.lower() for passage in found for word in _WORD.findall(passage.text)]
    if len(words) >= _FEWEST and sum(word in _ENGLISH for word in words) >= _SHARE * len(words):
        return True
    stated = _LANG.search(text) if is_html(text, path) else None
    named = _NAMED.search(path)
    if (stated and not stated[1].lower().startswith("en")) or (named and named[1].lower() in _CODES):
        return False
    return len(words) < _FEWEST or not _other(words)


_ELSEWHERE: Final = """
der die das und ist nicht ein eine mit für auf den dem von zu im werden wird sich oder bei
le la les des et est une pour dans avec du au sur vous ne pas que qui
el los las y del una para con por en se su es no lo al
il gli di che per non un della nel sono alla
de het een van voor niet met op te dat zijn
o os um uma não com em da do ao
och att det som är på av inte till
og på ikke af til er i å
nie się na jest do w z oraz jak
"""
_OTHERS: Final = frozenset(_ELSEWHERE.split())
"""Words as common in German, French, Spanish, Italian, Dutch, Portuguese, Swedish, Danish and Polish, a line each."""


def _other(words: list[str]) -> bool:
    """Tell whether words stand there that another language cannot do without, or letters that English has not."""
    foreign = sum(word in _OTHERS or not word.isascii() for word in words)
    return foreign >= 2 * _SHARE * len(words)
