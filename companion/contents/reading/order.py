"""Which order of the bytes of UTF-16 the names are written in: plain ASCII between zeros reads the same in both."""

from __future__ import annotations

from collections.abc import Iterable

from companion.contents.reading.found import Name
from companion.contents.reading.layouts import Counted
from companion.contents.reading.shapes import is_rare


def merit(runs: Iterable[Iterable[Name]]) -> tuple[int, ...]:
    """Return how well a byte order holds; the greater is the likelier.

    Plain ASCII between zeros reads the same in both orders, one byte apart. So, after how many names are read well and
    how few letters beyond ASCII are in them: how many are closed by a whole zero, lie whole characters apart, and have
    a count of more than one byte.
    """
    names = [name for run in runs for name in run]
    own = [name for name in names if name.known and not name.way]
    plain = sum(name.sure and not is_rare(name.text) for name in names if not (name.known and not name.way))
    well = sum(name.known + (name.way is not None) for name in names) + len(own) + plain
    odd = sum(not char.isascii() for name in names if name.sure for char in name.text)
    closed = sum(name.after[:2] == b"\0\0" for name in names)
    halves = sum(_halves(name.after) for name in names)
    counts = [name.way.width if isinstance(name.way, Counted) else 0 for name in names]
    whole = sum(
        name.before < 0 or (name.start - width - name.before) % 2 == 0
        for name, width in zip(names, counts, strict=True)
    )
    longer = sum(len(name.text) for name in own) if len(own) == len(names) else 0
    return well, longer, -odd, -halves, closed, whole, sum(width > 1 for width in counts)


def _halves(after: bytes) -> int:
    """Return 1 where an odd number of zeros follows, -1 where an even one does, 0 where wide text goes on."""
    rest = after.lstrip(b"\0")
    if not rest or (rest[1:2] == b"\0" and 0x20 <= rest[0] < 0x7F):
        return 0
    return 1 if (len(after) - len(rest)) % 2 else -1


def is_big(runs: Iterable[Iterable[Name]], votes: int) -> bool:
    """Tell whether names, read big-endian and just as well little-endian one byte on, are big-endian after all.

    Bytes that are no wide character right before them say so, else ``votes`` by the text around, what stands before the
    first and how many zeros behind the last, else even places.
    """
    names = [name for run in runs for name in run]
    if not names:
        return False
    led = sum(b"\0" not in name.lead for name in names if len(name.lead) > 1)
    lead, after = names[0].lead, names[-1].after
    zeros = len(after) - len(after.lstrip(b"\0"))
    if lead[-1:] not in (b"", b"\0"):
        votes += 1
    if 1 < zeros < len(after):
        votes += -1 if zeros % 2 else 1
    return led * 2 > len(names) or (votes or sum(-1 if name.start % 2 else 1 for name in names)) > 0
