"""What a bounce told, as plain values: no array is needed to read it."""

from __future__ import annotations

from typing import Final

import msgspec

from companion.core.rules import Measure
from companion.trials.performance.controls_judged import MeasuredControls
from companion.trials.performance.score import Score

HEARING: Final = Measure("performance-hearing", 7)
"""Raised whenever the same bounce may be heard otherwise: aligned, levelled, compared."""


class Verdict(msgspec.Struct, frozen=True, kw_only=True):
    """One judgement. rule: the rule's id. slots: those it is made from, by number. value: in the rule's unit.

    reason: why nothing could be judged; the verdict is then no fault. what: of which kind it is, where a rule tells
    several.
    """

    rule: str
    key: int = -1
    velocity: int = -1
    slots: tuple[int, ...] = ()
    value: float = 0.0
    bound: float = 0.0
    reason: str = ""
    what: str = ""


class Playback(msgspec.Struct, frozen=True, kw_only=True):
    """A bounce as a file. rate: frames a second. seconds: how long. peak: its largest sample, full scale = 1.

    flat_tops: how often it stays at full scale. mean: that of the channel furthest from zero. missing: of its
    performance's slots, those that are not in it. offset, ratio: second t of the performance stands at
    ``offset + ratio * t``. fit: how surely it was found.
    """

    rate: int
    seconds: float
    peak: float = 0.0
    flat_tops: int = 0
    mean: float = 0.0
    offset: float = 0.0
    ratio: float = 1.0
    fit: float = 0.0
    missing: tuple[int, ...] = ()

    def at(self, milliseconds: float) -> int:
        """Return the frame of the bounce at which a moment of the performance stands."""
        return max(0, round((self.offset + self.ratio * milliseconds / 1000) * self.rate))


class Judged(msgspec.Struct, frozen=True, kw_only=True):
    """What a bounce tells. score: the performance it is of; None where it is of none of those asked for.

    verdicts: on the keys. controls: what it told of the controls, where it is of theirs.
    """

    playback: Playback
    score: Score | None = None
    verdicts: tuple[Verdict, ...] = ()
    controls: MeasuredControls | None = None
