"""What was heard of the keys, by touch and key, and how alike neighbours are. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Final

import msgspec

from companion.trials.performance.hearing import Tone, shifted_by
from companion.trials.performance.score import Slot

RISE_DB: Final = 6.0
"""A note that lifts the sound by less than this is not heard to begin."""
NEAR_KEYS: Final = 7


class Likeness(msgspec.Struct, frozen=True):
    """Two keys at one touch, the upper held against the lower one moved up: see :func:`hearing.shifted_by`.

    numbers: their slots, lower key first. error: cents. alike: 0 to 1; notes of one recording reach 0.8 and more.
    """

    keys: tuple[int, int]
    numbers: tuple[int, int]
    error: float
    alike: float
    lead: float


class Heards(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """Slots of single notes and what was heard in each, by the slot's number."""

    slots: Mapping[int, Slot]
    tones: Mapping[int, Tone]

    def by_velocity(self) -> dict[int, dict[int, int]]:
        """Return slot numbers by velocity and key, of plain notes."""
        found: dict[int, dict[int, int]] = {}
        for number, slot in self.slots.items():
            if slot.kind == "note" and number in self.tones:
                note = slot.notes[0]
                found.setdefault(note.velocity, {})[note.key] = number
        return found

    def clear(self, skip: frozenset[int]) -> dict[int, dict[int, int]]:
        """Return slot numbers by velocity and key, of notes that stand out of what was there before."""
        return {
            velocity: {k: n for k, n in numbers.items() if self.tones[n].rises >= RISE_DB and n not in skip}
            for velocity, numbers in self.by_velocity().items()
        }

    @cached_property
    def likenesses(self) -> tuple[Likeness, ...]:
        """How alike each two keys are that lie near each other and stand out, at each touch."""
        found = []
        for numbers in self.clear(frozenset()).values():
            keys = sorted(key for key, number in numbers.items() if self.tones[number].cents is not None)
            for place, key in enumerate(keys):
                for other in keys[place + 1 :]:
                    if other - key > NEAR_KEYS:
                        break
                    one, two = self.tones[numbers[key]].cents, self.tones[numbers[other]].cents
                    assert one is not None
                    assert two is not None
                    heard = shifted_by(one, two, 100 * (other - key))
                    found.append(Likeness((key, other), (numbers[key], numbers[other]), *heard))
        return tuple(found)
