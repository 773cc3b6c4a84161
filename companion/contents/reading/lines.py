"""Which line of a text a byte stands in."""

from collections.abc import Sequence
from typing import Final

from companion.contents.reading.inflate import Buffer, let_go

_BLOCK: Final = 4 << 20


def lines_at(data: Buffer, encoding: str, offsets: Sequence[int]) -> list[int]:
    """Return the line, from 1, that each of ``offsets`` (bytes, rising) stands in.

    Lines end with LF, or CR LF; with CR where the text before the place holds no LF at all. encoding: as that of a
    mention; in UTF-16 a line end is two bytes that begin at an even one.
    """
    wide = encoding.startswith("utf-16")
    found: list[int] = []
    feeds = returns = here = 0
    for offset in offsets:
        for at in range(here, offset, _BLOCK):
            end = min(offset, at + _BLOCK)
            block = data[at:end]
            if wide:
                text = block.decode(encoding, "replace")  # blocks begin at even bytes, as letters do
                feeds, returns = feeds + text.count("\n"), returns + text.count("\r")
            else:
                feeds, returns = feeds + block.count(b"\n"), returns + block.count(b"\r")
            let_go(data, at, end)
        here = max(here, offset)
        found.append(1 + (feeds or returns))
    return found
