"""What always stands around names of an unknown format: bytes that nearly never differ, before them and behind."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple, Protocol

_BEFORE: Final = 8
_BEHIND: Final = 4
"""Bytes looked at on either side."""
_LEAST: Final = 10
"""Names it takes to say what always stands around them."""
_EACH: Final = 8
"""Times as many names as different bytes it takes before no other byte is expected."""


class Surrounded(Protocol):
    """A place where a name ends; see :class:`~companion.contents.reading.layouts.Spot`."""

    window: bytes
    base: int
    ends: tuple[int, ...]
    start: int
    before: int
    after: int


class Context(NamedTuple):
    """The bytes that may stand so far before the field of a name, and so far behind its end.

    field: bytes between where the field begins, with its count, and the name itself. What belongs to the names before
    and behind is never looked at. The first name of a run may have anything before it unless it is held ``always``, as
    behind a count that any letter may be, and the last anything behind.
    """

    field: int = 0
    always: bool = False
    before: tuple[tuple[int, frozenset[int]], ...] = ()
    behind: tuple[tuple[int, frozenset[int]], ...] = ()

    def holds(self, spot: Surrounded, at: int, end: int) -> bool:
        """Tell whether a name from ``at`` to ``end`` stands among the same bytes as the known ones."""
        window, here, there = spot.window, at - self.field - spot.base, end - spot.base
        if spot.before >= 0 or self.always:
            free = max(0, spot.before - spot.base)
            if here < free:
                return False
            for distance, values in self.before:
                if here - distance >= free and window[here - distance] not in values:
                    return False
        if spot.after >= 0:
            free = min(len(window), spot.after - spot.base)
            for distance, values in self.behind:
                if there + distance < free and window[there + distance] not in values:
                    return False
        return True


def context_of(spots: Sequence[Surrounded], field: int, always: bool = False) -> Context:
    """Return what stands around the names that are known at ``spots``, behind fields of so many bytes.

    A byte is believed to hold of all when each value was met twice at least, and there are few: then the chance that
    the next one is new is small (Good 1953: about the share of those met once).
    """
    before: list[_Seen] = [{} for _ in range(_BEFORE)]
    behind: list[_Seen] = [{} for _ in range(_BEHIND)]
    for spot in spots:
        here, there = spot.start - field - spot.base, spot.ends[0] - spot.base
        length = there - here
        if spot.before >= 0:
            free = max(0, spot.before - spot.base)
            for distance, seen in enumerate(before, 1):
                if here - distance >= free:
                    seen.setdefault(spot.window[here - distance], []).append(length)
        if spot.after >= 0:
            free = min(len(spot.window), spot.after - spot.base)
            for distance, seen in enumerate(behind):
                if there + distance < free:
                    seen.setdefault(spot.window[there + distance], []).append(length)
    near = behind[:1] if 0 in behind[0] else behind  # how much padding follows depends on the length
    return Context(
        field,
        always,
        tuple((distance, frozenset(seen)) for distance, seen in enumerate(before, 1) if _holds(seen)),
        tuple((distance, frozenset(seen)) for distance, seen in enumerate(near) if _holds(seen)),
    )


_Seen = dict[int, list[int]]
"""The lengths of the names that each byte was met beside."""


def _holds(seen: _Seen) -> bool:
    """Tell whether no other byte is to be expected, nor for names longer or shorter than those that were met."""
    lengths = sorted(length for found in seen.values() for length in found)
    if len(lengths) < max(_LEAST, _EACH * len(seen)) or min(map(len, seen.values())) < 2:
        return False
    low, high = lengths[len(lengths) // 4], lengths[-1 - len(lengths) // 4]
    if len(seen) == 1:
        return lengths[1] < lengths[-2]  # beside names of one length it may be their length
    return all(min(found) <= low and max(found) >= high for found in seen.values())
