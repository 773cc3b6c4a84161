"""How certain it is that a name begins at a place: what is learned of the known names, weighed against chance.

Each kind of way is asked at every place where a name might begin. How often it gave the known names right, and how
often it fitted at other places in the same text, are its two rates; their ratio is what it is worth at a place (the
log-likelihood ratio, in bits). A place is certain where it is worth so much more than all the others together.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from math import log2
from typing import Final

from companion.contents.reading.layouts import COUNTS, Behind, Chained, Counted, Recorded, Sized, Spot, some_of
from companion.contents.reading.learning import Believed, between_of, bits_of, is_longer
from companion.contents.reading.names import FolderNames, decoded
from companion.contents.reading.shapes import STOP, is_rare, plausible

CERTAIN: Final = 6.0
"""Bits between the best place and all the others."""
_TRIED: Final = 200
_MOST: Final = 0.9
_ROOTED, _PERHAPS = 10.0, 3.0
"""What a root, home or climb is worth where only a path stands, and where other things may."""
_STRONG_NAME, _NAME, _FOLDER = 4.0, 1.0, 4.0
"""What a known name is worth, one that others may end in, and a folder of the known names in front."""
_ODD: Final = -12.0
_CUT: Final = -8.0
_SPACE: Final = -4.0
_Place = tuple[int, int]

_KINDS: Final[Mapping[type, str]] = {
    Counted: "count",
    Sized: "count",
    Behind: "edge",
    Chained: "chain",
    Recorded: "record",
}


_Kinds = set[str | int]
"""Kinds, and of ways with counts their numbers too."""
_TOLD: Final = {"count", "chain", "record"}
_ONCE: Final = ("edge", "chain", "record")
"""Kinds that name one place, or none: what they are worth is how often that was right."""


class Certainty:
    """Weighs the places where names may begin in one encoding, by what was learned there."""

    def __init__(self, ways: Sequence[Believed], known: Sequence[Spot], names: FolderNames, least: float) -> None:
        self._ways, self._names, self._least = ways, names, least
        # Where names begin as text does, but for this: the last byte of a length may be text as well.
        self._told = any(
            isinstance(one.way, Behind) or (isinstance(one.way, COUNTS) and one.share >= _MOST) for one in ways
        )
        self._asked: Sequence[int] = range(len(ways))
        right: Counter[str | int] = Counter()
        wrong: Counter[str | int] = Counter()
        asked = places = 0
        tried = [(spot, self._kinds(spot)) for spot in (some_of(known, _TRIED) if ways else ())]
        for spot, fitting in tried:
            if any(at < spot.start and self._longer(spot, at) for (at, _), kinds in fitting.items() if kinds & _TOLD):
                continue  # rather a name that ends in a known one
            asked += 1
            places += (spot.dot - spot.low) // spot.unit
            for place, kinds in fitting.items():
                if place[0] == spot.start:
                    right.update(kinds)
                elif place[0] > spot.start or not self._longer(spot, place[0]):
                    wrong.update(kinds)
        self._share = {kind: _share(right[kind], wrong[kind]) for kind in _ONCE if right[kind] + wrong[kind]}
        self._asked = _unlike(ways, [fitting for _, fitting in tried])
        self._fits: dict[str | int, float] = {}
        for number in self._asked:
            if isinstance(ways[number].way, COUNTS) and right[number]:
                chance = (wrong[number] + 0.5) / (places + 1)
                self._fits[number] = log2(_share(right[number], asked - right[number]) / chance)
        self._main = max(
            self._fits, key=lambda number: (round(ways[int(number)].share, 2), self._fits[number]), default=-1
        )
        self._other = log2(1 - _share(right[self._main], asked - right[self._main]))
        counts = _share(right["count"], asked - right["count"])
        self._lacks = log2(1 - counts) if right["count"] else 0.0

    def _worth(self, kinds: _Kinds, told: _Kinds, among: int) -> float:
        """Return what a place is worth at which ``kinds`` fit, of those that fit anywhere (``told``), in bits."""
        if self._main in kinds:
            worth = self._fits[self._main]
        else:  # a length in another form is worth less the rarer it is
            fits = [self._fits[kind] for kind in kinds if kind in self._fits]
            worth = max(fits) + self._other if fits else self._lacks
        lacks = {"edge": 0.0, "chain": 0.0}
        for kind, share in self._share.items():
            if kind in told and kind in kinds:
                worth += log2(share)
            elif kind in told:  # what escapes a chain of names escapes records as well
                group = "edge" if kind == "edge" else "chain"
                lacks[group] = min(lacks[group], log2((1 - share) / among))
        return worth + sum(lacks.values())

    def place(self, spot: Spot, start: int, start_sure: bool, code: str) -> tuple[_Place, Believed | None] | None:
        """Return (begin, end) of the name at ``spot`` and the way that says so, or None where that is not certain.

        start: where a path begins in its run by itself, or -1, and whether only a path stands there.
        """
        if not self._ways:
            return None
        fitting = self._kinds(spot)
        own = (spot.start, spot.ends[0])
        for at in (start, spot.start):
            if spot.low <= at < spot.dot:
                fitting.setdefault((at, spot.ends[0]), set())
        told = set().union(*fitting.values())
        among = (spot.dot - spot.low) // spot.unit + 1
        scores = {}
        if any(start in range(at - self._field(kinds), at) for (at, _), kinds in fitting.items()):
            start_sure = False  # what looks like its beginning may be the length of what is behind it
        for place, kinds in fitting.items():
            score = self._worth(kinds, told, among)
            if place[0] == start:
                score += _ROOTED if start_sure else _PERHAPS
            if place == own:
                score += _STRONG_NAME if bits_of(spot) >= self._least else _NAME
            scores[place] = score + self._text(spot, place, code, "count" in kinds)
        if not scores:
            return None
        best = max(scores, key=lambda place: (scores[place], -place[0]))
        others = sum(2.0 ** max(-60, score) for place, score in scores.items() if place != best)
        others += among * 2.0 ** max(-60, self._worth(set(), told, among))
        if scores[best] - log2(others) < CERTAIN:
            return None
        return best, next((one for one in self._ways if best in one.places(spot)), None)

    def _field(self, kinds: _Kinds) -> int:
        return max((self._ways[kind].way.field for kind in kinds if isinstance(kind, int)), default=0)

    def _kinds(self, spot: Spot) -> dict[_Place, _Kinds]:
        found: dict[_Place, _Kinds] = {}
        for number in self._asked:
            one = self._ways[number]
            for place in one.places(spot):
                found.setdefault(place, set()).update((_KINDS[type(one.way)], number))
        if not self._told and spot.low > spot.before:  # else the name before tells, and not the text
            found.setdefault((spot.low, spot.ends[0]), set()).add("edge")
        return found

    def _longer(self, spot: Spot, at: int) -> bool:
        between = between_of(spot, at)
        return between[-1:] in ("/", "\\") or is_longer(between, bits_of(spot) >= self._least, True)

    def _text(self, spot: Spot, place: _Place, code: str, counted: bool) -> float:
        """Return what the text at ``place`` is worth as the text of a name."""
        raw = spot.window[place[0] - spot.base : place[1] - spot.base]
        text, _ = decoded(raw, code)
        score = 0.0
        if not self._names.rare and is_rare(text):
            score += _ODD
        if STOP.search(text):
            score += _ODD
        if text[:1] == " ":
            score += _SPACE
        if not plausible(text[: text.rfind(".")]):
            score += _ODD
        if spot.start >= 0 and place[0] < spot.start and not self._longer(spot, place[0]):
            score += _CUT
        before = spot.window[max(0, place[0] - spot.unit - spot.base) : place[0] - spot.base].strip(b"\0")
        if before in (b"/", b"\\") and place[0] > spot.low and not counted:
            score += _CUT
        if self._names.begins(text):
            score += _FOLDER
        return score


def _share(right: int, wrong: int) -> float:
    """Return the share to expect of ``right``: most layouts know no exception, so that little is added to ``wrong``."""
    return (right + 0.5) / (right + wrong + 0.6)


def _unlike(ways: Sequence[Believed], tried: Sequence[Mapping[_Place, _Kinds]]) -> list[int]:
    """Return the numbers of ``ways`` without those that fit where an earlier one does, at every place tried."""
    fitting: dict[tuple[type, tuple[_Place, ...]], int] = {}
    for number, one in enumerate(ways):
        fits = tuple(place for found in tried for place, kinds in found.items() if number in kinds)
        fitting.setdefault((type(one.way), fits), number)
    return list(fitting.values())
