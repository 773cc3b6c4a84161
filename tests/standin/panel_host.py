"""A stand-in host for the performance of the controls: an instrument with a panel, its faults switched on by name.

It reads the MIDI file, not the plan. Host A plays takes by turns and dithers; host B draws takes, has a chorus that
runs free of the notes, and hisses at −70 dBFS. Host C draws takes but none twice in a row, begins notes and hears
controllers block by block and 11 ms late, glides for 20 to 80 ms, releases in a straight line of decibels with a kink,
and sends everything through a small room that sways freely and a soft limiter. Host D is another engine
(``panel_d.py``). Controllers are ramped, as engines ramp them, except where a fault says so.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Sound = NDArray[Any]
Doubles = NDArray[np.float64]


@dataclass(frozen=True)
class Wire:
    """What a controller does. effect: a key of ``WORDS``. amount: 1 for all of its range. rest: where it stands."""

    cc: int
    effect: str
    amount: float = 1.0
    rest: int = 0


WORDS: Final[Mapping[str, str]] = {
    "level": "from soft to loud",
    "fade": "from silence to full level",
    "lowpass": "from dark to bright",
    "reverb": "from dry to wet",
    "width": "from narrow to wide",
    "pan": "from left to right",
    "tune": "raises the pitch",
    "attack": "from a fast to a slow attack",
    "release": "from a short to a long release",
    "vibrato": "more vibrato",
    "tremolo": "deeper tremolo",
    "detune": "from one voice to a detuned pair",
    "breath": "adds breath noise",
    "drive": "adds grit",
    "layer": "fades the second layer in",
    "other": "from the first sound to another",
}
"""What a maker would say each effect does, from its low end to its high end."""

NEUTRAL: Final[Mapping[str, int]] = {"level": 127, "fade": 127, "lowpass": 127, "width": 127, "pan": 64, "release": 32}


@dataclass(frozen=True)
class Source:
    """Recordings of one note, by take; stereo. loop: where it repeats, or none. key: the note they were made at.

    second: of another layer, played ``second_speed`` times as fast. other: what a switch puts in place of the takes.
    """

    takes: tuple[Sound, ...]
    second: Sound
    key: int
    rate: int
    loop: tuple[int, int] | None = None
    second_speed: float = 2.0
    other: Sound | None = None


def wired(effect: str, cc: int, amount: float = 1.0) -> Wire:
    """Return a wire at its effect's neutral place."""
    return Wire(cc, effect, amount, NEUTRAL.get(effect, 0))


# ---------------------------------------------------------------- sources


def _stereo(left: Doubles, right: Doubles, level: float = 0.25) -> Sound:
    both = np.stack([left, right], axis=1)
    made: Sound = (both / np.abs(both).max() * level).astype(np.float32)
    return made


@cache
def synthetic(kind: str, seed: int = 0, takes: int = 2, key: int = 60, rate: int = 24_000) -> Source:
    """Return a made-up note: ``struck`` dies away, ``sustained`` and ``pad`` loop; a pad begins slowly."""
    draw = np.random.default_rng((seed, len(kind)))
    pitch = 440 * 2 ** ((key - 69) / 12)
    seconds = {"struck": 4.0, "sustained": 3.0, "pad": 3.5}[kind]
    time = np.arange(int(seconds * rate)) / rate
    slope = draw.uniform(1.0, 1.9)
    weights = np.arange(1, 40) ** -slope * (1 + 0.4 * draw.standard_normal(39))
    made: list[Sound] = []
    for _ in range(takes + 1):
        sides = []
        turned = draw.uniform(0, 2 * np.pi, 39)
        for side in range(2):
            whole = np.zeros(len(time))
            for number in range(1, 40):
                if number * pitch > 0.45 * rate:
                    break
                stretch = 1 + (2e-4 * number**2 if kind == "struck" else 0)
                fade = np.exp(-time * (0.7 + 0.25 * number)) if kind == "struck" else 1.0
                weight = weights[number - 1] * (1 + 0.06 * draw.standard_normal())
                phase = turned[number - 1] + side * 0.5 * draw.standard_normal()
                whole += weight * fade * np.sin(2 * np.pi * number * stretch * pitch * time + phase)
            whole *= np.minimum(1, time / {"struck": 0.001, "sustained": 0.02, "pad": 0.12}[kind])
            whole += 0.003 * draw.standard_normal(len(time)) * (np.exp(-time / 0.3) if kind == "struck" else 1.0)
            sides.append(whole)
        made.append(_stereo(sides[0], sides[1]) * np.float32(draw.uniform(0.94, 1.06)))
    begin = int(1.0 * rate)
    span = round((seconds - 1.2) * pitch) * rate / pitch
    loop = None if kind == "struck" else (begin, begin + round(span))
    return Source(tuple(made[:takes]), made[-1], key, rate, loop)


def recorded(
    samples: Sound, key: int, rate: int, loop: tuple[int, int] | None, seed: int = 0, takes: int = 2
) -> Source:
    """Return a note of one real recording. Its takes differ as takes do: in level, and a little in tone."""
    from scipy.signal import lfilter

    draw = np.random.default_rng(seed)
    made = []
    for _ in range(takes + 1):
        tilt = draw.uniform(-0.08, 0.08)
        left = lfilter([1, tilt], [1], samples.astype(np.float64))
        shift = int(draw.uniform(0.003, 0.009) * rate)
        right = 0.8 * np.concatenate([np.zeros(shift), left[:-shift]]) + 0.2 * left
        made.append(_stereo(left, right) * np.float32(draw.uniform(0.92, 1.08)))
    return Source(tuple(made[:takes]), made[-1][:, ::-1].copy(), key, rate, loop)


# ---------------------------------------------------------------- controllers

_BLOCK: Final = 128
"""Frames that host C renders at once."""


@dataclass
class _Lane:
    """Where a controller stands at each frame, 0 to 1, as the engine hears it."""

    times: list[float]
    values: list[float]
    rate: int
    count: int
    ramped: bool = True
    glide: float = 0.006
    block: int = 1
    _curve: Sound | None = field(default=None, repr=False)

    def at(self, seconds: float) -> float:
        place = int(np.searchsorted(self.times, seconds + 1e-9, "right")) - 1
        return self.values[max(0, place)]

    def curve(self) -> Sound:
        if self._curve is None:
            from scipy.signal import lfilter

            steps = np.zeros(self.count, np.float32)
            places = [min(self.count, -(-round(time * self.rate) // self.block) * self.block) for time in self.times]
            for start, stop, value in zip(places, [*places[1:], self.count], self.values, strict=True):
                steps[start:stop] = value
            if self.ramped:
                pole = float(np.exp(-1 / (self.glide * self.rate)))
                for _ in range(2):
                    steps = lfilter([1 - pole], [1, -pole], steps, zi=[steps[0] * pole])[0].astype(np.float32)
            self._curve = steps
        return self._curve


def _lane(
    events: Sequence[tuple[float, int, int]],
    wire: Wire,
    faults: Mapping[str, Any],
    rate: int,
    count: int,
    host: str = "A",
) -> _Lane:
    """Return how the engine hears a controller, its faults among it."""
    times, values = [0.0], [wire.rest / 127]
    place, far, been = wire.rest, 127 if wire.rest < 64 else 0, False
    for time, cc, value in events:
        if cc != wire.cc:
            continue
        heard = value / 127
        if wire.cc in faults.get("reversed", ()):
            heard = 1 - heard
        if wire.cc in faults.get("jumping", ()):
            heard = round(heard * 2) / 2
        if wire.cc in faults.get("hysteresis", ()):
            heard = min(1.0, max(0.0, heard + (0.0 if value >= place else 0.3 * (heard > 0.05))))
        if wire.cc in faults.get("unreturned", ()):
            been = been or value == far
            if been and value == wire.rest:  # home again it lies 0.4 of the way to the end where it has been
                heard += 0.4 * (far / 127 - heard)
        place = value
        times.append(time)
        values.append(heard)
    if wire.cc in faults.get("reversed", ()):
        values[0] = 1 - values[0]
    if wire.cc in faults.get("dead", ()):
        times, values = [0.0], [wire.rest / 127]
    ramped = wire.cc not in faults.get("clicking", ())
    if host != "C":
        return _Lane(times, values, rate, count, ramped)
    # Two poles of these reach nine tenths in 20 to 80 ms; each controller has its own.
    return _Lane(times, values, rate, count, ramped, glide=(20 + wire.cc * 37 % 61) / 3900, block=_BLOCK)


# ---------------------------------------------------------------- rendering


def read_events(data: bytes) -> tuple[list[tuple[float, float, int, int]], list[tuple[float, int, int]], float]:
    """Return notes (on, off, key, velocity), controller messages (time, cc, value), and the end; in seconds."""
    import mido

    now, notes, moves = 0.0, [], []
    sounding: dict[int, list[tuple[float, int]]] = {}
    for message in mido.MidiFile(file=io.BytesIO(data)):
        now += message.time
        if message.type == "note_on" and message.velocity:
            sounding.setdefault(message.note, []).append((now, message.velocity))
        elif message.type in ("note_on", "note_off") and sounding.get(message.note):
            on, velocity = sounding[message.note].pop(0)
            notes.append((on, now, message.note, velocity))
        elif message.type == "control_change":
            moves.append((now, message.control, message.value))
    return sorted(notes), moves, now


def _played(source: Source, take: int, positions: Doubles) -> Sound:
    sound = source.second if take < 0 else source.takes[take]
    if source.loop:
        first, last = source.loop
        positions = np.where(positions < last, positions, first + (positions - first) % (last - first))
    whole = np.minimum(positions.astype(np.int64), len(sound) - 2)
    part = (positions - whole).astype(np.float32)[:, None]
    heard: Sound = sound[whole] * (1 - part) + sound[whole + 1] * part
    heard[positions >= len(sound) - 2] = 0
    return heard


class _Engine:
    def __init__(
        self,
        source: Source,
        wires: Sequence[Wire],
        moves: Any,
        count: int,
        faults: Mapping[str, Any],
        seed: int,
        host: str = "A",
    ) -> None:
        self.source, self.rate, self.count, self.faults, self.host = source, source.rate, count, faults, host
        self.draw = np.random.default_rng(seed)
        self.moves = moves
        swapped = dict(faults.get("swapped", ()))
        swapped |= {b: a for a, b in swapped.items()}
        by_cc = {wire.cc: wire for wire in wires}
        self.wires: dict[str, tuple[Wire, _Lane]] = {}
        for wire in wires:
            # A swapped controller moves what the other should, from where that one rests.
            heard = by_cc[swapped[wire.cc]] if wire.cc in swapped else wire
            lane = _lane(moves, replace(wire, cc=heard.cc), faults, source.rate, count, host)
            self.wires[wire.effect] = (wire, lane)

    def value(self, effect: str, seconds: float) -> float:
        """Return where an effect stands at a moment: its neutral place if nothing is wired to it."""
        rest = NEUTRAL.get(effect, 0) / 127
        if effect not in self.wires:
            return rest
        wire, lane = self.wires[effect]
        return rest + wire.amount * (lane.at(seconds) - rest)

    def curve(self, effect: str) -> Sound | None:
        return self.piece(effect, 0, self.count)

    def piece(self, effect: str, first: int, count: int) -> Sound | None:
        """Return where an effect stands over some frames; None if nothing is wired to it."""
        if effect not in self.wires:
            return None
        wire, lane = self.wires[effect]
        rest = np.float32(NEUTRAL.get(effect, 0) / 127)
        part = rest + np.float32(wire.amount) * (lane.curve()[first : first + count] - rest)
        return np.pad(part, (0, count - len(part)), mode="edge") if len(part) < count else part

    def voice(
        self, on: float, off: float, key: int, velocity: int, take: int, ending: float | None
    ) -> tuple[int, Sound]:
        rate = self.rate
        release = 0.04 * (1.6 / 0.04) ** self.value("release", off)
        length = int(((ending or off) - on + (0.02 if ending else min(6 * release, 4.0))) * rate)
        first = round(on * rate)
        time = np.arange(length) / rate
        cents = np.full(length, 100.0 * (key - self.source.key))
        tune = self.piece("tune", first, length)
        if tune is not None:
            cents = cents + 100.0 * tune
        vibrato = self.piece("vibrato", first, length)
        if vibrato is not None:
            cents = cents + 45.0 * vibrato * np.sin(2 * np.pi * 5.3 * time + self.draw.uniform(0, 6))
        position = np.cumsum(2 ** (cents / 1200)) - 1
        sound = _played(self.source, take, position)
        second = self.piece("layer", first, length)
        if second is not None:
            sound = sound + _played(self.source, -1, position * self.source.second_speed) * second[:, None]
        other = self.piece("other", first, length)
        if other is not None and self.source.other is not None:
            instead = replace(self.source, second=self.source.other, loop=None)
            sound = sound * (1 - other)[:, None] + _played(instead, -1, position) * other[:, None]
        detune = self.piece("detune", first, length)
        if detune is not None:
            apart = _played(self.source, -1, np.cumsum(2 ** ((cents + 22.0 * detune) / 1200)) + 0.013 * rate * 1.0)
            sound = sound * (1 - 0.4 * detune)[:, None] + apart * (0.6 * detune)[:, None]
        attack = 0.002 * (0.45 / 0.002) ** self.value("attack", on)
        envelope = 1 - np.exp(-3 * time / attack) if self.host == "C" else np.minimum(1, time / attack)
        if "attack" in self.wires and self.host != "C":
            envelope = np.sin(np.pi / 2 * envelope) ** 2
        end = int(((ending or off) - on) * rate)
        tail = np.arange(length - end) / rate
        if self.host == "C" and not ending:  # 30 dB at one pace, the rest at half of it
            fall = 8.686 * tail / release
            envelope[end:] *= 10 ** (-np.where(fall < 30, fall, 15 + fall / 2) / 20)
        else:
            envelope[end:] *= np.exp(-tail / (0.004 if ending else release))
        breath = self.piece("breath", first, length)
        if breath is not None:
            hiss = np.diff(self.draw.standard_normal((length + 1, 2)), axis=0)
            sound = sound + 0.02 * hiss * breath[:, None]
        loud = 10 ** ((velocity / 127 - 1) * 30 / 20)
        return first, (sound * (envelope * loud)[:, None]).astype(np.float32)


def render(
    data: bytes,
    source: Source,
    wires: Sequence[Wire],
    faults: Mapping[str, Any] | None = None,
    host: str = "A",
    seed: int = 1,
) -> Sound:
    """Return the bounce of a MIDI file, (frames, 2) at the source's rate.

    faults, by name: ``dead``, ``reversed``, ``jumping``, ``hysteresis``, ``unreturned``, ``clicking`` hold controllers;
    ``swapped`` pairs of them; ``order`` a pair, the whole 5 dB softer where the second moved last; ``pair_silent`` a
    pair that silences with both at 127; ``layer_drop`` (a controller, others): it costs 18 dB where it is up and they
    are down; ``voices`` how many sound at once.
    """
    faults = faults or {}
    notes, moves, end = read_events(data)
    rate = source.rate
    count = int((end + 0.5) * rate)
    if host == "C":
        late = 0.011
        notes = [
            (
                block_of(on + late, rate),
                max(block_of(off + late, rate), block_of(on + late, rate) + 0.01),
                key,
                velocity,
            )
            for on, off, key, velocity in notes
        ]
        moves = [(time + late, cc, value) for time, cc, value in moves]
    if host == "D":
        from .panel_d import render as render_d

        return render_d(notes, moves, count, source, wires, faults, seed)
    engine = _Engine(source, wires, moves, count, faults, seed, host)
    out = np.zeros((count, 2), np.float32)
    draw = np.random.default_rng((seed, 7))
    most = faults.get("voices")
    endings: dict[int, float] = {}
    if most:
        for number, (on, _, _, _) in enumerate(notes):
            sounding = [i for i in range(number) if notes[i][1] > on and i not in endings]
            if len(sounding) >= most:
                endings[sounding[0]] = on
    take = -1
    for number, (on, off, key, velocity) in enumerate(notes):
        take = _next_take(host, number, take, len(source.takes), draw)
        first, sound = engine.voice(on, off, key, velocity, take, endings.get(number))
        room = min(len(sound), count - first)
        out[first : first + room] += sound[:room]
    out = _master(out, engine)
    if host == "B":
        return _chorus(out, rate, draw)
    if host == "C":
        return limited(swaying(out, rate, draw), rate)
    return out + ((draw.random(out.shape) - 0.5) / 32768).astype(np.float32)


def _next_take(host: str, number: int, last: int, takes: int, draw: np.random.Generator) -> int:
    if host == "A":
        return number % takes
    if host == "C" and last >= 0 and takes > 1:
        return (last + 1 + int(draw.integers(takes - 1))) % takes
    return int(draw.integers(takes))


def block_of(seconds: float, rate: int) -> float:
    """Return the moment at which host C hears something: the next block."""
    return -(-round(seconds * rate) // _BLOCK) * _BLOCK / rate


def _master(out: Sound, engine: _Engine) -> Sound:
    drive = engine.curve("drive")
    if drive is not None:
        push = (1 + 24 * drive)[:, None]
        out = (np.tanh(out * push * 2) / (2 * push**0.6)).astype(np.float32)
    lowpass = engine.curve("lowpass")
    if lowpass is not None:
        out = _morphed(out, lowpass, engine.rate)
    tremolo = engine.curve("tremolo")
    if tremolo is not None:
        time = np.arange(len(out)) / engine.rate
        out = out * (10 ** (-9.0 / 20 * tremolo * (0.5 + 0.5 * np.sin(2 * np.pi * 4.7 * time))))[:, None]
    level = engine.curve("level")
    if level is not None:
        out = out * (10 ** ((level - 1) * 30 / 20))[:, None]
    fade = engine.curve("fade")
    if fade is not None:
        out = out * (fade**2)[:, None]
    out = _faulty(out, engine).astype(np.float32)
    reverb = engine.curve("reverb")
    if reverb is not None:
        out = out + _room(out, engine.rate) * reverb[:, None]
    width = engine.curve("width")
    if width is not None:
        middle, side = (out[:, 0] + out[:, 1]) / 2, (out[:, 0] - out[:, 1]) / 2 * width
        out = np.stack([middle + side, middle - side], axis=1)
    pan = engine.curve("pan")
    if pan is not None:
        out = out * np.sqrt(2) * np.stack([np.cos(pan * np.pi / 2), np.sin(pan * np.pi / 2)], axis=1)
    return out.astype(np.float32)


def _gate(engine: _Engine, active: NDArray[np.bool_], gain: float) -> Sound:
    from scipy.signal import lfilter

    pole = float(np.exp(-1 / (0.005 * engine.rate)))
    target = np.where(active, gain, 1.0)
    made: Sound = lfilter([1 - pole], [1, -pole], target, zi=[target[0] * pole])[0].astype(np.float32)
    return made


def _raw(engine: _Engine, cc: int) -> Sound:
    return _lane(engine.moves, Wire(cc, ""), {}, engine.rate, engine.count).curve()


def _faulty(out: Sound, engine: _Engine) -> Sound:
    faults = engine.faults
    if pair := faults.get("pair_silent"):
        both = (_raw(engine, pair[0]) > 0.95) & (_raw(engine, pair[1]) > 0.95)
        out = out * _gate(engine, both, 0.0)[:, None]
    if pair := faults.get("order"):
        late = np.zeros(len(out), bool)
        last: dict[int, float] = {}
        marks = [(t, cc, v) for t, cc, v in engine.moves if cc in pair]
        for index, (time, cc, _) in enumerate(marks):
            last[cc] = time
            first = round(time * engine.rate)
            until = round(marks[index + 1][0] * engine.rate) if index + 1 < len(marks) else len(out)
            after = last.get(pair[1], -1.0) > last.get(pair[0], -1.0)
            late[first:until] = after and last.get(pair[0], -1) >= 0
        out = out * _gate(engine, late, 10 ** (-5 / 20))[:, None]
    if drop := faults.get("layer_drop"):
        alone, others = drop
        active = (_raw(engine, alone) > 0.95) & np.all([_raw(engine, cc) < 0.05 for cc in others], axis=0)
        out = out * _gate(engine, active, 10 ** (-18 / 20))[:, None]
    return out


def _morphed(out: Sound, curve: Sound, rate: int) -> Sound:
    """Return the sound through a low-pass whose cutoff follows ``curve``: between filters that stand still."""
    from scipy.signal import butter, sosfilt

    edges = np.geomspace(350, 0.44 * rate, 9)
    place = np.clip(curve, 0, 1) * (len(edges) - 1)
    whole = np.zeros_like(out)
    for number, edge in enumerate(edges):
        for first, last in _spans(np.abs(place - number) < 1, rate // 20):
            part = out[first:last]
            if number < len(edges) - 1:
                part = sosfilt(butter(2, edge / (rate / 2), output="sos"), part, axis=0)
            weight = np.maximum(0, 1 - np.abs(place[first:last] - number)).astype(np.float32)
            whole[first:last] += part.astype(np.float32) * weight[:, None]
    return whole


def _spans(wanted: NDArray[np.bool_], before: int) -> list[tuple[int, int]]:
    """Return stretches [first, last) in which something is wanted, each begun ``before`` frames sooner."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], wanted, [False]]).astype(np.int8)))
    spans: list[tuple[int, int]] = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        sooner = max(0, first - before)
        spans.append((spans.pop()[0] if spans and sooner <= spans[-1][1] else sooner, last))
    return spans


def _room(out: Sound, rate: int) -> Sound:
    from scipy.signal import fftconvolve

    draw = np.random.default_rng(99)
    time = np.arange(int(1.2 * rate)) / rate
    tail = draw.standard_normal((len(time), 2)) * np.exp(-time / 0.25)[:, None] * 0.35 / np.sqrt(0.125 * rate)
    made: Sound = fftconvolve(out, tail, axes=0)[: len(out)].astype(np.float32)
    return made


def _chorus(out: Sound, rate: int, draw: np.random.Generator) -> Sound:
    time = np.arange(len(out))
    wet = np.zeros_like(out)
    for side in range(2):
        late = (0.008 + 0.002 * np.sin(2 * np.pi * 0.6 * time / rate + draw.uniform(0, 6))) * rate
        place = np.clip(time - late, 0, len(out) - 2)
        whole = place.astype(np.int64)
        part = (place - whole).astype(np.float32)
        wet[:, side] = out[whole, side] * (1 - part) + out[whole + 1, side] * part
    hiss = draw.standard_normal(out.shape).astype(np.float32) * np.float32(10 ** (-70 / 20))
    made: Sound = (0.7 * out + 0.4 * wet + hiss).astype(np.float32)
    return made


def swaying(out: Sound, rate: int, draw: np.random.Generator) -> Sound:
    """Return the sound in a small room, 16 dB under it, whose reflections wander freely; with noise at −80 dBFS."""
    front = rate // 10
    places = np.arange(front, front + len(out), dtype=np.int32)
    seconds = np.arange(len(out), dtype=np.float32) / np.float32(rate)
    late = np.zeros_like(out)
    for side in range(2):
        other = np.pad(out[:, 1 - side], (front, 0))
        for milliseconds, share in ((13.0, 0.7), (29.0, 0.5), (47.0, 0.35)):
            turn, phase = np.float32(2 * np.pi * draw.uniform(0.15, 0.5)), np.float32(draw.uniform(0, 6))
            delay = np.float32(rate / 1000) * (
                np.float32(milliseconds) + np.float32(1.5) * np.sin(turn * seconds + phase)
            )
            whole = delay.astype(np.int32)
            part = delay - whole
            at = places - whole
            late[:, side] += np.float32(share) * (other[at] * (1 - part) + other[at - 1] * part)
    hiss = draw.standard_normal(out.shape).astype(np.float32) * np.float32(10 ** (-80 / 20))
    made: Sound = (out + 0.16 * late + hiss).astype(np.float32)
    return made


def limited(out: Sound, rate: int) -> Sound:
    """Return the sound with what rises over −9 dBFS pressed together, in 2 ms, let go of in 60."""
    from scipy.ndimage import maximum_filter1d
    from scipy.signal import lfilter

    most = maximum_filter1d(np.abs(out).max(axis=1), 2 * max(1, rate // 500) + 1)
    wanted = np.minimum(1.0, (10 ** (-9 / 20) / np.maximum(most, 1e-9)) ** 0.6)
    fast, slow = (float(np.exp(-1 / (seconds * rate))) for seconds in (0.002, 0.06))
    smooth = lfilter([1 - slow], [1, -slow], wanted, zi=[wanted[0] * slow])[0]
    quick = lfilter([1 - fast], [1, -fast], wanted, zi=[wanted[0] * fast])[0]
    made: Sound = (out * np.minimum(smooth, quick)[:, None]).astype(np.float32)
    return made
