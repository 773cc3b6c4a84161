"""Entries of packs that another tool made: differences to another object (git's documented pack format)."""

from typing import Final

OFFSET_DELTA, NAMED_DELTA = 6, 7
"""Type numbers: a difference to what lies so far ahead in the same pack, and to the object of that id."""
MOST: Final = 1 << 30
"""No object that is a difference is made larger than this: it is put together in memory."""


def distance(head: bytes, at: int) -> tuple[int, int]:
    """Return how far ahead the base lies that an entry is a difference to, and where its stream begins."""
    byte = head[at]
    value = byte & 0x7F
    while byte & 0x80:
        at += 1
        byte = head[at]
        value = ((value + 1) << 7) | (byte & 0x7F)
    return value, at + 1


def _length(delta: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        byte = delta[at]
        at += 1
        value |= (byte & 0x7F) << shift
        shift += 7
        if not byte & 0x80:
            return value, at


def applied(base: bytes, delta: bytes) -> bytes:
    """Return what a difference makes of its base. Raises ValueError where it is none to it."""
    try:
        return _applied(base, delta)
    except IndexError as error:
        raise ValueError("the difference ends early") from error


def _applied(base: bytes, delta: bytes) -> bytes:
    size, at = _length(delta, 0)
    total, at = _length(delta, at)
    if size != len(base) or total > MOST:
        raise ValueError("the difference is to something else")
    out = bytearray()
    while at < len(delta):
        step = delta[at]
        at += 1
        if step & 0x80:
            numbers = []
            for bit in range(7):
                numbers.append(delta[at] if step >> bit & 1 else 0)
                at += step >> bit & 1
            start = int.from_bytes(bytes(numbers[:4]), "little")
            count = int.from_bytes(bytes(numbers[4:]), "little") or 0x10000
            if start + count > size:
                raise ValueError("the difference copies from behind the end")
            out += base[start : start + count]
        elif step:
            out += delta[at : at + step]
            at += step
        else:
            raise ValueError("the difference has a step that there is none of")
        if len(out) > total:
            break
    if len(out) != total:
        raise ValueError("the difference does not add up")
    return bytes(out)
