"""Host D for the panel: effects of its own, events at the edges of buffers of 1,024 frames at 44.1 kHz (23 ms).

Controllers glide in a straight line for 20 to 50 ms. Touch follows a curve; takes come out of a bag; no two notes are
quite equally loud or in tune; 32 voices. The sum goes through a hall of 1.5 s, 20 dB under it, a soft clipper and
dither to 16 bits. Written whole before any of its bounces was judged; what its controls do differs from A, B and C in
size and curve: they follow a square or an exponential, and some do half of what those do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np

from . import host_d
from . import panel_host as plain

_BUFFER_S: Final = 1024 / 44_100
_VOICES: Final = 32
_HALL: Final = 10 ** (-20 / 20)


class Lane(plain._Lane):
    """A controller as host D hears it: a straight line over ``glide`` seconds from where it stood."""

    def curve(self) -> plain.Sound:
        if self._curve is None:
            steps = np.zeros(self.count, np.float32)
            places = [min(self.count, host_d.at_buffer(time, self.rate, self.block)) for time in self.times]
            places[0] = 0
            for start, stop, value in zip(places, [*places[1:], self.count], self.values, strict=True):
                steps[start:stop] = value
            if self.ramped:
                size = max(2, int(self.glide * self.rate))
                summed = np.cumsum(np.concatenate((np.full(size, steps[0]), steps)), dtype=np.float64)
                steps = ((summed[size:] - summed[:-size]) / size).astype(np.float32)
            self._curve = steps
        return self._curve


class Engine(plain._Engine):
    """Notes and controls as host D plays them."""

    def __init__(
        self,
        source: plain.Source,
        wires: Sequence[plain.Wire],
        moves: Any,
        count: int,
        faults: Mapping[str, Any],
        seed: int,
    ) -> None:
        super().__init__(source, wires, moves, count, faults, seed, "D")
        self.block = max(1, round(_BUFFER_S * source.rate))
        for effect, (wire, lane) in self.wires.items():
            own = Lane(lane.times, lane.values, lane.rate, lane.count, lane.ramped)
            own.glide, own.block = (20 + wire.cc * 13 % 31) / 1000, self.block
            self.wires[effect] = (wire, own)

    def voice(
        self, on: float, off: float, key: int, velocity: int, take: int, ending: float | None
    ) -> tuple[int, plain.Sound]:
        rate, source = self.rate, self.source
        first = host_d.at_buffer(on, rate, self.block)
        last = max(host_d.at_buffer(off, rate, self.block), first + self.block)
        release = 0.05 * (1.1 / 0.05) ** self.value("release", off)
        end = (host_d.at_buffer(ending, rate, self.block) if ending else last) - first
        length = end + int(rate * (0.02 if ending else min(7 * release, 5.0)))
        time = np.arange(length) / rate
        cents = np.full(length, 100.0 * (key - source.key) + self.draw.normal(0, 0.7))
        for effect, most in (("tune", 100.0), ("vibrato", 30.0)):
            there = self.piece(effect, first, length)
            if there is not None:
                turn = np.sin(2 * np.pi * 6.1 * time + self.draw.uniform(0, 6)) if effect == "vibrato" else 1.0
                cents = cents + most * there * turn
        position = np.cumsum(2 ** (cents / 1200)) - 1
        sound = plain._played(source, take, position)
        layer = self.piece("layer", first, length)
        if layer is not None:
            sound = sound + plain._played(source, -1, position * source.second_speed) * np.sqrt(layer)[:, None]
        other = self.piece("other", first, length)
        if other is not None and source.other is not None:
            instead = replace(source, second=source.other, loop=None)
            sound = sound * (1 - other)[:, None] + plain._played(instead, -1, position) * other[:, None]
        pair = self.piece("detune", first, length)
        if pair is not None:
            apart = plain._played(source, -1, np.cumsum(2 ** ((cents + 15.0) / 1200)) + 0.021 * rate)
            sound = sound + apart * (0.7 * pair)[:, None]
        breath = self.piece("breath", first, length)
        if breath is not None:
            sound = sound + 0.015 * self.draw.standard_normal((length, 2)) * (breath**2)[:, None]
        attack = 0.003 * (0.35 / 0.003) ** self.value("attack", on)
        envelope = np.minimum(1.0, time / attack) ** 1.5
        fall = np.exp(-(time[end:] - time[end]) / (0.004 if ending else release)) if end < length else 1.0
        envelope[end:] *= fall
        gain = host_d.loudness(velocity) * 10 ** (self.draw.normal(0, 0.2) / 20)
        return first, (sound * (envelope * gain)[:, None]).astype(np.float32)


def _filtered(out: plain.Sound, engine: Engine) -> plain.Sound:
    """Return the sound through two poles whose cutoff follows the control in steps of 32 frames, 200 Hz to 16 kHz."""
    from scipy.signal import lfilter

    curve = engine.curve("lowpass")
    if curve is None:
        return out
    top = min(16_000.0, 0.4 * engine.rate)
    edges = np.geomspace(200, top, 24)
    place = np.clip(curve, 0, 1) * (len(edges) - 1)
    whole = np.zeros_like(out)
    for number, edge in enumerate(edges):
        near = np.abs(place - number) < 1
        for first, last in plain._spans(near, engine.rate // 10):
            pole = float(np.exp(-2 * np.pi * edge / engine.rate))
            part = out[first:last]
            for _ in range(2):
                part = lfilter([1 - pole], [1, -pole], part, axis=0)
            weight = np.maximum(0, 1 - np.abs(place[first:last] - number)).astype(np.float32)
            whole[first:last] += part.astype(np.float32) * weight[:, None]
    return whole


def _master(out: plain.Sound, engine: Engine) -> plain.Sound:
    drive = engine.curve("drive")
    if drive is not None:
        push = (1 + 15 * drive**2)[:, None]
        out = np.arctan(out * push * 3) / (3 * push**0.5)
    out = _filtered(np.asarray(out, np.float32), engine)
    shake = engine.curve("tremolo")
    if shake is not None:
        time = np.arange(len(out)) / engine.rate
        out = out * (1 - 0.5 * shake * (0.5 - 0.5 * np.cos(2 * np.pi * 5.6 * time)))[:, None]
    level = engine.curve("level")
    if level is not None:
        out = out * (0.02 + 0.98 * level**2)[:, None]
    fade = engine.curve("fade")
    if fade is not None:
        out = out * fade[:, None]
    out = plain._faulty(out, engine).astype(np.float32)
    wet = engine.curve("reverb")
    if wet is not None:
        out = out + (host_d.hall(out, engine.rate, 0.5, seed=11) - out) * wet[:, None]
    width = engine.curve("width")
    if width is not None:
        middle, side = (out[:, 0] + out[:, 1]) / 2, (out[:, 0] - out[:, 1]) / 2 * width
        out = np.stack([middle + side, middle - side], axis=1)
    pan = engine.curve("pan")
    if pan is not None:  # a balance: one side is turned down, the other left
        out = out * np.stack([np.minimum(1, 2 - 2 * pan), np.minimum(1, 2 * pan)], axis=1)
    return out.astype(np.float32)


def render(
    notes: Sequence[tuple[float, float, int, int]],
    moves: Sequence[tuple[float, int, int]],
    count: int,
    source: plain.Source,
    wires: Sequence[plain.Wire],
    faults: Mapping[str, Any],
    seed: int,
) -> plain.Sound:
    """Return the bounce; see :func:`panel_host.render`."""
    engine = Engine(source, wires, moves, count, faults, seed)
    draw = np.random.default_rng((seed, 8))
    bag = host_d.Bag(len(source.takes), draw)
    spans = [(round(on * source.rate), round(off * source.rate)) for on, off, _, _ in notes]
    loud = [host_d.loudness(velocity) for *_, velocity in notes]
    most = min(faults.get("voices") or _VOICES, _VOICES)
    cut = host_d.endings(spans, loud, most, source.rate // 5)
    out = np.zeros((count, 2), np.float32)
    for number, (on, off, key, velocity) in enumerate(notes):
        ending = cut[number] / source.rate if number in cut and cut[number] < spans[number][1] else None
        first, sound = engine.voice(on, off, key, velocity, bag.next(key), ending)
        room = max(0, min(len(sound), count - first))
        out[first : first + room] += sound[:room]
    out = host_d.hall(_master(out, engine), source.rate, _HALL)
    return host_d.dithered(host_d.clipped_softly(out), draw)
