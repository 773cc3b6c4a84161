"""Memory that is used again: fresh memory from the system costs as much as reading a file into it does."""

import os
import threading
from collections.abc import Iterator
from typing import Final

PIECE: Final = 256 << 10
"""Bytes read at a time where a sum is taken of them: they are still in the processor's cache when it is."""


class Scratch(threading.local):
    """One piece of memory for each thread, as large as the largest that was asked for, and ``least`` at least."""

    def __init__(self, least: int = 0) -> None:
        self._least = least
        self._held = bytearray()

    def take(self, size: int) -> memoryview:
        """Return ``size`` bytes, with whatever is in them; they are good until this thread asks again."""
        if len(self._held) < size:
            self._held = bytearray(max(size, self._least))
        return memoryview(self._held)[:size]


_mine = Scratch()


def pieces(handle: int, count: int | None = None) -> Iterator[memoryview]:
    """Yield what follows in an open file, up to its end or to ``count`` bytes, piece by piece.

    A piece is good until the next, and no other file may be read so by this thread before the last. Raises OSError.
    """
    room, left = _mine.take(PIECE), count
    while got := read_some(handle, room if left is None else room[:left]):
        left = left if left is None else left - got
        yield room[:got]


def read_some(handle: int, room: memoryview) -> int:
    """Read what comes next in an open file into ``room``; return how many bytes it was, none at the end.

    Raises OSError.
    """
    if (at_once := getattr(os, "readv", None)) is not None:
        return int(at_once(handle, [room])) if room else 0
    data = os.read(handle, len(room))  # Windows
    room[: len(data)] = data
    return len(data)


def read_full(handle: int, room: memoryview) -> memoryview:
    """Fill ``room`` from an open file and return the part of it that was filled before the end. Raises OSError."""
    done = 0
    while got := read_some(handle, room[done:]):
        done += got
    return room[:done]
