"""Where paths begin that hold on one computer only, or that climb: whatever ends them."""

from __future__ import annotations

import math
import re
from itertools import islice
from typing import Final, NamedTuple

from companion.contents.reading.homes import ROOTS, VARIABLES
from companion.contents.reading.shapes import beginning

REACH: Final = 1024
_PAGE: Final = bytes(byte if byte < 128 else 0xE9 for byte in range(256))
"""Every byte beyond ASCII as a letter, as it mostly is in code pages."""
_BEFORE: Final = 120
"""Characters looked at before a beginning, for what makes it none."""

# Those that share a first character share an expression, narrow and wide, and each expression begins with one fixed
# byte, which makes the search as fast as memory. A wide character is its ASCII byte with a zero beside it.
_BEGINNINGS: Final[tuple[tuple[tuple[str, ...], ...], ...]] = (
    ((":", r"[\\/]"),),
    ((r"\\", r"\\", "[A-Za-z0-9]"), *((r"\\", *name, r"\\") for name in ROOTS)),
    (("~", r"[\\/]"),),
    ((r"\.", r"\.", r"[\\/]"),),
    ((r"\$", "H", "O", "M", "E"), (r"\$", r"\{", "H", "O", "M", "E")),
    tuple(("/", *name, "/") for name in ROOTS),
    tuple(("%", *(f"[{char}{char.lower()}]" for char in name), "%") for name in VARIABLES),
)


_QUIET: Final = ("", "\0", '"', "'", "\n")
"""What a home folder's ``~`` stands behind; elsewhere in bytes it may be any byte in front of a root."""
_ADDRESS: Final = re.compile(r"file:(?:/(?!/)|\\)", re.IGNORECASE)
_SHORT: Final = re.compile(r"[A-Za-z]:[\\/]|~[\\/]")
_ROOTED: Final = re.compile(rf"~[\\/](?:{'|'.join(ROOTS)})[\\/]")


def _alternatives(items: tuple[tuple[str, ...], ...], *glues: str) -> str:
    rest = [glue + glue.join(atoms[1:]) for glue in glues for atoms in items]
    return f"{items[0][0]}(?:{'|'.join(rest)})"


_PATTERNS: Final = tuple(re.compile(_alternatives(group, "", r"\x00").encode("ascii")) for group in _BEGINNINGS)
TEXT_STARTS: Final = tuple(re.compile(_alternatives(group, "")) for group in _BEGINNINGS)


class Start(NamedTuple):
    """A path by its beginning: bytes from ``start`` to ``end``, and whether it stands where only a path stands."""

    start: int
    end: int
    text: str
    encoding: str
    sure: bool


def starts_in(block: bytes, base: int, span: tuple[int, int], most: int) -> tuple[list[Start], int]:
    """Return the paths that begin in ``span`` of ``block``, at byte ``base``, and how many were tried.

    In UTF-8 and both orders of UTF-16, of the first ``most`` places. None begins inside the one before.
    """
    found: list[Start] = []
    free = {"utf-8": 0, "utf-16-le": 0, "utf-16-be": 0}
    hits = sorted(
        (hit.start(), hit.end())
        for pattern in _PATTERNS
        for hit in islice(pattern.finditer(block, span[0], min(len(block), span[1] + 64)), most)
        if hit.start() < span[1]
    )
    for at, end in hits[:most]:
        wide = block[at + 1 : at + 2] == b"\0" and b"\0" in block[at:end]
        for encoding in ("utf-16-le", "utf-16-be") if wide else ("utf-8",):
            here = at - (encoding == "utf-16-be")
            if here < free[encoding] or here < 0 or block[here:at].strip(b"\0"):
                continue
            if start := _beginning(block, here, encoding):
                free[encoding] = start.end
                found.append(start._replace(start=base + start.start, end=base + start.end))
    return found, len(hits)


def weighed(start: Start, size: int, suffixes: str) -> Start:
    """Return ``start``, unsure where a thousand runs of ``size`` random bytes might hold one such path by chance.

    A drive or a tilde with a slash fixes 15 bits and more. A character that paths are mostly written with is one of 67
    among 256 bytes, 1.9 bits; any other counts as one bit, and an extension of ``suffixes`` (an expression) as 20.
    """
    if not start.sure or start.encoding != "utf-8" or not _SHORT.match(start.text):
        return start
    rest = start.text[2:]
    bits = 15 + sum(1.9 if char.isascii() and (char.isalnum() or char in " ._-/\\") else 1.0 for char in rest)
    bits += 20 if re.search(rf"\.(?:{suffixes})\Z", rest, re.IGNORECASE) else 0
    return start if bits >= math.log2(max(size, 2)) + 10 else start._replace(sure=False)


def _beginning(block: bytes, at: int, encoding: str) -> Start | None:
    unit, errors = (1, "surrogateescape") if encoding == "utf-8" else (2, "surrogatepass")
    first = at - min(at, _BEFORE * unit) // unit * unit
    stop = min(len(block), at + REACH * unit)
    left, right = block[first:at], block[at : stop - (stop - at) % unit]
    before = left.decode(encoding, errors)
    text = before + right.decode(encoding, errors)
    if shape := beginning(text, len(before), encoding):
        path, start = text[shape.start : shape.end], at - len(before[shape.start :].encode(encoding, errors))
        if _ADDRESS.match(path) and before[: shape.start][-1:] not in _QUIET:  # rather a label in front of a path
            path, start = path[5:], start + 5 * unit
        sure = shape.sure and not (path[0] == "~" and (before[-1:] not in _QUIET or _ROOTED.match(path)))
        return Start(start, start + len(path.encode(encoding, errors)), path, encoding, sure)
    if unit == 1 and not right.isascii():  # in some code page: a character is a byte
        shape = beginning((left + right).translate(_PAGE).decode("latin-1"), len(left), "latin-1")
        if shape:
            raw = block[first + shape.start : first + shape.end]
            return Start(first + shape.start, first + shape.end, raw.decode("cp1252", "replace"), encoding, shape.sure)
    return None
