"""How bytes of an unknown format lay out the names in them, learned from the names that are known.

What stands around names that lie in the folder tells how any name is written here: behind a count, behind certain
bytes, a constant distance behind the name before it, or at a place in records of one size. A way of writing is believed
when it gives the beginnings of the known names right, and is then asked where the others begin.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import gcd, log2
from typing import Final, NamedTuple

import msgspec

LEARN: Final = 10
"""Known names it takes to learn from."""
AGREE: Final = 8
"""How many of them a way of writing must give right before it is believed: the first may have nothing before it."""
RIGHT: Final = 0.985
"""Share of the beginnings it gives that must be right."""
_MARKED: Final = 16
_LENGTHS: Final = 3
"""Different lengths it takes to tell a number that counts more than the name from any number."""
MOST_TRIED: Final = 600
"""Known names a way is tried on, evenly spread."""
_DIGIT, _LETTER = 3.3, 4.7
"""Bits that a digit and any other character of a name are worth: how rarely another name ends in the same."""
_STRONG: Final = 7
"""So many bits beyond those that tell the known names apart, and no other name ends in one by chance."""
_FEW: Final = 3
"""Strong names it takes to leave the judgement to them."""
_WORD: Final = 3
"""So many characters more in front of a name are a word, and fewer may be bytes that happen to be letters."""
_TAG: Final = 4
"""Letters that make a mark in front of names."""
_LONGER: Final = re.compile(r"[^\W_][\w .,()\[\]{}+&'#@!~=$%^/\\\u0300-\u036f-]*|[_(\[#.]+[\w -]*")


class Spot(msgspec.Struct, gc=False):
    """A place where a name ends; all places are bytes from the start of the run they lie in.

    window: the bytes around it, from ``base`` on. low: no name begins before. dot: where its extension begins. ends:
    where it may end, the longest extension first. before: where the name before it ends, or -1. start: where the name
    that is known begins, or -1; code: how it is encoded.
    """

    window: bytes
    base: int
    low: int
    dot: int
    ends: tuple[int, ...]
    unit: int
    start: int = -1
    code: str = ""
    before: int = -1


class Counted(NamedTuple):
    """Behind its length in ``width`` bytes, which counts characters of ``size`` bytes, and ``extra`` bytes besides: a
    closing zero, itself, or a mark for text.

    first: of several places that fit, the one furthest in front. most: the greatest length it tells, in bytes, where
    the number holds a mark as well. mark: bytes that stand in front of it.
    """

    width: int
    big: bool
    unit: int
    size: int
    extra: int = 0
    first: bool = False
    most: int = 0
    mark: bytes = b""

    @property
    def text(self) -> str:
        return f"after {'an' if self.width == 1 else 'a'} {self.width * 8}-bit count"

    def besides(self, spot: Spot, at: int, end: int) -> int | None:
        """Return how many bytes more than from ``at`` to ``end`` the number in front of ``at`` counts."""
        here = at - spot.base
        if here < self.width:
            return None
        count = int.from_bytes(spot.window[here - self.width : here], "big" if self.big else "little")
        return count * self.size - (end - at)

    def fits(self, spot: Spot, at: int, end: int) -> bool:
        """Tell whether the length of what stands from ``at`` to ``end`` stands in front of it."""
        if self.besides(spot, at, end) != self.extra or (self.most and end - at > self.most):
            return False
        return not self.mark or spot.window[: at - self.width - spot.base].endswith(self.mark)

    def begins(self, spot: Spot) -> tuple[int, int] | None:
        """Return (begin, end) of the name at ``spot``, or None where it is not written this way."""
        found = None
        for end in spot.ends:
            for at in (
                range(spot.dot - self.unit, spot.low - 1, -self.unit) if self.width <= self.unit else self._few(spot)
            ):
                if self.fits(spot, at, end):
                    found = (at, end)
                    if not self.first:
                        return found
            if found:
                return found
        return found

    def _few(self, spot: Spot) -> tuple[int, ...]:
        """The zeros of a wide count stop a run of text, so that the name begins at the run, or one or two units in."""
        return tuple(at for at in (spot.low, *((spot.low + self.unit,) if self.big else ())) if at < spot.dot)


class Behind(NamedTuple):
    """Behind certain bytes."""

    mark: bytes
    unit: int

    @property
    def text(self) -> str:
        return "after the same bytes" if self.mark.strip(b"\0") else "after a zero"

    def begins(self, spot: Spot) -> tuple[int, int] | None:
        """Return (begin, end) of the name at ``spot``, or None where it is not written this way."""
        size, dot = len(self.mark), spot.dot - spot.base
        low, at = max(0, spot.low - spot.base - size), dot
        while (at := spot.window.rfind(self.mark, low, at + size - 1)) >= 0:
            if (dot - at - size) % self.unit == 0 and at + size < dot:
                return spot.base + at + size, spot.ends[0]
        return None


class Chained(NamedTuple):
    """So many bytes behind the name before it, moved up to a multiple of ``align`` (at ``phase``)."""

    gap: int
    align: int
    phase: int

    @property
    def text(self) -> str:
        return f"{self.gap} bytes behind the one before" if self.gap else "right behind the one before"

    def begins(self, spot: Spot) -> tuple[int, int] | None:
        """Return (begin, end) of the name at ``spot``, or None where it is not written this way."""
        if spot.before < 0:
            return None
        at = spot.before + self.gap
        at += (self.phase - at) % self.align
        return (at, spot.ends[0]) if spot.low <= at < spot.dot else None


class Recorded(NamedTuple):
    """At the same place in records of one size."""

    size: int
    phase: int

    @property
    def text(self) -> str:
        return f"in records of {self.size:,} bytes"

    def begins(self, spot: Spot) -> tuple[int, int] | None:
        """Return (begin, end) of the name at ``spot``, or None where it is not written this way."""
        at = spot.dot - 1
        at -= (at - self.phase) % self.size
        return (at, spot.ends[0]) if spot.low <= at else None


Way = Counted | Behind | Chained | Recorded


def _counted(sample: Sequence[Spot], unit: int) -> Iterator[Way]:
    for width in (8, 4, 3, 2, 1):
        for big in (False, True) if width > 1 else (False,):
            for size in (1, 2) if unit == 2 else (1,):
                way = Counted(width, big, unit, size)
                lengths: dict[int | None, list[int]] = {}
                for spot in sample:
                    besides = way.besides(spot, spot.start, spot.ends[0])
                    lengths.setdefault(besides, []).append(spot.ends[0] - spot.start)
                for extra, found in sorted(lengths.items(), key=lambda item: -len(item[1]))[:2]:
                    plain = extra in (0, unit) or len(set(found)) >= _LENGTHS
                    if extra is not None and plain and len(found) >= max(AGREE, 0.1 * len(sample)):
                        most = _most(extra // size, max(found) // size) * size
                        one = way._replace(extra=extra, most=most)
                        yield from (one, one._replace(first=True))
                        fitting = [spot for spot in sample if one.fits(spot, spot.start, spot.ends[0])]
                        yield from (one._replace(mark=mark) for mark in _marks(fitting, width))


def _most(extra: int, longest: int) -> int:
    """Return the greatest length that a number tells which counts ``extra`` besides, 0 for any.

    Much besides is a mark in the upper bits, and the length has those below: as many as ``longest`` takes.
    """
    return 0 if extra < _MARKED else max(longest, min((extra & -extra) - 1, (1 << longest.bit_length()) - 1))


def _marks(fitting: Sequence[Spot], width: int) -> Iterator[bytes]:
    """Yield the bytes that stand in front of the count of nearly all of ``fitting``, the fewest first."""
    for size in (1, 2):
        places = (spot.start - spot.base - width for spot in fitting)
        common = Counter(spot.window[max(0, at - size) : at] for spot, at in zip(fitting, places, strict=True))
        mark, times = common.most_common(1)[0]
        if len(mark) == size and times >= max(AGREE, 0.8 * len(fitting)):
            yield mark


def _behind(known: Sequence[Spot], unit: int) -> Iterator[Way]:
    several = len({spot.ends[0] - spot.start for spot in known}) > 1
    for size in (8, 6, 4, 3, 2, 1):
        marks: dict[bytes, list[int]] = {}
        for spot in known:
            if (at := spot.start - spot.base) >= size:
                marks.setdefault(spot.window[at - size : at], []).append(spot.ends[0] - spot.start)
        for mark, lengths in sorted(marks.items(), key=lambda item: -len(item[1]))[:2]:
            # In front of names of one length only it would be a count; a letter or two may stand in any name.
            odd = (several and len(set(lengths)) == 1) or (size < _TAG * unit and mark[-unit:].strip(b"\0").isalnum())
            if len(lengths) >= max(AGREE, 0.2 * len(known)) and not odd:
                yield Behind(mark, unit)


def _chained(known: Sequence[Spot]) -> Iterator[Way]:
    pairs = [spot for spot in known if spot.before >= 0]
    for gap, times in Counter(spot.start - spot.before for spot in pairs).most_common(2):
        if times >= AGREE and gap >= 0:
            yield Chained(gap, 1, 0)
    for align in (16, 8, 4, 2):
        for phase, times in Counter(spot.start % align for spot in pairs).most_common(1):
            if times >= max(AGREE, 0.9 * len(pairs)):
                gaps = sorted({spot.start - spot.before for spot in pairs if spot.start % align == phase})
                yield from (Chained(gap, align, phase) for gap in gaps[:3] if gap >= 0)


def _recorded(known: Sequence[Spot]) -> Iterator[Way]:
    starts = sorted(spot.start for spot in known)
    steps = [after - before for before, after in pairwise(starts)]
    common = [step for step, _ in Counter(steps).most_common(3)]
    for size in dict.fromkeys([*common, gcd(*steps)]):
        if size >= 8:
            phase, times = Counter(start % size for start in starts).most_common(1)[0]
            if times >= AGREE:
                yield Recorded(size, phase)


class Believed(NamedTuple):
    """A way of writing, which share of the known names it gave right, 0 to 1, and whether it gave none wrong."""

    way: Way
    share: float
    clean: bool


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


def learn(known: Sequence[Spot], unit: int) -> list[Believed]:
    """Return the ways of writing that give the beginnings of ``known`` right, those that give most of them first.

    unit: bytes of a character. What may be a longer name that ends in a known one speaks for no way and against none.
    """
    if len(known) < LEARN:
        return []
    sample = known[:: max(1, len(known) // MOST_TRIED)]
    least = strong_from(known)
    strong = [bits_of(spot) >= least for spot in sample]
    if sum(strong) < _FEW:
        strong = [True] * len(sample)
    ways = (*_counted(sample, unit), *_behind(known, unit), *_chained(known), *_recorded(known))
    believed: list[Believed] = []
    for way in dict.fromkeys(ways):
        right = wrong = longer = 0
        for spot, is_strong in zip(sample, strong, strict=True):
            found = way.begins(spot)
            if found is None:
                continue
            if found[0] == spot.start:
                right += 1
            elif isinstance(way, Counted) and way.width > 1 and found[0] < spot.start:
                continue
            elif found[0] < spot.start and is_longer(
                between_of(spot, found[0]), is_strong, isinstance(way, Counted) or free_before(spot, found[0])
            ):
                longer += 1
            else:
                wrong += 1
        if right >= AGREE and right >= RIGHT * (right + wrong) and right >= longer:
            believed.append(Believed(way, right / len(sample), not wrong))
    return sorted(believed, key=lambda one: -one.share)
