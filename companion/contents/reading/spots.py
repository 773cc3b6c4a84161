"""Where names end in bytes of an unknown format: the places of every extension, and the known name that ends there."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final, NamedTuple

from companion.contents.reading.layouts import Spot
from companion.contents.reading.names import CODE_PAGES, FolderNames, fold_case
from companion.contents.reading.shapes import STOP

REACH: Final = 1024
"""Bytes looked at before a name's end: no path is longer on the systems players have."""
MARGIN: Final = 64
"""Bytes kept before and behind a run of text, for counts and marks."""
_STOPS: Final = bytes(0 if char < 0x20 or char == 0x7F or char in b'"<>|*?`' else 1 for char in range(256))
_STOPS_BESIDE: Final = bytes(1 if char in b"|`" else stop for char, stop in enumerate(_STOPS))
"""Where names may be written in pages of two bytes a letter, of which the second may be one of these."""


class Suffixes(NamedTuple):
    """The extensions looked for: as one expression, and for each the lengths of those it begins with."""

    pattern: re.Pattern[bytes]
    lengths: dict[str, tuple[int, ...]]


@lru_cache(maxsize=16)
def suffixes_of(suffixes: frozenset[str]) -> Suffixes:
    """Return ``suffixes`` (lower case, no dot) to look for, narrow and wide at once.

    The expression begins with one fixed byte, which makes the search as fast as memory.
    """

    def alternatives(glue: str) -> str:
        atoms = ([f"[{c}{c.upper()}]" if c.isalpha() else re.escape(c) for c in s] for s in longest_first)
        return "|".join(glue + glue.join(item) for item in atoms)

    longest_first = sorted(suffixes, key=lambda suffix: (-len(suffix), suffix))
    narrow, wide = alternatives(""), alternatives(r"\x00")
    return Suffixes(
        re.compile(rf"\.(?:{narrow}|{wide})".encode()),
        {long: tuple(len(s) for s in longest_first if long.startswith(s)) for long in longest_first},
    )


def spot_at(
    block: bytes, base: int, hit: re.Match[bytes], encoding: str, lengths: tuple[int, ...], names: FolderNames
) -> Spot | None:
    """Return the spot at the extension ``hit`` in ``block``, which lies at byte ``base``.

    encoding: ``utf-8`` for any narrow one, ``utf-16-le`` or ``utf-16-be``. None where it is not written that way.
    """
    unit = 1 if encoding == "utf-8" else 2
    dot = hit.start() - (encoding == "utf-16-be")
    ends = tuple(end for n in lengths if (end := dot + (n + 1) * unit) <= len(block))
    if unit == 2:
        high = 0 if encoding == "utf-16-be" else -1  # where the zero of a wide ASCII character stands
        ends = tuple(end for end in ends if dot >= 0 and not block[dot if high == 0 else end - 1])
    if not ends:
        return None
    reach = max(0, dot - REACH)
    reach += (dot - reach) % unit
    if unit == 1:
        low = reach + block[reach:dot].translate(_STOPS_BESIDE if names.rare else _STOPS).rfind(0) + 1
    else:
        text = block[reach:dot].decode(encoding, "surrogatepass")
        stop = STOP.search(text[::-1])
        low = dot - 2 * stop.start() if stop else reach
    start, code = -1, ""
    for end in ends:
        size, code = _known(block, end, encoding, names)
        if size:
            start, ends = end - size, (end,)
            low = min(low, start)
            break
    if low >= dot:
        return None
    first = max(0, low - MARGIN)
    return Spot(
        window=block[first : ends[0] + MARGIN],
        base=base + first,
        low=base + low,
        dot=base + dot,
        ends=tuple(base + end for end in ends),
        unit=unit,
        start=base + start if start >= 0 else -1,
        code=code,
    )


def _known(block: bytes, end: int, encoding: str, names: FolderNames) -> tuple[int, str]:
    """Return how many bytes before ``end`` are a known name, and its encoding; (0, "") for none."""
    if not names.longest:
        return 0, ""
    wide = encoding != "utf-8"
    reach = max(0, end - names.longest * (2 if wide else 1 if names.ascii else 3))
    raw = block[reach + (end - reach) % (2 if wide else 1) : end]
    best = (0, "")
    for code in (encoding,) if wide else CODE_PAGES[: 1 if names.ascii or raw.isascii() else None]:
        text = raw.decode(code, "surrogatepass" if wide else "surrogateescape")
        if length := names.find(fold_case(text)):
            tail = text[len(text) - length :]
            size = len(tail.encode(code, "surrogatepass" if wide else "surrogateescape"))
            best = max(best, (size, code), key=lambda one: one[0])
    return best
