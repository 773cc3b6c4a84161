"""The path scan: which files does this file name, whatever its format?

No format is known here. Text that ends as file names end, or begins as paths begin, is looked for, also in deflated
parts, and kept with the place it stands at. Plain text shows by itself where a name begins; in other bytes the names
of the folder teach it.
"""

import math
import mmap
import re
from pathlib import Path
from typing import Final

import msgspec

from companion.contents.reading.encodings import text_encoding
from companion.contents.reading.inflate import Budget, Buffer, heads, let_go, part_at, parts_of
from companion.contents.reading.learned import BLOCK, LearnedReader
from companion.contents.reading.mentions import Mention, Mentions
from companion.contents.reading.names import NO_NAMES, FolderNames
from companion.contents.reading.reader import TextReader
from companion.contents.reading.shapes import SUFFIXES
from companion.core.progress import QUIET, Watch
from companion.core.text import plural

DEEPEST: Final = 3
MOST_UNSURE: Final = 0.1
"""Share of the names in bytes that may be unsure before the file counts as unknown."""
_SAMPLE: Final = 1 << 18


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
        sampled = min(self.size, _SAMPLE)
        return sampled >= 256 and self.entropy >= 8 - 255 / (2 * sampled * math.log(2)) - 0.5


def entropy_of(data: Buffer) -> float:
    """Return the Shannon entropy of ``data`` in bits a byte, from evenly spread blocks when it is large."""
    if len(data) <= _SAMPLE:
        sample = data[:]
    else:
        step = len(data) // 64
        blocks = []
        for index in range(64):
            blocks.append(data[index * step : index * step + _SAMPLE // 64])
            let_go(data, 0, len(data))  # a system may map far more than was asked for
        sample = b"".join(blocks)
    total = len(sample)
    counts = [sample.count(value) for value in range(256)]
    return sum(-count / total * math.log2(count / total) for count in counts if count)


def scan_bytes(
    data: Buffer, watch: Watch = QUIET, suffixes: frozenset[str] = frozenset(), names: FolderNames = NO_NAMES
) -> Scan:
    """Return every mention of a file in ``data``, which may be a memory map.

    suffixes: extensions, without dot and in lower case, that end a path besides the usual ones. names: what lies in
    the folder, to learn from. Unpacking is bounded by :class:`~companion.contents.reading.inflate.Budget` and to three
    parts within one another.
    """
    ending = SUFFIXES | frozenset(s for s in suffixes if re.fullmatch(r"[a-z0-9_]{2,12}", s))
    mentions, budget = Mentions(), Budget()
    learned = LearnedReader(ending, names)
    whole = True
    runs: list[tuple[str, int]] = []

    def read(data: Buffer, inside: str = "", part: int = 0) -> str:
        nonlocal whole
        encoding = text_encoding(data, names)
        if encoding:
            add = mentions.adding(encoding, inside, part)
            whole &= TextReader(encoding, ending, add).read(data, watch)
        else:
            learned.collect(data, watch, part=bool(inside))
            runs.append((inside, part))
        return encoding

    def unpack(data: bytes, label: str, start: int, depth: int) -> None:
        watch.check()
        if not read(data, label, start) and depth < DEEPEST:
            for inner in parts_of(data, budget):
                unpack(inner.data, f"{inner.label} of the {label}", start, depth + 1)

    encoding = read(data)
    here = 0
    for at in range(0, 0 if encoding else len(data), BLOCK):
        for head in heads(data[at : at + BLOCK + 4]):
            start = at + head
            if start >= here and head < BLOCK and (part := part_at(data, start, budget)):
                here = max(part.end, start + 1)
                unpack(part.data, part.label, part.start, 1)
        let_go(data, at, at + BLOCK)
        watch.check()
    for (inside, start), found in zip(runs, learned.settle(), strict=True):
        for name in found:
            add = mentions.adding(name.encoding, inside, start)
            add(name.text, name.start, name.sure, name.sure or name.rooted)
    return Scan(
        mentions=mentions.sorted,
        size=len(data),
        entropy=round(entropy_of(data), 3) if len(data) else 0.0,
        text=bool(encoding) and (encoding == "utf-8" or encoding.startswith("utf-16")),
        layout=learned.layout,
        complete=whole and learned.complete and not budget.exceeded and mentions.complete,
    )


def scan_file(
    path: Path, watch: Watch = QUIET, suffixes: frozenset[str] = frozenset(), names: FolderNames = NO_NAMES
) -> Scan:
    """Return the scan of one file, mapped rather than read when it is large; ``problem`` is set when it cannot be."""
    try:
        with path.open("rb") as stream:
            size = stream.seek(0, 2)
            stream.seek(0)
            if size <= BLOCK:
                return scan_bytes(stream.read(), watch, suffixes, names)
            with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as mapped:
                return scan_bytes(mapped, watch, suffixes, names)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error.__class__.__name__
        return Scan(problem=reason.lower())
