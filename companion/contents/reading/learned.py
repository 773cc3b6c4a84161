"""Reading the names in bytes of an unknown format: first those of the folder, then the rest as those are laid out."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Final, NamedTuple

import msgspec

from companion.contents.reading.certainty import Certainty
from companion.contents.reading.found import Name, described, with_starts
from companion.contents.reading.inflate import Buffer, let_go
from companion.contents.reading.layouts import COUNTS, Behind, Counted, Recorded, Spot
from companion.contents.reading.learning import (
    LEARN,
    Believed,
    between_of,
    bits_of,
    free_before,
    is_longer,
    learn,
    strong_from,
)
from companion.contents.reading.names import CODE_PAGES, FolderNames, decoded
from companion.contents.reading.order import is_big, merit
from companion.contents.reading.shapes import STOP, WEAK, is_rare, plausible
from companion.contents.reading.spots import MARGIN, REACH, spot_at, suffixes_of
from companion.contents.reading.starts import Start, starts_in, weighed
from companion.core.progress import Watch

BLOCK: Final = 4 << 20
MOST_SPOTS: Final = 120_000
"""Ends of names, and beginnings of paths, looked at in one file, all parts together."""
_ENOUGH: Final = 2_000
"""Names that tell which order the bytes of wide ones are in, where there are many."""
_SHORT: Final = 4
"""Names with fewer characters before the extension end other names too often to learn from, if there are others."""
_NEARLY_ALL: Final = 0.9
_SOME: Final = 0.2
_NEAR: Final = 16
_LONG: Final = 8
"""A known name of so many characters before the extension is that name whatever its case and what stands before it."""
_ORDERS: Final = ("utf-16-le", "utf-16-be")
_BIG, _LITTLE = re.compile(rb"(?:\x00[ -~]){4,}"), re.compile(rb"(?:[ -~]\x00){4,}")
_ALONE: Final = tuple(
    Counted(width, big, unit, size, extra)
    for unit, widths in ((1, (2, 4, 8)), (2, (4, 8)))  # any wide letter may be a count of two bytes
    for width in widths
    for big in (False, True)
    for size in (1, unit)
    for extra in (0, unit)
)
"""Counts that are believed of a single name."""


class ByteRun:
    """One run of bytes, a file or a ``part`` that was unpacked, and the places found in it, by encoding."""

    def __init__(self, data: Buffer, part: bool) -> None:
        self.part, self._data = part, b"" if part else data
        self.spots: dict[str, list[Spot]] = {"utf-8": [], "utf-16-le": [], "utf-16-be": []}
        self.starts: list[Start] = []
        self.big = 0  # how many wide ASCII characters around the first names are only big-endian, less the others

    def is_left_over(self, spot: Spot, records: tuple[Recorded, ...]) -> bool:
        """Tell whether the end of a name is what was left of the record before in a buffer that is used anew."""
        end = spot.ends[0]
        return any(
            spot.low >= record.size
            and not any(at in (spot.low, spot.start) for at, _ in record.places(spot))
            and self._data[spot.low : end] == self._data[spot.low - record.size : end - record.size] != b""
            for record in records
        )


class _Trust(NamedTuple):
    """What was learned of one encoding: ways of writing with their share, the code page, and whether nothing stands
    behind names that could belong to them. least: from how many bits on a known name ends no other by chance.
    """

    ways: Sequence[Believed]
    code: str
    ends_free: bool
    least: float
    certainty: Certainty

    @property
    def zeros(self) -> bool:
        """Whether names stand behind a zero, so that one at the very beginning of a part needs none."""
        return any(isinstance(one.way, Behind) and not one.way.mark.strip(b"\0") for one in self.ways)

    @property
    def records(self) -> tuple[Recorded, ...]:
        """The records that names stand in."""
        return tuple(one.way for one in self.ways if isinstance(one.way, Recorded) and one.share >= _SOME)


class _Lesson(NamedTuple):
    """The places of each run in one encoding, where paths begin by themselves there, and what was learned of them."""

    runs: list[list[Spot]]
    begun: list[dict[int, bool]]
    trust: _Trust


class LearnedReader:
    """Collects runs of bytes of one file, then reads all of them by what is learned of all."""

    def __init__(self, suffixes: frozenset[str], names: FolderNames) -> None:
        self._suffixes, self._names = suffixes_of(suffixes), names
        self._endings = "|".join(map(re.escape, sorted(suffixes)))
        self._runs: list[ByteRun] = []
        self._left, self._tries = MOST_SPOTS, MOST_SPOTS
        self.complete = True
        self.layout = ""

    def collect(self, data: Buffer, watch: Watch, part: bool = False) -> None:
        """Find where names may end and where paths begin in ``data``, a file or a ``part`` of it."""
        run = ByteRun(data, part)
        self._runs.append(run)
        for at in range(0, len(data), BLOCK):
            base = max(0, at - REACH)
            block = data[base : at + BLOCK + REACH]
            span = (at - base, min(len(block), at - base + BLOCK))
            if not self._find_ends(run, block, base, span) and (run.spots["utf-16-le"] or run.spots["utf-16-be"]):
                first = min(spot.low for encoding in _ORDERS for spot in run.spots[encoding][:1]) - base
                around = block[max(0, first - REACH) : first + 64 * REACH]
                run.big = sum(map(len, _BIG.findall(around))) - sum(map(len, _LITTLE.findall(around)))
            starts, tried = starts_in(block, base, span, self._tries)
            run.starts += [weighed(start, len(data), self._endings) for start in starts]
            self._tries = max(0, self._tries - tried)
            let_go(data, at, at + BLOCK)
            watch.check()
            if not self._left or not self._tries:
                self.complete = False
                break

    def _find_ends(self, run: ByteRun, block: bytes, base: int, span: tuple[int, int]) -> bool:
        """Add the spots in ``span`` of ``block`` to ``run``; return whether it had wide ones before."""
        lengths = self._suffixes.lengths
        before = bool(run.spots["utf-16-le"] or run.spots["utf-16-be"])
        for hit in self._suffixes.pattern.finditer(block, span[0], min(len(block), span[1] + 32)):
            if hit.start() >= span[1]:
                break
            if not self._left:
                break
            self._left -= 1
            suffix = hit[0][1:]
            wide = suffix[:1] == b"\0"
            fitting = lengths[(suffix[1::2] if wide else suffix).decode().lower()]
            for encoding in _ORDERS if wide else ("utf-8",):
                spot = spot_at(block, base, hit, encoding, fitting, self._names)
                if spot:
                    run.spots[encoding].append(spot)
        return before

    def settle(self) -> list[list[Name]]:
        """Return the names of each run in the order they were collected, and set ``layout``."""
        narrow = self._names_of(self._learned("utf-8"))
        lessons = [self._learned(encoding) for encoding in _ORDERS]
        many = sum(len(run.spots[_ORDERS[0]]) for run in self._runs) > 2 * _ENOUGH
        orders = [self._names_of(lesson, _ENOUGH if many else MOST_SPOTS) for lesson in lessons]
        little, big = (
            merit(names) if any(map(any, orders)) else self._starts(order)
            for names, order in zip(orders, _ORDERS, strict=True)
        )
        chosen = big > little or (big == little and is_big(orders[1], sum(run.big for run in self._runs)))
        wide, encoding = self._names_of(lessons[chosen]) if many else orders[chosen], _ORDERS[chosen]
        found = []
        for run, *both in zip(self._runs, narrow, wide, strict=True):
            starts = [start for start in run.starts if start.encoding in ("utf-8", encoding)]
            found.append(with_starts([name for names in both for name in names], starts))
        self.layout = described([name for names in found for name in names])
        return found

    def _starts(self, encoding: str) -> tuple[int, ...]:
        """Return how many paths begin by themselves in ``encoding``, and how few characters beyond ASCII they hold."""
        texts = [start.text for run in self._runs for start in run.starts if start.encoding == encoding]
        return len(texts), -sum(not char.isascii() for text in texts for char in text)

    def _learned(self, encoding: str) -> _Lesson:
        """Return what is learned of the names written in ``encoding``, or in a code page where that is UTF-8."""
        runs = [run.spots[encoding] for run in self._runs]
        known = [spot for spots in runs for spot in spots if spot.start >= 0]
        usual = Counter(_suffix(spot, spot.ends[0]) for spot in known)
        for spots in runs:
            before, last = -1, 0
            for spot in spots:
                spot.low = max(spot.low, min(last, spot.dot - spot.unit))
                if len(spot.ends) > 1:
                    spot.ends = tuple(sorted(spot.ends, key=lambda end: -usual[_suffix(spot, end)]))
                spot.before, before = before, spot.ends[0]
                last = before if spot.start >= 0 else last
            for spot, behind in pairwise(spots):
                spot.after = behind.low
        codes = Counter(spot.code for spot in known if not _bytes(spot, spot.start, spot.ends[0]).isascii())
        code = codes.most_common(1)[0][0] if codes else encoding
        teachers = _teachers(known)
        begun = [{start.start: start.sure for start in run.starts if start.encoding == encoding} for run in self._runs]
        ways = learn(teachers, 1 if encoding == "utf-8" else 2, _rooted(runs, begun))
        least = strong_from(teachers)
        free = _share(known, _ends_free) >= 0.99
        trust = _Trust(ways, code, free, least, Certainty(ways, teachers, self._names, least))
        return _Lesson(runs, begun, trust)

    def _names_of(self, lesson: _Lesson, most: int = MOST_SPOTS) -> list[list[Name]]:
        """Return the names of each run by what was learned of them, of the first ``most`` places."""
        trust, found = lesson.trust, []
        for run, whole, starts in zip(self._runs, lesson.runs, lesson.begun, strict=True):
            spots = whole[:most]
            most -= len(spots)
            places = sorted(starts)
            names: list[Name] = []
            last = 0
            for spot in spots:
                spot.low = max(spot.low, min(last, spot.dot - spot.unit))
                if run.is_left_over(spot, trust.records):
                    continue
                index = bisect_left(places, spot.low)
                at = places[index] if index < len(places) and places[index] < spot.dot else -1
                sure = starts.get(at, trust.zeros)
                if at < 0 and run.part and spot.low == 0:
                    at = 0  # nothing at all stands before it
                if name := self._name(spot, trust, at, sure):
                    if not self._spells(name) and any(_is_rest(name.text, other.text) for other in names[-_NEAR:]):
                        name = name._replace(sure=False)
                    names.append(name)
                    last = name.end if name.sure else last
            found.append(names)
        return found

    def _name(self, spot: Spot, trust: _Trust, start: int, start_sure: bool) -> Name | None:
        """Return the name at ``spot``; ``start``: where a path begins in its run by itself, or -1."""
        known = spot.start >= 0
        place, believed = trust.certainty.place(spot, start, start_sure, spot.code or trust.code) or (None, None)
        way = believed.way if believed else None
        if place and start_sure and place[0] < start and not (isinstance(way, Counted) and way.width > 1):
            place, way = (start, spot.ends[0]), None  # what begins as paths do begins no later
        sure = place is not None
        if not place and (alone := _certain_alone(spot, not trust.ways)) and (not known or alone[0] <= spot.start):
            place, sure = alone, True
        counted = isinstance(way, COUNTS) or (place and not way)
        if not known and not counted and not _ends_free(spot) and (trust.ends_free or not way):
            return None
        if not place and 0 <= start <= (spot.start if known else spot.dot):
            place, sure = (start, spot.ends[0]), start_sure
        at, end = place or (spot.start if known else spot.low, spot.ends[0])
        text, encoding = decoded(_bytes(spot, at, end), spot.code or trust.code)
        if known and at < spot.start:
            between = between_of(spot, at)
            told = believed is not None or at == start or between[-1:] in ("/", "\\")
            longer = told or is_longer(between, bits_of(spot) >= trust.least, free_before(spot, at))
            if not longer or not plausible(text[: text.rfind(".")]):
                at, way, sure = spot.start, None, False
                text, encoding = decoded(_bytes(spot, at, end), spot.code)
        if known:
            rest = not place and at > spot.low and _is_slash(spot, at - spot.unit)
            free = free_before(spot, at) or _may_count(spot, at)  # else it may be the end of another
            spelled = free and self._names.spells(text)
            own = at == spot.start and not rest and (spot.dot - at >= _LONG * spot.unit or spelled)
            sure = sure or own
        else:
            weak = spot.dot + 3 * spot.unit >= end or _suffix(spot, end) in WEAK
            if (weak and not (sure and re.search(r"[\\/]", text))) or not plausible(text[: text.rfind(".")]):
                return None
        if at != spot.start:
            own_count = not isinstance(way, COUNTS) and at != start and ord(text[0]) == end - at - 1
            sure = sure and text[0] != " " and not own_count
            rare = not self._names.rare and is_rare(text)
            odd = STOP.search(text) or (encoding != trust.code and encoding in CODE_PAGES[1:])
            sure = sure and not rare and not (odd and not (isinstance(way, Counted) and way.width > 1))
        if not sure and not known and (cut := 1 + max((n for n, c in enumerate(text) if is_rare(c)), default=-1)):
            left = text[cut:]
            if plausible(left[: left.rfind(".")]):  # what is left reads as a name; the rest may be any bytes
                at, text = at + len(text[:cut].encode(encoding, "replace")), left
        lead, after = _bytes(spot, at - 2, at), _bytes(spot, end, end + MARGIN)
        return Name(
            text, at, end, encoding, sure, known, way, lead, after, spot.before, at == start, _bytes(spot, at - 16, at)
        )

    def _spells(self, name: Name) -> bool:
        return self._names.spells(name.text)


def _is_rest(text: str, other: str) -> bool:
    """Tell whether ``text`` is what is left of ``other``, cut inside a name, as in a buffer that was used anew."""
    cut = len(other) - len(text)
    return other.endswith(text) and cut > 0 and other[cut - 1] not in "/\\"


def _teachers(known: Sequence[Spot]) -> list[Spot]:
    """Return the known names to learn from: whole paths, and long ones where there are enough."""
    whole = [spot for spot in known if not _is_slash(spot, spot.start - spot.unit)]
    long = [spot for spot in whole if spot.dot - spot.start >= _SHORT * spot.unit]
    return long if len(long) >= LEARN else whole


def _rooted(runs: Sequence[Sequence[Spot]], starts: Sequence[dict[int, bool]]) -> list[Spot]:
    """Return the names that begin as paths do, each with the one beginning in its run of text as its start."""
    found = []
    for spots, begun in zip(runs, starts, strict=True):
        places = sorted(begun)
        for spot in spots:
            index = bisect_left(places, spot.low)
            if index < len(places) and places[index] < spot.dot and begun[places[index]]:
                found.append(msgspec.structs.replace(spot, start=places[index]))
    return found


def _is_slash(spot: Spot, at: int) -> bool:
    return _bytes(spot, at, at + spot.unit).strip(b"\0") in (b"/", b"\\")


def _may_count(spot: Spot, at: int) -> bool:
    """Tell whether the letter before ``at`` may be the name's length, alone or below three or four bits of a mark."""
    number, length = _bytes(spot, at - 1, at), (spot.ends[0] - at) // spot.unit
    return bool(number) and not number.isdigit() and length in (number[0], number[0] & 31, number[0] & 15)


def _bytes(spot: Spot, start: int, end: int) -> bytes:
    return spot.window[max(0, start - spot.base) : max(0, end - spot.base)]


def _suffix(spot: Spot, end: int) -> str:
    return _bytes(spot, spot.dot, end).replace(b"\0", b"")[1:].decode("ascii", "replace").lower()


def _ends_free(spot: Spot) -> bool:
    """Tell whether nothing behind the name could belong to it."""
    end = spot.ends[0]
    after = _bytes(spot, end, end + MARGIN)
    one, two = (after[:2].strip(b"\0"), after[2:4].strip(b"\0")) if spot.unit == 2 else (after[:1], after[1:2])
    return not (one.isalnum() or one in (b"_", b"/", b"\\") or (one == b"." and two.isalnum()))


def _share(known: Sequence[Spot], test: Callable[[Spot], bool]) -> float:
    return sum(map(test, known)) / len(known) if known else 1.0


def _certain_alone(spot: Spot, counts: bool) -> tuple[int, int] | None:
    """Return where the name at ``spot`` stands if others need not tell: in quotes, or (``counts``) behind a count."""
    counts = counts and spot.before + 2 <= spot.low  # else it would be a part of the name before
    for end in spot.ends:
        left = _bytes(spot, spot.low - spot.unit, spot.low).strip(b"\0")
        right = _bytes(spot, end, end + spot.unit).strip(b"\0")
        if (left == right and left in (b'"', b"`")) or (left == b">" and right == b"<"):
            return spot.low, end
        closed = not _bytes(spot, end, end + spot.unit).strip(b"\0")
        ways = [way for way in _ALONE if way.unit == spot.unit and (closed or not way.extra)]
        if counts and any(way.fits(spot, spot.low, end) for way in ways):
            return spot.low, end
    return None
