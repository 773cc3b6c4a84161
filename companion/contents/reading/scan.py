"""The path scan: which files does this file name, whatever its format?

No format is known here. Text that ends as file names end, or begins as paths begin, is looked for, also in deflated
parts, and kept with the place it stands at. Plain text shows by itself where a name begins; in other bytes the names
of the folder teach it.
"""

import math
import mmap
import re
from functools import partial
from pathlib import Path
from typing import Final

from companion.contents.reading.encodings import text_encoding
from companion.contents.reading.inflate import Budget, Buffer, heads, let_go, part_at, parts_of
from companion.contents.reading.learned import BLOCK, LearnedReader
from companion.contents.reading.lines import lines_at
from companion.contents.reading.mentions import Mentions
from companion.contents.reading.names import NO_NAMES, FolderNames
from companion.contents.reading.reader import TextReader
from companion.contents.reading.scanned import SAMPLE, Scan
from companion.contents.reading.shapes import SUFFIXES
from companion.core.progress import QUIET, Watch
from companion.core.regular import buffered

DEEPEST: Final = 3


def entropy_of(data: Buffer) -> float:
    """Return the Shannon entropy of ``data`` in bits a byte, from evenly spread blocks when it is large."""
    if len(data) <= SAMPLE:
        sample = data[:]
    else:
        step = len(data) // 64
        blocks = []
        for index in range(64):
            blocks.append(data[index * step : index * step + SAMPLE // 64])
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
            mentions.number(inside, partial(lines_at, data, encoding))
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
        with buffered(path) as stream:
            size = stream.seek(0, 2)
            stream.seek(0)
            if size <= BLOCK:
                return scan_bytes(stream.read(), watch, suffixes, names)
            with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as mapped:
                return scan_bytes(mapped, watch, suffixes, names)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else error.__class__.__name__
        return Scan(problem=reason.lower())
