"""A piece of music as a MIDI file: what it uses of an instrument. A stranger's file: read in bounds, and believed
nothing.
"""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import read_capped

if TYPE_CHECKING:
    from companion.core.facts import Control

MOST_BYTES: Final = 8 << 20
MOST_EVENTS: Final = 500_000
PEDAL: Final = 64
REPEAT_S: Final = 0.3
"""Seconds within which the same key again is a quick repeat: there round robins are heard."""
TOUCHES: Final = ((1, 42, "soft"), (43, 84, "middling"), (85, 127, "hard"))
"""Thirds of the range of velocities."""
HARDLY_MOVED: Final = 32
"""A controller that is moved over less than a quarter of its range was hardly used."""


class Played(msgspec.Struct, frozen=True, kw_only=True):
    """What a piece plays. keys: notes by MIDI note. velocities: notes by velocity. controls: [lowest, highest] value by
    controller. voices: the most keys held at once, with the pedal's. repeats: the same key again within 0.3 s.
    """

    seconds: float
    notes: int
    keys: dict[int, int] = {}
    velocities: dict[int, int] = {}
    controls: dict[int, tuple[int, int]] = {}
    voices: int = 0
    repeats: int = 0


def read_piece(path: Path) -> Played:
    """Return what a MIDI file plays. Raises :class:`CompanionError` for what is none, or is beyond all bounds."""
    return played(read_capped(path, MOST_BYTES, "MIDI file"), str(path))


def played(data: bytes, where: str = "") -> Played:
    """Return what the bytes of a MIDI file play; see :func:`read_piece`."""
    import mido

    keys: Counter[int] = Counter()
    velocities: Counter[int] = Counter()
    controls: dict[int, tuple[int, int]] = {}
    held: Counter[int] = Counter()
    rung: Counter[int] = Counter()
    last: dict[int, float] = {}
    now, voices, repeats, pedal = 0.0, 0, 0, False
    try:
        for count, message in enumerate(mido.MidiFile(file=io.BytesIO(data))):
            if count > MOST_EVENTS:
                raise CompanionError("This MIDI file holds more events than any piece", where, "give a shorter piece")
            now += message.time
            if message.type == "note_on" and message.velocity:
                key = message.note
                keys[key] += 1
                velocities[message.velocity] += 1
                repeats += now - last.get(key, -1.0) <= REPEAT_S
                last[key] = now
                held[key] += 1
                voices = max(voices, held.total() + rung.total())
            elif message.type in ("note_off", "note_on"):
                if held[message.note]:
                    held[message.note] -= 1
                    rung[message.note] += pedal
            elif message.type == "control_change":
                low, high = controls.get(message.control, (message.value, message.value))
                controls[message.control] = min(low, message.value), max(high, message.value)
                if message.control == PEDAL:
                    pedal = message.value >= 64
                    if not pedal:
                        rung.clear()
    except CompanionError:
        raise
    except Exception as error:  # a parser of a stranger's bytes may fail in any way
        raise CompanionError("This does not read as a MIDI file", where, "export it as Standard MIDI File") from error
    if not keys:
        raise CompanionError("This MIDI file plays no note", where, "export the piece with its notes")
    return Played(
        seconds=round(min(now, 1e7), 3),
        notes=keys.total(),
        keys=dict(sorted(keys.items())),
        velocities=dict(sorted(velocities.items())),
        controls=dict(sorted(controls.items())),
        voices=voices,
        repeats=repeats,
    )


def spans(keys: Sequence[int]) -> list[tuple[int, int]]:
    """Return keys, rising, as runs of neighbours, (first, last)."""
    found: list[tuple[int, int]] = []
    for key in keys:
        if found and key == found[-1][1] + 1:
            found[-1] = found[-1][0], key
        else:
            found.append((key, key))
    return found


def untouched(piece: Played, keys: Sequence[int], takes: int, controls: Sequence[Control], voices: int) -> list[str]:
    """Return in words what a piece never uses of an instrument; keys as runs of MIDI notes ``60–72``.

    keys: those it has. takes: round robins of a note. controls: as declared. voices: how many it is to bear, 0 where
    that is not stated.
    """
    found = []
    never = [key for key in keys if key not in piece.keys]
    if never:
        found.append("keys " + ", ".join(f"{low}–{high}" if high > low else f"{low}" for low, high in spans(never)))
    for low, high, word in TOUCHES:
        if not any(low <= velocity <= high for velocity in piece.velocities):
            found.append(f"{word} notes (velocity {low}–{high})")
    if takes > 1 and not piece.repeats:
        found.append("quick repeats, in which round robins are heard")
    if piece.controls.get(PEDAL, (0, 0))[1] < 64:
        found.append("the pedal")
    for control in controls:
        if control.cc is None or control.cc == PEDAL:
            continue
        moved = piece.controls.get(control.cc)
        if moved is None or moved[1] - moved[0] < HARDLY_MOVED:
            found.append(f"control “{control.name}”" + ("" if moved is None else " (hardly moved)"))
    if voices and piece.voices < voices:
        found.append(f"more than {piece.voices:,} of {voices:,} voices at once")
    return found
