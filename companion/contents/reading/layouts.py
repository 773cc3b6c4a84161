"""How bytes of an unknown format lay out the names in them: the ways of writing, and those that known names suggest.

What stands around names that lie in the folder tells how any name is written here: behind a count, behind certain
bytes, a constant distance behind the name before it, or at a place in records of one size.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import gcd
from random import Random
from typing import Final, Literal, NamedTuple

import msgspec

AGREE: Final = 8
"""How many known names a way of writing must give right before it is believed: the first may have nothing before it."""
_MARKED: Final = 16
_LENGTHS: Final = 3
"""Different lengths it takes to tell a number that counts more than the name from any number."""
_TAG: Final = 4
"""Letters that make a mark in front of names."""
_HALF: Final = 0.5
"""Share of the known names that a number further in front must count."""
MOST_TRIED: Final = 600
"""Known names a way is tried on."""
_TRIED: Final = 200
"""Known names that numbers further in front are looked for at."""
_GAPS: Final = (1, 2, 3, 4, 8)
_FURTHEST: Final = 9


class Spot(msgspec.Struct, gc=False):
    """A place where a name ends; all places are bytes from the start of the run they lie in.

    window: the bytes around it, from ``base`` on. low: no name begins before. dot: where its extension begins. ends:
    where it may end, the longest extension first. before: where the name before it ends, or -1. start: where the name
    that is known begins, or -1; code: how it is encoded. after: where
    the run of text begins in which the next name ends, or -1.
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
    after: int = -1


class Counted(NamedTuple):
    """Behind its length in ``width`` bytes, which counts characters of ``size`` bytes, and ``extra`` bytes besides: a
    closing zero, itself, or a mark for text.

    gap: bytes between the number and the name. most: the greatest length it tells, in bytes, where the number holds a
    mark as well. mark: bytes that stand in front of it.
    """

    width: int
    big: bool
    unit: int
    size: int
    extra: int = 0
    gap: int = 0
    most: int = 0
    mark: bytes = b""

    @property
    def text(self) -> str:
        return f"after {'an' if self.width == 1 else 'a'} {self.width * 8}-bit count"

    @property
    def field(self) -> int:
        """Bytes in front of the name that belong to it."""
        return self.width + self.gap

    def besides(self, spot: Spot, at: int, end: int) -> int | None:
        """Return how many bytes more than from ``at`` to ``end`` the number in front of ``at`` counts."""
        here = at - spot.base - self.gap
        if here < self.width:
            return None
        count = int.from_bytes(spot.window[here - self.width : here], "big" if self.big else "little")
        return count * self.size - (end - at)

    def fits(self, spot: Spot, at: int, end: int) -> bool:
        """Tell whether the length of what stands from ``at`` to ``end`` stands in front of it."""
        if self.besides(spot, at, end) != self.extra or (self.most and end - at > self.most):
            return False
        return not self.mark or spot.window[: at - self.field - spot.base].endswith(self.mark)

    def places(self, spot: Spot) -> Iterator[tuple[int, int]]:
        """Yield (begin, end) of what stands at ``spot`` behind its length, the shortest first."""
        window, size = spot.window, self.size
        order: Literal["big", "little"] = "big" if self.big else "little"
        first = max(spot.low, spot.base + self.field)
        first += (spot.dot - first) % spot.unit
        for end in spot.ends:
            least = max(first, end + self.extra - size * (256**self.width - 1))  # a number tells no more
            least += (spot.dot - least) % spot.unit
            for at in (
                self._bytes(spot, end, least)
                if self.width == spot.unit == 1
                else range(self._last(spot), least - 1, -spot.unit)
            ):
                here = at - spot.base - self.gap
                count = int.from_bytes(window[here - self.width : here], order)
                if count * size == end - at + self.extra and self.fits(spot, at, end):
                    yield at, end

    def _bytes(self, spot: Spot, end: int, least: int) -> list[int]:
        """Return where a name may begin, from its ``least`` place on, whose length is in the byte before: quickly."""
        front = spot.window[max(0, least - spot.base - self.field) : max(0, spot.dot - spot.base - self.field)]
        longest = end - least + self.extra
        wanted = range(longest, longest - len(front), -1)
        return [least + n for n, (byte, length) in enumerate(zip(front, wanted, strict=True)) if byte == length][::-1]

    def _last(self, spot: Spot) -> int:
        """The zeros of a wide count stop a run of text, so that the name begins at the run, or one or two units in."""
        last = spot.dot - spot.unit
        if self.width > self.unit:
            last = min(last, spot.low + (self.unit if self.big else 0) + self.gap // self.unit * self.unit)
        return last


class Sized(NamedTuple):
    """``size`` × its length + ``extra`` is a number that ends ``back`` bytes in front of the text in which it is last.

    width: bytes of the number; 0 for seven bits a byte, of which all but the last (where ``big``, else all but the one
    furthest behind, which is the same) have the eighth bit set.
    """

    width: int
    big: bool
    back: int
    size: int
    extra: int

    @property
    def text(self) -> str:
        return "at the end of texts whose sizes stand in front"

    @property
    def field(self) -> int:
        """Bytes in front of the name that belong to it."""
        return 0

    def number(self, spot: Spot) -> int | None:
        """Return the number at its place before ``spot``, or None where there is none."""
        end = spot.low - spot.base - self.back
        start = end - self.width
        if not self.width:
            start = end - 1
            if start < 0 or spot.window[start] > 127:
                return None
            while start > 0 and end - start < 3 and spot.window[start - 1] > 127:
                start -= 1
            digits = [byte & 127 for byte in spot.window[start:end]]
            return sum(digit << 7 * n for n, digit in enumerate(reversed(digits) if self.big else digits))
        return int.from_bytes(spot.window[start:end], "big" if self.big else "little") if start >= 0 else None

    def places(self, spot: Spot) -> Iterator[tuple[int, int]]:
        """Yield (begin, end) of the name at ``spot``, where it is written this way."""
        number = self.number(spot)
        for end in spot.ends if number is not None else ():
            length, rest = divmod((number or 0) - self.extra, self.size)
            if not rest and not length % spot.unit and spot.low <= end - length < spot.dot:
                yield end - length, end


class Behind(NamedTuple):
    """Behind certain bytes."""

    mark: bytes
    unit: int

    @property
    def text(self) -> str:
        return "after the same bytes" if self.mark.strip(b"\0") else "after a zero"

    @property
    def field(self) -> int:
        """Bytes in front of the name that belong to it."""
        return len(self.mark)

    def places(self, spot: Spot) -> Iterator[tuple[int, int]]:
        """Yield (begin, end) of the name at ``spot``, where it is written this way."""
        size, dot = len(self.mark), spot.dot - spot.base
        low, at = max(0, spot.low - spot.base - size, spot.before - spot.base), dot
        while (at := spot.window.rfind(self.mark, low, at + size - 1)) >= 0:
            if (dot - at - size) % self.unit == 0 and at + size < dot:
                yield spot.base + at + size, spot.ends[0]
                return


class Chained(NamedTuple):
    """So many bytes behind the name before it, moved up to a multiple of ``align`` (at ``phase``)."""

    gap: int
    align: int
    phase: int

    @property
    def text(self) -> str:
        return f"{self.gap} bytes behind the one before" if self.gap else "right behind the one before"

    @property
    def field(self) -> int:
        """Bytes in front of the name that belong to it."""
        return 0

    def places(self, spot: Spot) -> Iterator[tuple[int, int]]:
        """Yield (begin, end) of the name at ``spot``, where it is written this way."""
        at = spot.before + self.gap
        at += (self.phase - at) % self.align
        if spot.before >= 0 and spot.low <= at < spot.dot:
            yield at, spot.ends[0]


class Recorded(NamedTuple):
    """At the same place in records of one size."""

    size: int
    phase: int

    @property
    def text(self) -> str:
        return f"in records of {self.size:,} bytes"

    @property
    def field(self) -> int:
        """Bytes in front of the name that belong to it."""
        return 0

    def places(self, spot: Spot) -> Iterator[tuple[int, int]]:
        """Yield (begin, end) of the name at ``spot``, where it is written this way."""
        at = spot.dot - 1
        at -= (at - self.phase) % self.size
        if spot.low <= at:
            yield at, spot.ends[0]


COUNTS: Final = (Counted, Sized)
"""The ways in which the length of a name is written."""
Way = Counted | Sized | Behind | Chained | Recorded


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
                        yield one
                        fitting = [spot for spot in sample if one.fits(spot, spot.start, spot.ends[0])]
                        yield from (one._replace(mark=mark) for mark in _marks(fitting, width))


def _further(sample: Sequence[Spot], unit: int) -> Iterator[Way]:
    """Yield the ways in which a number that does not stand right in front of most of ``sample`` counts them."""
    least = max(AGREE, _HALF * len(sample))
    lengths = [spot.ends[0] - spot.start for spot in sample]
    if len(set(lengths)) < _LENGTHS:
        return
    forms = [(width, big) for width in (4, 2, 1) for big in ((False, True) if width > 1 else (False,))]
    for width, big in forms:
        for size in (1, 2) if unit == 2 else (1,):
            for gap in _GAPS:
                way = Counted(width, big, unit, size, gap=gap)
                besides = Counter(way.besides(spot, spot.start, spot.ends[0]) for spot in sample)
                extra, times = besides.most_common(1)[0]
                if extra is not None and times >= least and _several(sample, way._replace(extra=extra)):
                    yield way._replace(extra=extra)
    for width, big in (*forms, (0, False), (0, True)):
        for back in range(_FURTHEST):
            numbers = [Sized(width, big, back, 1, 0).number(spot) for spot in sample]
            for size in (1, 2):
                pairs = zip(numbers, lengths, strict=True)
                extras = Counter(number - size * length for number, length in pairs if number is not None)
                if extras and extras.most_common(1)[0][1] >= least:
                    sized = Sized(width, big, back, size, extras.most_common(1)[0][0])
                    if _several(sample, sized):
                        yield sized


def _several(sample: Sequence[Spot], way: Counted | Sized) -> bool:
    """Tell whether ``way`` fits names of several lengths."""
    fitting = {spot.ends[0] - spot.start for spot in sample if (spot.start, spot.ends[0]) in way.places(spot)}
    return len(fitting) >= _LENGTHS


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
            if (at := spot.start - spot.base) >= size and spot.start - size >= spot.before:
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
    several = len({spot.start - spot.before for spot in pairs}) > 1
    for align in (16, 8, 4, 2) if several else ():
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


def some_of(spots: Sequence[Spot], most: int) -> Sequence[Spot]:
    """Return ``spots``, or ``most`` of them, drawn the same way each time: every second one may be of one kind."""
    if len(spots) <= most:
        return spots
    return [spots[index] for index in sorted(Random(len(spots)).sample(range(len(spots)), most))]


def ways_of(known: Sequence[Spot], unit: int) -> Iterator[Way]:
    """Yield the ways of writing that ``known`` suggest, of characters of ``unit`` bytes."""
    yield from _counted(some_of(known, MOST_TRIED), unit)
    yield from _behind(known, unit)
    yield from _chained(known)
    yield from _recorded(known)


def further_ways(known: Sequence[Spot], unit: int) -> Iterator[Way]:
    """Yield those in which the length stands further in front; they are dearer to look for."""
    yield from _further(some_of(known, _TRIED), unit)
