"""What was found in bytes: names, put together with the paths that begin by themselves, and told in words."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from companion.contents.reading.layouts import Counted, Way
from companion.contents.reading.starts import Start


class Name(NamedTuple):
    """A name as read: bytes from ``start`` to ``end`` of its run.

    sure: its beginning is certain. known: it ends in a name of the folder. way: how it is written, if that was learned.
    lead, after: the bytes around it. before: where the name before it ends. rooted: it begins as paths do.
    front: the bytes that may be its count.
    """

    text: str
    start: int
    end: int
    encoding: str
    sure: bool
    known: bool
    way: Way | None = None
    lead: bytes = b""
    after: bytes = b""
    before: int = -1
    rooted: bool = False
    front: bytes = b""


def with_starts(names: list[Name], starts: Sequence[Start]) -> list[Name]:
    """Return ``names`` and the paths that begin as paths do outside of them, in order."""
    names.sort(key=lambda name: (name.start, name.end))
    taken = [name.start for name in names]
    out = list(names)
    for start in starts:
        index = bisect_left(taken, start.end) - 1  # the last name that begins before this path ends
        if index < 0 or names[index].end <= start.start:
            out.append(Name(start.text, start.start, start.end, start.encoding, start.sure, False, rooted=True))
    return sorted(out, key=lambda name: name.start)


def described(names: Sequence[Name]) -> str:
    """Return how most names are written, in words; empty where that was not learned."""
    firsts = [name for name in names if name.before < 0 and name.sure]
    told = {way: _narrowed(way, firsts) for way in {name.way for name in names if name.way}}
    ways = Counter(told[name.way].text for name in names if name.way)
    counts = [way for way in told.values() if isinstance(way, Counted)]
    ways.update(next((w.text for w in counts if _fits(w, name)), "") for name in firsts if not name.way)
    del ways[""]
    if not ways:
        return ""
    text, times = ways.most_common(1)[0]
    sure = sum(name.sure for name in names)
    return f"{'each' if times == sure else 'mostly'} {text}"


def _narrowed(way: Way, firsts: Sequence[Name]) -> Way:
    """Return the narrower count that the first names of runs are behind, if ``way`` is that with zeros in front.

    What closes one name and the length of the next read as one long number, but for the first.
    """
    if isinstance(way, Counted) and way.big:
        for name in firsts:
            widths = [width for width in range(1, way.width + 1) if _fits(way._replace(width=width), name)]
            if widths and widths[-1] < way.width:
                return way._replace(width=widths[-1])
    return way


def _fits(way: Counted, name: Name) -> bool:
    front = name.front[: len(name.front) - way.gap]
    number = int.from_bytes(front[-way.width :], "big" if way.big else "little")
    return len(front) >= way.width and number * way.size == name.end - name.start + way.extra
