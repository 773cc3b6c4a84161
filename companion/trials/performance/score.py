"""A performance as plain values: what is played when, and which slot each part belongs to.

Everything is counted in milliseconds from the start of the file, which is also the file's tick.
"""

from __future__ import annotations

import hashlib
import json
from itertools import pairwise
from typing import Final, Literal

import msgspec

LEAD_IN: Final = 800
"""Milliseconds of silence at the start: the noise floor of the host is measured in them."""
MOST_JITTER: Final = 110
"""Gaps are irregular by up to this many milliseconds, so that a bounce fits its own performance and no other."""

TOGETHER: Final = 50
"""Notes that begin within so many milliseconds of each other are heard as one."""

Part = Literal["keys", "controls"]


class Note(msgspec.Struct, frozen=True):
    """One note: ``on`` and ``off`` in ms, MIDI note and velocity."""

    on: int
    off: int
    key: int
    velocity: int


class Move(msgspec.Struct, frozen=True):
    """One controller message: ``at`` in ms, controller and value, 0 to 127."""

    at: int
    cc: int
    value: int


class Slot(msgspec.Struct, frozen=True, kw_only=True):
    """A stretch of the performance that is judged as one: [start, end) in ms.

    kind: what is asked in it. title: the same in words, as the marker in the file says it. notes: what is played.
    state: the value of each moved control, 0 to 127, by its place among the controls.
    """

    kind: str
    title: str
    start: int
    end: int
    notes: tuple[Note, ...] = ()
    moves: tuple[Move, ...] = ()
    control: int = -1
    state: tuple[int, ...] = ()


class Score(msgspec.Struct, frozen=True, kw_only=True):
    """A whole performance. mark: what it asks for, as a digest; a bounce of another performance never fits it.

    length: ms. left_out: keys there was no time for. number, parts: which part of several it is. takes: round robins
    that are expected of a note.
    """

    part: Part
    mark: str
    slots: tuple[Slot, ...]
    length: int
    left_out: int = 0
    number: int = 1
    parts: int = 1
    takes: int = 1

    @property
    def notes(self) -> list[Note]:
        """Every note, in the order they begin."""
        return sorted((note for slot in self.slots for note in slot.notes), key=lambda note: (note.on, note.key))

    @property
    def onsets(self) -> list[int]:
        """When notes begin, in ms; those of a chord or a stack of notes are one moment, its first."""
        moments = sorted({note.on for slot in self.slots for note in slot.notes})
        return [moment for before, moment in pairwise((-TOGETHER, *moments)) if moment >= before + TOGETHER]


def mark_of(asked: object) -> str:
    """Return the mark of all that a performance asks for: 16 hex digits of SHA-256 over its canonical JSON."""
    text = json.dumps(msgspec.to_builtins(asked), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]


class Clock:
    """Hands out time: every gap is lengthened by 0 to 110 ms drawn from the performance's mark."""

    def __init__(self, mark: str) -> None:
        self._mark = mark
        self._drawn = 0
        self.now = LEAD_IN

    def gap(self, milliseconds: int) -> None:
        """Let time pass: ``milliseconds`` and the irregular rest."""
        digest = hashlib.sha256(f"{self._mark}/{self._drawn}".encode()).digest()
        self._drawn += 1
        self.now += milliseconds + int.from_bytes(digest[:4], "big") % (MOST_JITTER + 1)

    def run(self, milliseconds: int) -> None:
        """Let exactly ``milliseconds`` pass."""
        self.now += milliseconds
