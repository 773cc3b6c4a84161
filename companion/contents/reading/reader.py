"""Reading the mentions of one run of bytes, in UTF-8 and in both byte orders of UTF-16."""

import re
from collections.abc import Iterator
from functools import lru_cache
from typing import Final, Literal, NamedTuple

import msgspec

from companion.contents.reading.homes import ROOTS, VARIABLES
from companion.contents.reading.inflate import Buffer
from companion.contents.reading.mentions import Mention, style_of
from companion.contents.reading.shapes import Shape, beginning, ending
from companion.core.progress import Watch

BLOCK: Final = 4 << 20
REACH: Final = 1024
"""Bytes looked at before and behind: no path is longer on the systems players have."""
MOST_MENTIONS: Final = 100_000

# How paths begin that hold on one computer only, or that climb. Those that share a first character share an expression,
# and each expression begins with one fixed byte, which makes the search as fast as memory.
_BEGINNINGS: Final[tuple[tuple[tuple[str, ...], ...], ...]] = (
    ((":", r"[\\/]"),),
    ((r"\\", r"\\", "[A-Za-z0-9]"),),
    (("~", r"[\\/]"),),
    ((r"\.", r"\.", r"[\\/]"),),
    ((r"\$", "H", "O", "M", "E"), (r"\$", r"\{", "H", "O", "M", "E")),
    tuple(("/", *name, "/") for name in ROOTS),
    tuple(("%", *(f"[{char}{char.lower()}]" for char in name), "%") for name in VARIABLES),
)


class _Patterns(NamedTuple):
    ends: re.Pattern[bytes]
    begins: tuple[re.Pattern[bytes], ...]


@lru_cache(maxsize=16)
def _patterns(suffixes: frozenset[str], wide: bool) -> _Patterns:
    """Return the expressions for endings and beginnings. A wide character is its ASCII byte with a zero beside it."""
    glue = r"\x00" if wide else ""

    def alternatives(items: list[tuple[str, ...]]) -> str:
        first, rest = items[0][0], "|".join(glue.join(atoms[1:]) for atoms in items)
        return f"{first}{glue}(?:{rest})"

    longest_first = sorted(suffixes, key=lambda suffix: (-len(suffix), suffix))
    ends = [(r"\.", *(f"[{c}{c.upper()}]" if c.isalpha() else re.escape(c) for c in s)) for s in longest_first]
    return _Patterns(
        re.compile(alternatives(ends).encode("ascii")),
        tuple(re.compile(alternatives(list(group)).encode("ascii")) for group in _BEGINNINGS),
    )


class _Coding(NamedTuple):
    """How text is read from bytes: ``unit`` bytes a character of ASCII; bytes that are no text come as surrogates."""

    name: str
    unit: int
    errors: str

    def decode(self, block: bytes, start: int, stop: int) -> str:
        return block[start : stop - (stop - start) % self.unit].decode(self.name, self.errors)

    def size(self, text: str) -> int:
        return len(text.encode(self.name, self.errors))


_NARROW: Final = _Coding("utf-8", 1, "surrogateescape")
_LITTLE: Final = _Coding("utf-16-le", 2, "surrogatepass")
_BIG: Final = _Coding("utf-16-be", 2, "surrogatepass")


class _Reading(NamedTuple):
    """A path as read in one encoding: its bytes from ``start`` to ``stop`` in the block."""

    text: str
    start: int
    stop: int
    sure: bool
    counted: bool = False
    led: bool = False


class Reader:
    """Collects the mentions of one run of bytes into ``found``: of a file, or of the part ``inside`` that begins, with
    all it lies in, at byte ``part``.
    """

    def __init__(
        self, suffixes: frozenset[str], found: dict[tuple[str, str], Mention], inside: str = "", part: int = 0
    ) -> None:
        self._narrow8, self._wide16 = _patterns(suffixes, False), _patterns(suffixes, True)
        self._found, self._inside, self._part = found, inside, part
        self._either: list[tuple[_Reading, _Reading, int]] = []
        self._led: list[tuple[_Reading, int, _Coding]] = []
        self._lengths = 0
        self._votes = {_LITTLE: 0, _BIG: 0}

    def read(self, data: Buffer, watch: Watch) -> None:
        """Read all of ``data`` block by block; mentions over the bound are left."""
        floor8 = floor16 = 0
        for at in range(0, len(data), BLOCK):
            base = max(0, at - REACH)
            block = data[base : at + BLOCK + REACH]
            span = (at - base, min(len(block), at - base + BLOCK))
            floor8 = self._narrow(block, base, span, floor8)
            floor16 = self._wide(block, base, span, floor16)
            watch.check()
            if len(self._found) >= MOST_MENTIONS:
                break
        self._settle()

    def _add(self, reading: _Reading, base: int, coding: _Coding) -> None:
        if reading.led:
            self._led.append((reading, base, coding))
            return
        self._lengths += 1 if reading.counted else -1
        self._keep(reading.text, base + reading.start, coding.name, reading.sure)

    def _keep(self, text: str, offset: int, encoding: str, sure: bool) -> None:
        key = (text, self._inside)
        before = self._found.get(key)
        if before is not None:
            self._found[key] = msgspec.structs.replace(
                before, times=before.times + 1, sure=before.sure or sure, offset=min(before.offset, offset)
            )
        elif len(self._found) < MOST_MENTIONS:
            self._found[key] = Mention(
                text=text,
                offset=offset,
                encoding=encoding,
                style=style_of(text),
                inside=self._inside,
                part=self._part,
                sure=sure,
            )

    def _narrow(self, block: bytes, base: int, span: tuple[int, int], floor: int) -> int:
        taken: list[tuple[int, int]] = []
        for hit in self._narrow8.ends.finditer(block, span[0], min(len(block), span[1] + 16)):
            low = max(0, floor - base, hit.start() - REACH)
            if low < hit.start() < span[1] and (reading := _ending(block, low, *hit.span(), _NARROW)):
                self._add(reading, base, _NARROW)
                taken.append((reading.start, reading.stop))
                floor = base + reading.stop
        for at in _free(self._narrow8.begins, block, span, taken):
            if reading := _beginning(block, at, _NARROW):
                self._add(reading, base, _NARROW)
                taken.append((reading.start, reading.stop))
        return floor

    def _wide(self, block: bytes, base: int, span: tuple[int, int], floor: int) -> int:
        taken: list[tuple[int, int]] = []
        for hit in self._wide16.ends.finditer(block, span[0], min(len(block), span[1] + 32)):
            low = max(0, floor - base, hit.start() - 2 * REACH)
            if low < hit.start() < span[1]:
                stop = self._choose(
                    [_wide_ending(block, low, hit, wide) for wide in (_LITTLE, _BIG)], block, base, taken
                )
                floor = max(floor, base + stop)
        for at in _free(self._wide16.begins, block, span, taken):
            self._choose([_wide_beginning(block, at, wide) for wide in (_LITTLE, _BIG)], block, base, taken)
        return floor

    def _choose(self, readings: list[_Reading | None], block: bytes, base: int, taken: list[tuple[int, int]]) -> int:
        """Add the likelier of a little-endian and a big-endian reading of the same place; return where it stops.

        More ASCII wins, then fewer other characters, then the order in which a length stands in front. Where all that
        is equal (plain ASCII between zeros reads the same both ways) :meth:`_settle` decides by the rest of the file.
        """
        little, big = readings
        if little is None and big is None:
            return 0
        scores = [_score(little, block, "little"), _score(big, block, "big")]
        pick = 0 if scores[0] >= scores[1] else 1
        chosen = readings[pick] or little or big
        assert chosen is not None
        taken.append((chosen.start, chosen.stop))
        if scores[0] == scores[1] and little and big:
            self._either.append((little, big, base))
        else:
            coding = (_LITTLE, _BIG)[pick]
            self._votes[coding] += 1
            self._add(chosen, base, coding)
        return min(reading.stop for reading in readings if reading)

    def _settle(self) -> None:
        """Add the readings that fit both byte orders: as most others of the file do, else as they lie on even bytes."""
        votes = self._votes[_BIG] - self._votes[_LITTLE]
        if not votes:
            votes = sum(1 if (base + little.start) % 2 else -1 for little, _, base in self._either)
        for little, big, base in self._either:
            reading, coding = (big, _BIG) if votes > 0 else (little, _LITTLE)
            self._add(reading, base, coding)
        self._either.clear()
        for reading, base, coding in self._led:
            # Where most paths of the file stand behind their length, a first letter that fits is a length as well.
            drop = self._lengths > 0
            self._keep(reading.text[drop:], base + reading.start + drop * coding.unit, coding.name, reading.sure)
        self._led.clear()


def _free(
    patterns: tuple[re.Pattern[bytes], ...], block: bytes, span: tuple[int, int], taken: list[tuple[int, int]]
) -> Iterator[int]:
    """Yield in order where a beginning is hit outside of what is taken; ``taken`` may grow meanwhile at its end."""
    before, grown = sorted(taken), len(taken)
    index = 0
    for at in sorted(
        hit.start()
        for pattern in patterns
        for hit in pattern.finditer(block, span[0], min(len(block), span[1] + 64))
        if hit.start() < span[1]
    ):
        while index < len(before) and before[index][1] <= at:
            index += 1
        inside = index < len(before) and before[index][0] <= at
        if not inside and not (len(taken) > grown and taken[-1][0] <= at < taken[-1][1]):
            yield at


def _ending(block: bytes, low: int, dot: int, end: int, coding: _Coding) -> _Reading | None:
    """Return the path that ends in the extension at ``block[dot:end]`` and begins at ``low`` or later."""
    left = coding.decode(block, low + (dot - low) % coding.unit, dot)
    text = left + coding.decode(block, dot, min(len(block), end + 300 * coding.unit))
    shape = ending(text, len(left), len(left) + (end - dot) // coding.unit, coding.unit > 1)
    return shape and _placed(text, shape, dot, left, coding)


def _beginning(block: bytes, at: int, coding: _Coding) -> _Reading | None:
    """Return the path that begins at ``at``, or a little before."""
    left = coding.decode(block, at - min(at, 120 * coding.unit) // coding.unit * coding.unit, at)
    text = left + coding.decode(block, at, min(len(block), at + REACH * coding.unit))
    shape = beginning(text, len(left), coding.unit > 1)
    return shape and _placed(text, shape, at, left, coding)


def _placed(text: str, shape: Shape, at: int, left: str, coding: _Coding) -> _Reading:
    """Return what ``shape`` is of ``text``, of which ``left`` stands before ``at``."""
    path, start = text[shape.start : shape.end], at - coding.size(left[shape.start :])
    return _Reading(path, start, start + coding.size(path), *shape[2:])


def _wide_ending(block: bytes, low: int, hit: re.Match[bytes], coding: _Coding) -> _Reading | None:
    big = coding is _BIG
    dot, end = (hit.start() - 1, hit.end()) if big else (hit.start(), hit.end() + 1)
    if (dot < low or block[dot] != 0) if big else (end > len(block) or block[end - 1] != 0):
        return None
    return _ending(block, low, dot, end, coding)


def _wide_beginning(block: bytes, at: int, coding: _Coding) -> _Reading | None:
    here = at - 1 if coding is _BIG else at
    return _beginning(block, here, coding) if here >= 0 and (coding is _LITTLE or block[here] == 0) else None


def _score(reading: _Reading | None, block: bytes, order: Literal["little", "big"]) -> tuple[int, int, bool]:
    """Return how well a wide reading holds: ASCII characters, others, a length in this byte order in front."""
    if reading is None:
        return (-1, 0, False)
    units = (reading.stop - reading.start) // 2
    lengths = (units, units + 1, units * 2, units * 2 + 2)
    front = [block[max(0, reading.start - width) : reading.start] for width in (2, 4)]
    counted = any(int.from_bytes(raw, order) in lengths for raw in front if raw)
    plain = sum(map(str.isascii, reading.text))
    return plain, plain - len(reading.text), counted
