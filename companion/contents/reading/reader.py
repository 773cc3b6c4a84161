"""Reading the mentions of plain text, whatever its encoding: by quotes, lines and what stands around."""

import re
from collections.abc import Iterator
from functools import lru_cache
from itertools import islice
from typing import Final

from companion.contents.reading.inflate import Buffer, let_go
from companion.contents.reading.mentions import Add
from companion.contents.reading.shapes import Shape, beginning, ending
from companion.contents.reading.spots import REACH
from companion.contents.reading.starts import TEXT_STARTS
from companion.core.progress import Watch

BLOCK: Final = 4 << 20
MOST_HITS: Final = 500_000
"""Ends and beginnings looked at in one text."""


@lru_cache(maxsize=16)
def _ends(suffixes: frozenset[str]) -> re.Pattern[str]:
    longest_first = sorted(suffixes, key=lambda suffix: (-len(suffix), suffix))
    return re.compile(rf"\.(?:{'|'.join(map(re.escape, longest_first))})", re.IGNORECASE | re.ASCII)


class TextReader:
    """Reads text in ``encoding``; ``add`` takes each path: text, first byte, whether it is sure."""

    def __init__(self, encoding: str, suffixes: frozenset[str], add: Add) -> None:
        self._encoding, self._ends, self._add = encoding, _ends(suffixes), add
        self._errors = "surrogateescape" if encoding == "utf-8" else "surrogatepass" if "16" in encoding else "strict"
        self._left = MOST_HITS

    def read(self, data: Buffer, watch: Watch) -> bool:
        """Read all of ``data`` block by block; return False when there was more than is looked at."""
        floor = 0
        size = len(data) // 2 * 2 if "16" in self._encoding else len(data)
        for at in range(0, size, BLOCK):
            base = max(0, at - 2 * REACH)
            block = data[base : min(size, at + BLOCK + 2 * REACH)]
            parts = (block[: at - base], block[at - base : at - base + BLOCK], block[at - base + BLOCK :])
            before, own, after = (part.decode(self._encoding, self._errors) for part in parts)
            floor = self._block(before + own + after, base, (len(before), len(before) + len(own)), floor)
            let_go(data, at, at + BLOCK)
            watch.check()
            if self._left <= 0:
                return False
        return True

    def _block(self, text: str, base: int, span: tuple[int, int], floor: int) -> int:
        """Read one block; ``floor`` is the byte where the last path ended, and so is what is returned."""
        places: list[tuple[int, int, bool]] = []
        low = len(self._raw(text[: span[0]])) + base
        low = span[0] if floor <= low else span[0] + len(self._text(text[span[0] :], floor - low))
        for hit in self._ends.finditer(text, span[0], min(len(text), span[1] + 16)):
            if hit.start() >= span[1]:
                break
            self._left -= 1
            if self._left < 0:
                break
            first = max(low if places or floor else 0, hit.start() - REACH)
            shape = ending(text[first : hit.end() + 300], hit.start() - first, hit.end() - first)
            if shape:
                places.append((first + shape.start, first + shape.end, shape.sure))
                low = first + shape.end
        places.extend(self._free_starts(text, span, places))
        here, at = base, 0
        for start, end, sure in sorted(places):
            here, at = here + len(self._raw(text[at:start])), start
            floor = max(floor, here + len(self._raw(text[start:end])))
            self._add(text[start:end], here, sure)
        return floor

    def _raw(self, text: str) -> bytes:
        return text.encode(self._encoding, self._errors)

    def _text(self, text: str, size: int) -> str:
        return self._raw(text)[:size].decode(self._encoding, "ignore")

    def _free_starts(
        self, text: str, span: tuple[int, int], taken: list[tuple[int, int, bool]]
    ) -> Iterator[tuple[int, int, bool]]:
        """Yield the paths that begin as paths do, outside of what is taken and of one another."""
        index = free = 0
        most = max(0, self._left)
        found = (islice(pattern.finditer(text, *span), most) for pattern in TEXT_STARTS)
        hits = sorted(hit.start() for hits in found for hit in hits)[:most]
        self._left -= len(hits)
        taken = list(taken)
        for at in hits:
            while index < len(taken) and taken[index][1] <= at:
                index += 1
            if at < free or (index < len(taken) and taken[index][0] <= at):
                continue
            first = max(0, at - 120)
            shape: Shape | None = beginning(text[first : at + REACH], at - first, "utf-8")
            if shape:
                free = first + shape.end
                yield first + shape.start, first + shape.end, shape.sure
