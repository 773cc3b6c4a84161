"""The path scan: which files does this file name, whatever its format?

No format is known here. Text that ends as file names end, or begins as paths begin, is looked for in UTF-8 and
UTF-16, also in deflated parts, and kept with the place it stands at.
"""

import math
import mmap
import re
from pathlib import Path
from typing import Final

import msgspec

from companion.contents.reading.inflate import Budget, Buffer, heads, part_at, parts_of
from companion.contents.reading.mentions import Mention
from companion.contents.reading.reader import BLOCK, MOST_MENTIONS, Reader
from companion.contents.reading.shapes import SUFFIXES
from companion.core.progress import QUIET, Watch

DEEPEST: Final = 3
_SAMPLE: Final = 1 << 18


class Scan(msgspec.Struct, frozen=True, kw_only=True):
    """What was read in one file.

    size: bytes. entropy: bits a byte, 0 to 8 (Shannon 1948), from up to 256 KiB spread over the file. text: it is
    plain text throughout. complete: False when a bound was met and there may be more mentions. problem: why it
    could not be read.
    """

    mentions: tuple[Mention, ...] = ()
    size: int = 0
    entropy: float = 0.0
    text: bool = False
    complete: bool = True
    problem: str = ""

    @property
    def readable(self) -> bool:
        """Whether the file let itself be read: a path was found for certain, or it is text that would show any."""
        return self.text or any(mention.sure for mention in self.mentions)

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
        sample = b"".join(data[index * step : index * step + _SAMPLE // 64] for index in range(64))
    total = len(sample)
    counts = [sample.count(value) for value in range(256)]
    return sum(-count / total * math.log2(count / total) for count in counts if count)


def _is_text(data: Buffer) -> bool:
    head = data[: 1 << 16]
    if not head:
        return True
    encoding = "utf-16" if head[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8"
    try:
        text = head[: len(head) // 2 * 2 if encoding == "utf-16" else None].decode(encoding)
    except UnicodeDecodeError as error:
        if error.start < len(head) - 4 or len(data) == len(head):
            return False
        text = head[: error.start].decode(encoding)
    return not re.search(r"[\x00-\x08\x0e-\x1a\x1c-\x1f\x7f]", text)


def scan_bytes(data: Buffer, watch: Watch = QUIET, suffixes: frozenset[str] = frozenset()) -> Scan:
    """Return every mention of a file in ``data``, which may be a memory map.

    suffixes: extensions, without dot and in lower case, that end a path besides the usual ones.
    Unpacking is bounded by :class:`~companion.contents.reading.inflate.Budget` and to three parts within one another.
    """
    known = SUFFIXES | frozenset(s for s in suffixes if re.fullmatch(r"[a-z0-9_]{2,12}", s))
    found: dict[tuple[str, str], Mention] = {}
    budget = Budget()
    Reader(known, found).read(data, watch)

    def unpack(data: bytes, label: str, start: int, depth: int) -> None:
        watch.check()
        Reader(known, found, label, start).read(data, watch)
        if depth < DEEPEST:
            for inner in parts_of(data, budget):
                unpack(inner.data, f"{inner.label} of the {label}", start, depth + 1)

    here = 0
    for at in range(0, len(data), BLOCK):
        for head in heads(data[at : at + BLOCK + 4]):
            start = at + head
            if start < here or head >= BLOCK:
                continue
            part = part_at(data, start, budget)
            if part:
                here = max(part.end, start + 1)
                unpack(part.data, part.label, part.start, 1)
        watch.check()
    return Scan(
        mentions=tuple(sorted(found.values(), key=lambda mention: (mention.inside, mention.offset))),
        size=len(data),
        entropy=round(entropy_of(data), 3) if len(data) else 0.0,
        text=_is_text(data),
        complete=not budget.exceeded and len(found) < MOST_MENTIONS,
    )


def scan_file(path: Path, watch: Watch = QUIET, suffixes: frozenset[str] = frozenset()) -> Scan:
    """Return the scan of one file, mapped rather than read when it is large; ``problem`` is set when it cannot be."""
    try:
        with path.open("rb") as stream:
            size = stream.seek(0, 2)
            stream.seek(0)
            if size <= BLOCK:
                return scan_bytes(stream.read(), watch, suffixes)
            with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as mapped:
                return scan_bytes(mapped, watch, suffixes)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error.__class__.__name__
        return Scan(problem=reason.lower())
