"""The performance of the keys: every key at every touch, some over and over, some together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.units import note_name
from companion.trials.performance.score import Clock, Note, Score, Slot, mark_of

HELD: Final = 450
GAP: Final = 240
REST: Final = 1600
LONG: Final = 1400
AFTER: Final = 900
MOST_TAKES: Final = 12
FEWEST: Final = 12
"""Keys that are played at least: fewer could not be judged against each other."""
CHORDS: Final = (1, 2, 4, 8, 16)
VOICES: Final = (1, 4, 8, 16)
STAGGER: Final = 12
TOGETHER: Final = 600
KEPT: Final = 1300
"""Milliseconds for which one note is held on after the others are let go of."""
KEPT_AFTER: Final = 700


class Playable(msgspec.Struct, frozen=True, kw_only=True):
    """What of an instrument can be played.

    keys: MIDI notes, rising. velocities: one inside each dynamic, softest first. takes: the most round robins that a
    note has. patch: the content's mark, so that another patch is another performance. middle_c: how keys are named.
    voices: how many at once are promised; no more are asked for.
    """

    keys: tuple[int, ...]
    velocities: tuple[int, ...] = (40, 100)
    takes: int = 1
    patch: str = ""
    middle_c: str = "C3"
    voices: int = 16


def touch(velocity: int, velocities: Sequence[int]) -> str:
    """Return a touch in words: ``soft``, ``hard``, or its velocity where there are more than two."""
    if len(velocities) == 1:
        return "played"
    if len(velocities) == 2:
        return "soft" if velocity == min(velocities) else "hard"
    return f"velocity {velocity}"


def spread(items: Sequence[int], most: int) -> tuple[int, ...]:
    """Return at most ``most`` of ``items``, evenly spread, both ends included."""
    if len(items) <= most:
        return tuple(items)
    if most < 2:
        return tuple(items[:most])
    return tuple(items[round(index * (len(items) - 1) / (most - 1))] for index in range(most))


def interleaved(keys: Sequence[int]) -> tuple[int, ...]:
    """Return ``keys`` so that neighbours in time lie far apart: what rings on is then told from what begins."""
    half = (len(keys) + 1) // 2
    pairs = zip(keys[:half], (*keys[half:], -1), strict=False)
    return tuple(key for pair in pairs for key in pair if key >= 0)


def voice_slots(clock: Clock, keys: Sequence[int], velocity: int, most: int = VOICES[-1]) -> list[Slot]:
    """Return slots in which the first of 1, 4, 8 and 16 keys is kept while the others are let go of again.

    keys: those that sound, rising. most: how many voices the instrument promises; more are not asked of it. Counts that
    there are too few keys for are left out; with fewer than two counts there is nothing to compare.
    """
    counts = [count for count in VOICES if count <= min(len(keys), most)]
    if len(counts) < 2:
        return []
    kept, found = keys[len(keys) // 2], []
    others = [key for key in keys if key != kept]
    for count in counts:
        start = clock.now
        late = list(spread(others, count - 1)) if count > 1 else []
        let_go = start + STAGGER * len(late) + TOGETHER
        notes = [Note(start, let_go + KEPT, kept, velocity)]
        notes += [Note(start + STAGGER * place, let_go, key, velocity) for place, key in enumerate(late, start=1)]
        clock.run(let_go + KEPT - start)
        clock.gap(KEPT_AFTER)
        title = "one note held" if count == 1 else f"one note held of {count}"
        found.append(Slot(kind="voices", title=title, start=start, end=clock.now, notes=tuple(notes)))
    return found


class _Writer:
    def __init__(self, clock: Clock, playable: Playable) -> None:
        self.clock, self.playable = clock, playable
        self.slots: list[Slot] = []

    def name(self, key: int) -> str:
        return note_name(key, self.playable.middle_c)

    def note(self, kind: str, key: int, velocity: int, held: int = HELD, gap: int = GAP, title: str = "") -> None:
        start = self.clock.now
        played = Note(start, start + held, key, velocity)
        self.clock.run(held)
        self.clock.gap(gap)
        title = title or f"{self.name(key)} {touch(velocity, self.playable.velocities)}"
        self.slots.append(Slot(kind=kind, title=title, start=start, end=self.clock.now, notes=(played,)))

    def chord(self, keys: Sequence[int], velocity: int) -> None:
        start = self.clock.now
        notes = tuple(Note(start + index, start + LONG, key, velocity) for index, key in enumerate(keys))
        self.clock.run(LONG)
        self.clock.gap(AFTER)
        title = f"{len(keys)} notes together" if len(keys) > 1 else f"{self.name(keys[0])} alone, held"
        self.slots.append(Slot(kind="chord", title=title, start=start, end=self.clock.now, notes=notes))

    def rest(self) -> None:
        start = self.clock.now
        self.clock.run(REST)
        self.slots.append(Slot(kind="rest", title="rest", start=start, end=self.clock.now))
        self.clock.gap(0)


def plan_keys(playable: Playable, seed: int = 0, most_seconds: float | None = None) -> Score:
    """Return the performance of the keys: all of them, or evenly fewer where ``most_seconds`` is too short for all.

    seed: makes another performance of the same instrument. Raises :class:`CompanionError` where there is no key to play
    or the time is too short for the fewest keys that can be judged.
    """
    if not playable.keys:
        raise CompanionError("No key is left to play", "layers", "mend low_key and high_key in release.toml")
    keys = playable.keys
    while True:
        score = _planned(playable, keys, seed)
        if most_seconds is None or score.length <= 1000 * most_seconds:
            return msgspec.structs.replace(score, left_out=len(playable.keys) - len(keys))
        if len(keys) <= FEWEST:
            raise _too_short(most_seconds, score)
        over = max(1, round(len(keys) * (1 - 1000 * most_seconds / score.length)))
        keys = spread(playable.keys, max(FEWEST, len(keys) - over))


def split_keys(playable: Playable, seed: int, most_seconds: float) -> tuple[Score, ...]:
    """Return the performance in as few parts as fit: neighbouring keys stay together, since they are compared."""
    parts = 1
    while True:
        size = -(-len(playable.keys) // parts)
        blocks = [playable.keys[first : first + size] for first in range(0, len(playable.keys), size)]
        scores = [_planned(playable, keys, seed, number) for number, keys in enumerate(blocks, start=1)]
        fits = all(score.length <= 1000 * most_seconds for score in scores)
        if fits:
            return tuple(msgspec.structs.replace(score, parts=len(scores)) for score in scores)
        if size <= FEWEST:
            raise _too_short(most_seconds, max(scores, key=lambda score: score.length))
        parts += 1


def _too_short(most_seconds: float, score: Score) -> CompanionError:
    needed = -(-score.length // 1000)
    return CompanionError(
        f"{most_seconds:g} s are too short: fewer keys than are played in {needed} s cannot be judged",
        "",
        f"give it {needed} s or more",
    )


def _planned(playable: Playable, keys: Sequence[int], seed: int, number: int = 1) -> Score:
    mark = mark_of(["keys", 2, seed, number, playable, list(keys)])
    writer = _Writer(Clock(mark), playable)
    middle = playable.velocities[len(playable.velocities) // 2]
    plain = [(key, velocity) for velocity in playable.velocities for key in interleaved(keys)]
    quarter = -(-len(plain) // 4)
    for index, (key, velocity) in enumerate(plain):
        if index % quarter == 0:
            writer.rest()
        writer.note("note", key, velocity)
    writer.rest()
    takes = min(playable.takes, MOST_TAKES)
    if takes > 1:
        for key in spread(keys, 8):
            for time in range(1, 2 * takes + 1):
                writer.note("take", key, middle, title=f"{writer.name(key)} again, {time} of {2 * takes}")
        writer.rest()
    for count in CHORDS:
        if count <= len(keys):
            writer.chord(spread(keys, count) if count > 1 else (keys[len(keys) // 2],), middle)
    writer.slots += voice_slots(writer.clock, keys, middle, playable.voices)
    writer.rest()
    return Score(part="keys", mark=mark, slots=tuple(writer.slots), length=writer.clock.now, number=number, takes=takes)
