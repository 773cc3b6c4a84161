"""What was read in one file, apart from the reading."""

import math
from typing import Final

import msgspec

from companion.contents.reading.mentions import Mention
from companion.core.text import plural

MOST_UNSURE: Final = 0.1
"""Share of the names in bytes that may be unsure before the file counts as unknown."""
SAMPLE: Final = 1 << 18
"""Bytes of a file whose entropy is taken at most."""


class Scan(msgspec.Struct, frozen=True, kw_only=True):
    """What was read in one file.

    size: bytes. entropy: bits a byte, 0 to 8 (Shannon 1948), from up to 256 KiB spread over the file. text: it is
    plain text throughout. layout: how its names are written, in words, where that was learned. complete: False when a
    bound was met and there may be more mentions. problem: why it could not be read.
    """

    mentions: tuple[Mention, ...] = ()
    size: int = 0
    entropy: float = 0.0
    text: bool = False
    layout: str = ""
    complete: bool = True
    problem: str = ""

    @property
    def readable(self) -> bool:
        """Whether the file let itself be read: it is text that would show any path, or few of its paths are unsure."""
        return self.text or (self.unsure < self.names and self.unsure <= MOST_UNSURE * self.names)

    @property
    def tells(self) -> bool:
        """Whether it tells all the files it names, and names one: silence proves nothing, not even in plain text."""
        return self.readable and self.complete and not self.problem and self.names > self.unsure

    @property
    def names(self) -> int:
        """How many different paths were found, unsure ones included."""
        return len(self.mentions)

    @property
    def unsure(self) -> int:
        """How many of them have no certain beginning, or stand in running text."""
        return sum(not mention.sure for mention in self.mentions)

    @property
    def reading(self) -> str:
        """How it was read, in words: ``240 names, each after a 16-bit count; 3 unsure``."""
        how = ", in plain text" if self.text else f", {self.layout}" if self.layout else ""
        unsure = f"; {self.unsure:,} unsure" if self.unsure else ""
        return f"{plural(self.names, 'name')}{how if self.names > self.unsure else ''}{unsure}"

    @property
    def dense(self) -> bool:
        """Whether the bytes look compressed or encrypted: within half a bit of what random bytes would measure.

        N random bytes measure about 255 / (2 N ln 2) bits below 8 (Miller 1955); fewer than 256 are too few to
        judge.
        """
        sampled = min(self.size, SAMPLE)
        return sampled >= 256 and self.entropy >= 8 - 255 / (2 * sampled * math.log(2)) - 0.5
