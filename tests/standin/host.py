"""A stand-in host: plays a MIDI file with an instrument, faults switched on by name. Not a model of any real one.

Host A takes round robins by turns and dithers. Host B draws takes at random, runs a free chorus over everything and has
noise at −70 dBFS. Host C draws takes but none twice in a row, begins and ends notes block by block and 11 ms late,
releases in a straight line of decibels with a kink, and sends everything through a small room that sways freely and a
soft limiter; it has noise at −80 dBFS.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import mido
import numpy as np
from numpy.typing import NDArray

from .instruments import Floats, Instrument
from .panel_host import block_of, limited, swaying

LATE_S = 0.011
LEVEL_DB = -12.0
"""Room for chords below full scale."""


@dataclass(frozen=True)
class Faults:
    """What is broken, by name. Keys are MIDI notes.

    silent: keys that do not sound. transposed: semitones by key. gain: dB by key. inverted: keys softer when played
    harder. stuck: keys whose first note is never released. one_take: keys that always play their first take.
    click_on: keys with a click in the middle of each note. dropped: keys in whose first hard note the host is silent
    for a millisecond. voices: the most that sound at once; the oldest drops out.
    late: seconds by key by which notes begin later than they are played.
    hiss: dBFS of the noise each voice brings along. drive: dB by which the whole is driven into clipping.
    """

    silent: frozenset[int] = frozenset()
    transposed: Mapping[int, float] = field(default_factory=dict)
    gain: Mapping[int, float] = field(default_factory=dict)
    inverted: frozenset[int] = frozenset()
    stuck: frozenset[int] = frozenset()
    one_take: frozenset[int] = frozenset()
    click_on: frozenset[int] = frozenset()
    dropped: frozenset[int] = frozenset()
    voices: int = 1_000
    late: Mapping[int, float] = field(default_factory=dict)
    hiss: float | None = None
    drive: float = 0.0


@dataclass
class Voice:
    """One note as it is played: seconds, MIDI note and velocity."""

    on: float
    off: float
    key: int
    velocity: int


def voices_of(midi: bytes) -> tuple[list[Voice], list[tuple[float, Any]], float]:
    """Return the notes, the controller messages with their times, and the length in seconds."""
    now, held = 0.0, dict[int, list[Voice]]()
    notes: list[Voice] = []
    moves: list[tuple[float, Any]] = []
    for message in mido.MidiFile(file=io.BytesIO(midi)):
        now += message.time
        if message.type == "note_on" and message.velocity:
            notes.append(Voice(now, now, message.note, message.velocity))
            held.setdefault(message.note, []).append(notes[-1])
        elif message.type in ("note_on", "note_off") and held.get(message.note):
            held[message.note].pop(0).off = now
        elif message.type == "control_change":
            moves.append((now, message))
    return notes, moves, now


def _steal(notes: list[Voice], most: int) -> dict[int, float]:
    """Return at which second a note drops out, by its place, where more than ``most`` would sound."""
    lost: dict[int, float] = {}
    sounding: list[int] = []
    for place, note in enumerate(notes):
        sounding = [other for other in sounding if notes[other].off > note.on]
        sounding.append(place)
        while len(sounding) > most:
            lost[sounding.pop(0)] = note.on
    return lost


def render(
    midi: bytes,
    instrument: Instrument,
    *,
    host: str = "A",
    seed: int = 1,
    faults: Faults | None = None,
    release: float = 0.08,
    spread_db: float = 30.0,
    tail: float = 1.0,
) -> Floats:
    """Return the bounce, (frames, 2) at the instrument's rate.

    release: seconds in which a held note falls to 1/e. spread_db: between velocity 0 and 127.
    """
    faults = faults or Faults()
    notes, _, end = voices_of(midi)
    if host == "C":
        for note in notes:
            note.on = block_of(note.on + LATE_S, instrument.rate)
            note.off = max(block_of(note.off + LATE_S, instrument.rate), note.on + 0.01)
    for note in notes:
        note.on = min(note.on + faults.late.get(note.key, 0.0), note.off - 0.01)
    rate, draw = instrument.rate, np.random.default_rng(seed)
    out = np.zeros((int((end + tail) * rate), 2), np.float32)
    turn: dict[int, int] = {}
    takes: dict[int, int] = {}
    hung: set[int] = set()
    torn: set[int] = set()
    lost = _steal(notes, faults.voices)
    for place, note in enumerate(notes):
        key = note.key
        turn[key] = turn.get(key, -1) + 1
        take = _take(host, turn[key], takes.get(key, -1), instrument.takes, draw)
        takes[key] = take
        if key in faults.silent:
            continue
        velocity = 127 - note.velocity if key in faults.inverted else note.velocity
        off = lost.get(place, note.off)
        if key in faults.stuck and key not in hung:
            hung.add(key)
            off = end
        frames = int((off - note.on + 6 * release) * rate) if instrument.held or off < note.off else rate * 4
        raised = key + faults.transposed.get(key, 0)
        sound = instrument.sound(round(raised), velocity, 0 if key in faults.one_take else take, frames)
        level = (velocity / 127 - 1) * spread_db + faults.gain.get(key, 0)
        sound = sound * np.float32(10 ** (level / 20))
        # Struck instruments ring on unless their key is let go of early; kits always ring out.
        let_go = int((off - note.on) * rate)
        if let_go < len(sound) and (instrument.held or getattr(instrument, "kind", "") != "kit"):
            sound[let_go:] *= _release(len(sound) - let_go, release * rate, bent=host == "C")
        fade = min(len(sound), rate // 100)
        sound[len(sound) - fade :] *= np.linspace(1, 0, fade, dtype=np.float32)  # no engine cuts a tail off
        if faults.hiss is not None:
            sound += np.float32(10 ** (faults.hiss / 20)) * draw.standard_normal(len(sound)).astype(np.float32)
        _tear(sound, note, faults, torn, draw, rate)
        first = round(note.on * rate)
        sound = sound[: len(out) - first]
        pan = 0.5 + 0.2 * np.sin(key)
        out[first : first + len(sound), 0] += sound * np.float32(1.4 * (1 - pan))
        out[first : first + len(sound), 1] += sound * np.float32(1.4 * pan)
    if host == "B":
        out = _chorus(out, rate, draw)
        out += np.float32(10 ** ((-70 - LEVEL_DB) / 20)) * draw.standard_normal(out.shape).astype(np.float32)
    elif host == "C":
        out = swaying(out, rate, draw) * np.float32(0.9)
    else:
        out += (draw.random(out.shape) - 0.5).astype(np.float32) / 32768
    out = out * np.float32(10 ** ((faults.drive + LEVEL_DB) / 20))
    if host == "C":
        out = limited(out, rate)
    return np.asarray(np.clip(out, -1, 1), dtype=np.float32)


def _take(host: str, turn: int, last: int, takes: int, draw: np.random.Generator) -> int:
    if host == "A":
        return turn % takes
    if host == "C" and last >= 0 and takes > 1:
        return (last + 1 + int(draw.integers(takes - 1))) % takes
    return int(draw.integers(takes))


def _tear(sound: Floats, note: Voice, faults: Faults, torn: set[int], draw: np.random.Generator, rate: int) -> None:
    if note.key in faults.click_on:
        sound[min(len(sound) - 1, int(0.2 * rate))] += 0.25
    if note.key in faults.dropped and note.velocity > 64 and note.key not in torn:
        torn.add(note.key)
        at = int(draw.uniform(0.1, 0.4) * rate)
        sound[at : at + rate // 1000] = 0


def _release(frames: int, pace: float, *, bent: bool) -> Floats:
    """Return how a note falls once it is let go of. bent: 30 dB at one pace, the rest at half of it."""
    fall = 8.686 * np.arange(frames) / pace
    return (10 ** (-(np.where(fall < 30, fall, 15 + fall / 2) if bent else fall) / 20)).astype(np.float32)


def _chorus(out: Floats, rate: int, draw: np.random.Generator) -> Floats:
    time = np.arange(len(out)) / rate
    delay = (0.008 + 0.002 * np.sin(2 * np.pi * 0.6 * time + draw.uniform(0, 6.28))) * rate
    place = np.clip(np.arange(len(out)) - delay, 0, len(out) - 2)
    whole = place.astype(np.int64)
    part: NDArray[np.float32] = (place - whole)[:, None].astype(np.float32)
    late = out[whole] * (1 - part) + out[whole + 1] * part
    return np.asarray(0.7 * out + 0.4 * late, dtype=np.float32)
