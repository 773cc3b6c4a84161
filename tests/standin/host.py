"""A stand-in host: plays a MIDI file with an instrument, faults switched on by name. Not a model of any real one.

Host A takes round robins by turns and dithers. Host B draws takes at random, runs a free chorus over everything and has
noise at −70 dBFS. Host C draws takes but none twice in a row, begins and ends notes block by block and 11 ms late,
releases in a straight line of decibels with a kink, and sends everything through a small room that sways freely and a
soft limiter; it has noise at −80 dBFS. Host D is another engine (``host_d.py``).
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import mido
import numpy as np
from numpy.typing import NDArray

from . import host_d
from .instruments import Floats, Instrument
from .panel_host import block_of, limited, swaying

LATE_S = 0.011
LEVEL_DB = -12.0
"""Room for chords below full scale."""


@dataclass
class Voice:
    """One note as it is played: seconds, MIDI note and velocity."""

    on: float
    off: float
    key: int
    velocity: int


@dataclass(frozen=True)
class Faults:
    """What is broken, by name. Keys are MIDI notes.

    silent: keys that do not sound. transposed: semitones by key. gain: dB by key. inverted: keys softer when played
    harder. stuck: keys whose first note is never released. one_take: keys that always play their first take.
    click_on: keys with a click in the middle of each note. dropped: keys in whose first hard note the host is silent
    for a millisecond. voices: the most that sound at once; the oldest drops out.
    late: seconds by key by which notes begin later than they are played.
    hiss: dBFS of the noise each voice brings along. drive: dB by which the whole is driven into clipping.
    aside: keys whose sound comes from the right alone. centred: keys that sound the same on both sides. doubled:
    semitones by key at which it plays a second note along. short: keys whose notes end after 0.15 s. touch: the
    velocity by key whose layer always plays. offset: a constant share of full scale on the output. turned: left and
    right are exchanged throughout.
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
    aside: frozenset[int] = frozenset()
    centred: frozenset[int] = frozenset()
    doubled: Mapping[int, float] = field(default_factory=dict)
    short: frozenset[int] = frozenset()
    touch: Mapping[int, int] = field(default_factory=dict)
    offset: float = 0.0
    turned: bool = False

    def sound(self, instrument: Instrument, key: int, velocity: int, take: int, frames: int) -> Floats:
        """Return what a key plays, at the level it was recorded at, as an array of its own."""
        take = 0 if key in self.one_take else take
        sound = self._tuned(instrument, key, self.touch.get(key, velocity), take, frames)
        if key in self.doubled:
            other = instrument.sound(key + round(self.doubled[key]), velocity, take, frames)
            size = max(len(sound), len(other))
            sound = np.pad(sound, (0, size - len(sound))) + np.pad(other, (0, size - len(other)))
        if key in self.short:
            at, fade = int(0.15 * instrument.rate), int(0.02 * instrument.rate)
            sound = sound[: at + fade] * np.clip(
                (at + fade - np.arange(min(len(sound), at + fade), dtype=np.float32)) / fade, 0, 1
            )
        return np.array(sound, np.float32)

    def _tuned(self, instrument: Instrument, key: int, velocity: int, take: int, frames: int) -> Floats:
        raised = key + self.transposed.get(key, 0.0)
        nearest = round(raised)
        if raised == nearest:
            return instrument.sound(nearest, velocity, take, frames)
        ratio = 2 ** ((raised - nearest) / 12)  # between two keys: what is played is read a little faster or slower
        sound = instrument.sound(nearest, velocity, take, int(frames * ratio) + 2)
        place = np.arange(min(frames, int((len(sound) - 2) / ratio))) * ratio
        return np.asarray(np.interp(place, np.arange(len(sound)), sound), np.float32)

    def tear(self, sound: Floats, note: Voice, torn: set[int], draw: np.random.Generator, rate: int) -> None:
        """Put clicks and dropouts into a note. torn: the keys that had theirs."""
        if note.key in self.click_on:
            sound[min(len(sound) - 1, int(0.2 * rate))] += 0.25
        if note.key in self.dropped and note.velocity > 64 and note.key not in torn:
            torn.add(note.key)
            at = int(draw.uniform(0.1, 0.4) * rate)
            sound[at : at + rate // 1000] = 0

    def sides(self, key: int, left: float, right: float) -> tuple[float, float]:
        """Return the gains of both channels for a key that should have these."""
        if key in self.aside:
            return 0.0, left + right
        if key in self.centred:
            return (left + right) / 2, (left + right) / 2
        return (right, left) if self.turned else (left, right)


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
    if host == "D":
        return _set_off(host_d.render(notes, end, instrument, seed, faults, release, tail), faults)
    if host == "C":
        _by_blocks(notes, instrument.rate)
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
        sound = faults.sound(instrument, key, velocity, take, frames)
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
        faults.tear(sound, note, torn, draw, rate)
        first = round(note.on * rate)
        sound = sound[: len(out) - first]
        pan = 0.5 + 0.2 * np.sin(key)
        for channel, gain in enumerate(faults.sides(key, 1.4 * (1 - pan), 1.4 * pan)):
            out[first : first + len(sound), channel] += sound * np.float32(gain)
    out = _sent_out(out, rate, host, draw, LEVEL_DB + faults.drive)
    return _set_off(out, faults)


def _sent_out(out: Floats, rate: int, host: str, draw: np.random.Generator, decibels: float) -> Floats:
    gain = np.float32(10 ** (decibels / 20))
    if host == "B":
        out = _chorus(out, rate, draw)
        hiss = np.float32(10 ** ((-70 - LEVEL_DB) / 20)) * draw.standard_normal(out.shape).astype(np.float32)
        return np.asarray((out + hiss) * gain, np.float32)
    if host == "C":
        return limited(swaying(out, rate, draw) * np.float32(0.9) * gain, rate)
    return np.asarray((out + (draw.random(out.shape) - 0.5).astype(np.float32) / 32768) * gain, np.float32)


def _by_blocks(notes: list[Voice], rate: int) -> None:
    for note in notes:
        note.on = block_of(note.on + LATE_S, rate)
        note.off = max(block_of(note.off + LATE_S, rate), note.on + 0.01)


def _set_off(out: Floats, faults: Faults) -> Floats:
    return np.asarray(np.clip(out + np.float32(faults.offset), -1, 1), dtype=np.float32)


def _take(host: str, turn: int, last: int, takes: int, draw: np.random.Generator) -> int:
    if host == "A":
        return turn % takes
    if host == "C" and last >= 0 and takes > 1:
        return (last + 1 + int(draw.integers(takes - 1))) % takes
    return int(draw.integers(takes))


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
