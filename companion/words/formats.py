"""Statements of the samples' form in a text: their sample rate and bits per sample, held against what was measured."""

import re
from collections.abc import Iterator
from typing import Final

from companion.core.text import listed
from companion.words.values import Stated, TextRead

_CLAUSE: Final = re.compile(r"(?<=[.!?])\s+(?=\S)|;\s|\s[–—]\s|,\s(?:and|but)\s")
_RATE: Final = re.compile(
    r"(?<![\w.,])(?:(?P<kilo>\d{1,3}(?:[.,]\d{1,3})?)\s?kHz|(?P<hertz>\d{4,6})\s?Hz)\b", re.IGNORECASE
)
_RATES: Final = frozenset((8000, 11025, 16000, 22050, 32000, 44100, 48000, 88200, 96000, 176400, 192000, 384000))
"""Rates that recordings have (common practice, no source): any other number of kHz is a place in the spectrum."""
_BITS: Final = re.compile(r"(?<![\w.,])(?P<bits>8|16|20|24|32)[\s-]?bits?\b(?!\s+of\b)", re.IGNORECASE)
_OF_SAMPLES: Final = re.compile(
    r"\b(?:samples?|recordings|files?|wavs?|aiffs?|flac|audio|formats?|sounds)\b|\d[\s-]?bits?\s*[,/@|·at ]+\s*\d",
    re.IGNORECASE,
)
_OF_OTHERS: Final = re.compile(
    r"\b(?:recorded|captured|tracked|mastered|originals?|hosts?|projects?|sessions?|engines?|plug-?ins?|windows"
    r"|systems?|computers?|processors?|float\w*|songs?|previews?|demos?|was|were|before|earlier|older|previous|instead"
    r"|now|not|up to|filter\w*|above|below|over|under|any|either|every|your|also|convert\w*|down|version|impulse\w*"
    r"|reverbs?)\b",
    re.IGNORECASE,
)
"""Words by which a clause may speak of another form than the one that ships."""


def sample_formats(reading: TextRead) -> Iterator[Stated]:
    """Yield the sample rates and bits that ``reading`` states of what ships. That one of several is true is enough."""
    story = reading.story
    for passage in reading.found:
        at = 0
        for clause in _CLAUSE.split(passage.text):
            at = passage.text.index(clause, at)
            if not _OF_SAMPLES.search(clause) or _OF_OTHERS.search(clause):
                continue
            for match in _RATE.finditer(clause) if story.rates else ():
                hertz = round(float(match["hertz"] or float(match["kilo"].replace(",", ".")) * 1000))
                if hertz in _RATES:
                    line = passage.line_at(at + match.start())
                    facts = listed([f"{rate / 1000:g} kHz" for rate in story.rates])
                    yield Stated("sample rate", hertz in story.rates, line, match.group(), facts, "sample rates")
            for match in _BITS.finditer(clause) if story.bits else ():
                line = passage.line_at(at + match.start())
                facts = listed([f"{bits} bits" for bits in story.bits])
                yield Stated("bits", int(match["bits"]) in story.bits, line, match.group(), facts, "bits")
