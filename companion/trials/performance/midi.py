"""A performance as a Standard MIDI File 1.0, type 1: one tick a millisecond, a marker for each slot, one channel."""

from __future__ import annotations

import io
import re
from typing import Final

import msgspec

from companion.core.text import visible
from companion.trials.performance.score import Score

TICKS: Final = 500
"""Ticks a quarter note, at 120 quarter notes a minute: one tick is a millisecond."""
HEAD: Final = "Release Companion performance"


class Asked(msgspec.Struct, frozen=True):
    """How a performance is asked for: the plan is made again from it. seconds: no more than that; 0: all of it.

    split: into parts of that length rather than fewer keys.
    """

    seed: int = 0
    seconds: int = 0
    split: bool = False


PLAIN: Final = Asked()


def midi_bytes(score: Score, title: str, asked: Asked = PLAIN) -> bytes:
    """Return the file. Its first text tells what it was made from; all sound is switched off at its end."""
    import mido

    head = mido.MidiTrack()
    head.append(mido.MetaMessage("track_name", name=_latin(title), time=0))
    text = (
        f"{HEAD}; {score.part}; mark {score.mark}; part {score.number} of {score.parts}; "
        f"seed {asked.seed}; for {asked.seconds}; split {int(asked.split)}"
    )
    head.append(mido.MetaMessage("text", text=text, time=0))
    head.append(mido.MetaMessage("set_tempo", tempo=500_000, time=0))
    now = 0
    for slot in score.slots:
        head.append(mido.MetaMessage("marker", text=_latin(slot.title), time=slot.start - now))
        now = slot.start
    head.append(mido.MetaMessage("end_of_track", time=score.length - now))
    events: list[tuple[int, int, mido.Message]] = []
    for slot in score.slots:
        events += [
            (move.at, 1, mido.Message("control_change", control=move.cc, value=move.value)) for move in slot.moves
        ]
        for note in slot.notes:
            events.append((note.on, 2, mido.Message("note_on", note=note.key, velocity=note.velocity)))
            events.append((note.off, 0, mido.Message("note_off", note=note.key, velocity=0)))
    # Pedal up, all sound off, all notes off (MIDI 1.0, channel mode messages).
    events += [
        (score.length - 10, 3, mido.Message("control_change", control=control, value=0)) for control in (64, 120, 123)
    ]
    events.sort(key=lambda event: event[:2])
    played, now = mido.MidiTrack(), 0
    for at, _, message in events:
        played.append(message.copy(time=at - now))
        now = at
    played.append(mido.MetaMessage("end_of_track", time=score.length - now))
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    file.tracks.extend([head, played])
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def _latin(text: str) -> str:
    """Return text that the format's Latin-1 holds, visible-safe; what it does not hold is a question mark."""
    return visible(text).encode("latin-1", "replace").decode("latin-1")


def asked_in(data: bytes) -> Asked | None:
    """Return how the performance in a MIDI file was asked for; None where the file holds none."""
    at = data.find(HEAD.encode())
    if at < 0:
        return None
    found = re.search(rb"seed (\d{1,9}); for (\d{1,6}); split ([01])", data[at : at + 200])
    return Asked(int(found[1]), int(found[2]), found[3] == b"1") if found else None
