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


class VoicesHeard(msgspec.Struct, frozen=True):
    """Levels in dB. noise: of silence. kept: by slot, (expected, heard) of the kept note once the others are let go."""

    noise: float
    kept: dict[int, tuple[float, float]]


def hear_voices(slots: Sequence[Slot], sound: Heard, placed: InBounce) -> VoicesHeard | None:
    """Return how loud the kept notes are; None where there are none, or not all of them are in the bounce.

    The note alone, as long after it began, says how loud it should be.
    """
    numbers = [number for number, slot in enumerate(slots) if slot.kind == "voices"]
    if not numbers or not all(placed.covers(slots[number].start / 1000) for number in numbers):
        return None
    alone, *several = numbers
    kept = {}
    for number in several:
        # As long after its beginning as the slot of the single note reaches.
        end = min(_held(slots[alone]), _held(slots[number])) / 1000
        kept[number] = (
            _level_after(sound, placed, slots[alone], end),
            _level_after(sound, placed, slots[number], end),
        )
    return VoicesHeard(_level(sound, placed.at(0.1), placed.at(0.7)), kept)


def judge_voices(slots: Sequence[Slot], levels: VoicesHeard | None) -> list[Verdict]:
    """Return where the kept note is gone once the others are released; or why that cannot be told.

    One that has died away by then, alone, proves nothing.
    """
    found: list[Verdict] = []
    for number, (expected, heard) in levels.kept.items() if levels else ():
        assert levels
        slot = slots[number]
        alone = next(place for place, one in enumerate(slots) if one.kind == "voices")
        verdict = Verdict(
            rule="voices-lost",
            key=slot.notes[0].key,
            velocity=slot.notes[0].velocity,
            slots=(alone, number),
            value=float(len(slot.notes)),
            bound=LOST_DB,
        )
        if expected < levels.noise + _OVER_NOISE_DB:
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
