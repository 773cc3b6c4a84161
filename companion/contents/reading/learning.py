"""Which ways of writing are believed of bytes of an unknown format: those that give known names right."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from math import log2
from typing import Final, NamedTuple

from companion.contents.reading.contexts import Context, context_of
from companion.contents.reading.layouts import (
    AGREE,
    COUNTS,
    MOST_TRIED,
    Chained,
    Counted,
    Recorded,
    Spot,
    Way,
    further_ways,
    some_of,
    ways_of,
)

LEARN: Final = 10
"""Known names it takes to learn from."""
RIGHT: Final = 0.985
"""Share of the beginnings a way gives that must be right."""
_MOST: Final = 0.9
"""Share of the known names that stand behind their lengths, of which none are looked for further in front then."""
_LEAST: Final[Mapping[type, float]] = {Recorded: 0.3, Chained: 0.2}
"""Share of the known names that ways must give which arithmetic alone gives some of."""
_DIGIT, _LETTER = 3.3, 4.7
"""Bits that a digit and any other character of a name are worth: how rarely another name ends in the same."""
_STRONG: Final = 7
"""So many bits beyond those that tell the known names apart, and no other name ends in one by chance."""
_FEW: Final = 3
"""Strong names it takes to leave the judgement to them."""
_WORD: Final = 3
"""So many characters more in front of a name are a word, and fewer may be bytes that happen to be letters."""
_LONGER: Final = re.compile(r"[^\W_][\w .,()\[\]{}+&'#@!~=$%^/\\\u0300-\u036f-]*|[_(\[#.]+[\w -]*")


class Believed(NamedTuple):
    """A way of writing, which share of the known names it gave right, 0 to 1, and whether it gave none wrong.

    context: what stands around all that are written so. first: of several places that fit, the one furthest in front.
    """

    way: Way
    share: float
    clean: bool
    context: Context
    first: bool = False

    def places(self, spot: Spot) -> list[tuple[int, int]]:
        """Return every (begin, end) that fits at ``spot``, the shortest first."""
        return [place for place in self.way.places(spot) if self.context.holds(spot, *place)]

    def begins(self, spot: Spot) -> tuple[int, int] | None:
        """Return (begin, end) of the name at ``spot``, or None where it is not written this way."""
        return _chosen(self.places(spot), self.first)


def _chosen(places: list[tuple[int, int]], first: bool) -> tuple[int, int] | None:
    """Return the shortest of ``places``, all of the end that comes first among them, or where ``first`` the longest."""
    if not places:
        return None
    return [place for place in places if place[1] == places[0][1]][-1] if first else places[0]


def bits_of(spot: Spot) -> float:
    """Return how much the known name at ``spot`` tells: how rarely another name ends in the same, in bits."""
    stem = spot.window[spot.start - spot.base : spot.dot - spot.base]
    digits = sum(48 <= byte < 58 for byte in stem)
    return _DIGIT * digits + _LETTER * (len(stem) // spot.unit - digits)


def strong_from(known: Sequence[Spot]) -> float:
    """Return from how many bits on (see :func:`bits_of`) no other name is likely to end in one of ``known``."""
    return log2(max(1, len(known))) + _STRONG


def free_before(spot: Spot, at: int) -> bool:
    """Tell whether nothing before ``at`` could belong to a name that begins there."""
    first = at - spot.unit - spot.base
    return at <= spot.low or not spot.window[max(0, first) : first + spot.unit].strip(b"\0").isalnum()


def is_longer(between: str, strong: bool, free: bool) -> bool:
    """Tell whether ``between``, in front of a known name, rather belongs to a longer name.

    strong: no other name ends in the known one by chance. free: see :func:`free_before`.
    """
    return free and (len(between) >= _WORD or not strong) and _LONGER.fullmatch(between) is not None


def between_of(spot: Spot, at: int) -> str:
    """Return what stands from ``at`` to the known name at ``spot``."""
    raw = spot.window[max(0, at - spot.base) : spot.start - spot.base]
    return raw.decode(spot.code or "utf-8", "replace")


class _Trial:
    """The known names that a way of writing is tried on, and whether each is strong."""

    def __init__(self, known: Sequence[Spot], rooted: Sequence[Spot]) -> None:
        self.sample = some_of(known, MOST_TRIED)
        self._rooted = some_of(rooted, MOST_TRIED)
        least = strong_from(known)
        strong = [bits_of(spot) >= least for spot in self.sample]
        self._strong = strong if sum(strong) >= _FEW else [True] * len(strong)

    def believed(self, ways: Iterable[Way]) -> list[Believed]:
        """Return those of ``ways`` that give the beginnings right."""
        return [one for way in dict.fromkeys(ways) for one in self._tried(way)]

    def _tried(self, way: Way) -> list[Believed]:
        own = [(spot, list(way.places(spot))) for spot in self.sample]
        others = [(spot, list(way.places(spot))) for spot in self._rooted]
        fitting = [spot for spot, places in (*own, *others) if any(at == spot.start for at, _ in places)]
        lengths = {spot.ends[0] - spot.start for spot in fitting}
        if len(fitting) < AGREE or (isinstance(way, Recorded) and len(lengths) == 1):
            return []  # names of one length stand so far apart wherever they stand
        context = context_of(fitting, way.field, isinstance(way, Counted) and way.width <= way.unit)
        own, others = (
            [(s, [p for p in places if context.holds(s, *p)]) for s, places in both] for both in (own, others)
        )
        several = any(len(places) > 1 for _, places in own)
        tried = (self._judged(way, context, own, others, first) for first in ((False, True) if several else (False,)))
        return [one for one in tried if one]

    def _judged(self, way: Way, context: Context, own: _Tried, others: _Tried, first: bool) -> Believed | None:
        right = wrong = longer = 0
        exact = isinstance(way, COUNTS) or (isinstance(way, Chained) and way.align == 1)
        for (spot, places), is_strong in zip(own, self._strong, strict=True):
            found = _chosen(places, first)
            if found is None:
                continue
            if found[0] == spot.start:
                right += 1
            elif isinstance(way, Counted) and way.width > 1 and found[0] < spot.start:
                continue
            elif found[0] < spot.start and is_longer(
                between_of(spot, found[0]), is_strong, exact or free_before(spot, found[0])
            ):
                longer += 1
            else:
                wrong += 1
        total = len(own)
        rooted = 0
        for spot, places in others:
            found = _chosen(places, first)
            rooted += found is not None and found[0] == spot.start
        if right + rooted < _LEAST.get(type(way), 0) * (total + len(others)):
            return None
        if right + rooted >= AGREE and right >= RIGHT * (right + wrong) and right + rooted >= longer:
            return Believed(way, (right + rooted) / (total + len(others)), not wrong, context, first)
        return None


_Tried = list[tuple[Spot, list[tuple[int, int]]]]


def learn(known: Sequence[Spot], unit: int, rooted: Sequence[Spot] = ()) -> list[Believed]:
    """Return the ways of writing that give the beginnings of ``known`` right, those that give most of them first.

    unit: bytes of a character. What may be a longer name that ends in a known one speaks for no way and against none.
    rooted: names that begin as paths do, at ``start``; they speak for a way and against none.
    """
    if len(known) < LEARN:
        return []
    trial = _Trial(known, rooted)
    believed = trial.believed(ways_of(known, unit))
    if not any(one.share >= _MOST and isinstance(one.way, Counted) for one in believed):
        believed += trial.believed(further_ways(known, unit))
    return sorted(believed, key=lambda one: -one.share)
