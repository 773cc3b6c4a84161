"""Voices that drop out: one key held while many others come and go, against the same key held alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import msgspec

from companion.trials.performance.bounce import Heard
from companion.trials.performance.controls_hearing import InBounce
from companion.trials.performance.hearing import SILENCE_DB, decibels, powers
from companion.trials.performance.judged import Verdict
from companion.trials.performance.score import Slot

_HEARD_S: Final = 0.4
LOST_DB: Final = 10.0
_MASKED_DB: Final = 4.0
_OVER_NOISE_DB: Final = 15.0


def judge_voices(slots: Sequence[Slot], sound: Heard, placed: InBounce) -> list[Verdict]:
    """Return where the kept note is gone once the others are released; or why that cannot be told.

    The note alone, as long after it began, says how loud it should be: one that has died away by then proves nothing.
    """
    numbers = [number for number, slot in enumerate(slots) if slot.kind == "voices"]
    if not numbers or not all(placed.covers(slots[number].start / 1000) for number in numbers):
        return []
    noise = _level(sound, placed.at(0.1), placed.at(0.7))
    alone, *several = numbers
    found: list[Verdict] = []
    for number in several:
        slot = slots[number]
        count = len(slot.notes)
        # As long after its beginning as the slot of the single note reaches.
        end = min(_held(slots[alone]), _held(slot)) / 1000
        expected = _level_after(sound, placed, slots[alone], end)
        heard = _level_after(sound, placed, slot, end)
        verdict = Verdict(
            rule="voices-lost",
            key=slot.notes[0].key,
            velocity=slot.notes[0].velocity,
            slots=(alone, number),
            value=float(count),
            bound=LOST_DB,
        )
        if expected < noise + _OVER_NOISE_DB:
            found.append(_with(verdict, "the note has died away before the others are let go of"))
        elif heard > expected + _MASKED_DB:
            found.append(_with(verdict, "the other notes still ring"))
        elif heard < expected - LOST_DB:
            # More of them lose it as well: the fewest notes tell it once.
            return [*found, verdict]
    return found


def _with(verdict: Verdict, reason: str) -> Verdict:
    return msgspec.structs.replace(verdict, reason=reason)


def _held(slot: Slot) -> int:
    return slot.notes[0].off - slot.notes[0].on


def _level_after(sound: Heard, placed: InBounce, slot: Slot, end: float) -> float:
    begin = placed.at(slot.notes[0].on / 1000)
    return _level(sound, begin + end - 0.02 - _HEARD_S, begin + end - 0.02)


def _level(sound: Heard, first: float, last: float) -> float:
    data = sound.read(max(0.0, first), max(0.05, last))
    return decibels(float((powers(data).astype("float64") ** 2).mean())) if len(data) else SILENCE_DB
