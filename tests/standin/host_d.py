"""Host D for the keys: another engine than A, B and C, written whole before any of its bounces was judged.

It hears events at the edges of buffers of 512 frames and sends sound out a buffer later. Touch follows a curve of its
own and opens a filter; takes come out of a bag that is filled anew when it is empty; no two notes are quite equally
loud or in tune. It has 24 voices: one too many takes the place of the softest that was let go of, else of the oldest.
The sum goes through a hall of a second and a half, 17 dB under it, and a soft clipper, and is dithered to 16 bits.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from .instruments import Floats, Instrument

BUFFER: Final = 512
VOICES: Final = 24
_HALL_S: Final = 1.5
_HALL: Final = 10 ** (-17 / 20)
_OUT: Final = 10 ** (-13 / 20)
_KNEE: Final = 0.5
_STOLEN_S: Final = 0.006


def loudness(velocity: int) -> float:
    """Return the gain of a touch: a power of it, as engines with a curve have it."""
    return float((velocity / 127) ** 1.7)


class Bag:
    """Takes in an order drawn anew whenever all have come."""

    def __init__(self, takes: int, draw: np.random.Generator) -> None:
        self._takes, self._draw, self._left = takes, draw, dict[int, list[int]]()

    def next(self, key: int) -> int:
        """Return the take of the next note of a key."""
        if not self._left.get(key):
            self._left[key] = self._draw.permutation(self._takes).tolist()
        return self._left[key].pop()


def at_buffer(seconds: float, rate: int, frames: int = BUFFER) -> int:
    """Return the frame at which an event is heard: the next edge of a buffer, and one buffer later."""
    return (-(-round(seconds * rate) // frames) + 1) * frames


def darkened(sound: Floats, velocity: int, rate: int) -> Floats:
    """Return a note through a filter of one pole that touch opens, from 1.5 to 16 kHz."""
    from scipy.signal import lfilter

    hertz = min(1500 * (16_000 / 1500) ** (velocity / 127), 0.45 * rate)
    pole = float(np.exp(-2 * np.pi * hertz / rate))
    return np.asarray(lfilter([1 - pole], [1, -pole], sound), np.float32)


def hall(out: Floats, rate: int, share: float = _HALL, seed: int = 5) -> Floats:
    """Return the sound in a hall that falls by 60 dB in 1.5 s, its first 20 ms empty."""
    from scipy.signal import oaconvolve

    draw = np.random.default_rng(seed)
    time = np.arange(int(_HALL_S * rate)) / rate
    tail = draw.standard_normal((len(time), 2)) * 10 ** (-3 * time / _HALL_S)[:, None]
    tail = np.concatenate((np.zeros((rate // 50, 2)), tail / np.sqrt((tail**2).sum(axis=0))))
    crossed = 0.7 * out + 0.3 * out[:, ::-1]
    wet = oaconvolve(crossed, tail.astype(np.float32), axes=0)[: len(out)]
    return np.asarray(out + np.float32(share) * wet, np.float32)


def clipped_softly(out: Floats) -> Floats:
    """Return the sound with what rises over −6 dBFS bent towards full scale."""
    over = np.abs(out) > _KNEE
    bent = np.sign(out) * (_KNEE + (1 - _KNEE) * np.tanh((np.abs(out) - _KNEE) / (1 - _KNEE)))
    return np.asarray(np.where(over, bent, out), np.float32)


def dithered(out: Floats, draw: np.random.Generator) -> Floats:
    """Return the sound in steps of 16 bits, with triangular dither."""
    noise = draw.random(out.shape, np.float32) - draw.random(out.shape, np.float32)
    return np.asarray(np.round(out * 32767 + noise) / 32767, np.float32)


def endings(spans: list[tuple[int, int]], loud: list[float], most: int, released: int) -> dict[int, int]:
    """Return at which frame a note is cut off, by its place, where it makes room for another.

    spans: when notes begin and are let go of, in frames; loud: their gains. A note that was let go of sounds on for
    ``released`` frames.
    """
    cut: dict[int, int] = {}
    sounding: list[int] = []
    for place, (on, _) in enumerate(spans):
        sounding = [one for one in sounding if spans[one][1] + released > on]
        while len(sounding) >= most:
            gone = [one for one in sounding if spans[one][1] <= on]
            lost = min(gone, key=lambda one: loud[one]) if gone else sounding[0]
            sounding.remove(lost)
            cut[lost] = on
        sounding.append(place)
    return cut


def render(
    notes: list[Any], end: float, instrument: Instrument, seed: int, faults: Any, release: float, tail: float
) -> Floats:
    """Return the bounce, (frames, 2). notes: as the stand-in host reads them; faults: as it has them."""
    rate, draw = instrument.rate, np.random.default_rng((seed, 4))
    bag = Bag(instrument.takes, draw)
    out = np.zeros((int((end + tail) * rate), 2), np.float32)
    late: Mapping[int, float] = faults.late
    spans = []
    hung: set[int] = set()
    for note in notes:
        on = at_buffer(note.on + late.get(note.key, 0.0), rate)
        off = max(at_buffer(note.off, rate), on + BUFFER)
        if note.key in faults.stuck and note.key not in hung:
            hung.add(note.key)
            off = len(out)
        spans.append((on, off))
    touched = [127 - note.velocity if note.key in faults.inverted else note.velocity for note in notes]
    cut = endings(spans, [loudness(one) for one in touched], min(faults.voices, VOICES), int(3 * release * rate))
    torn: set[int] = set()
    for place, note in enumerate(notes):
        take = bag.next(note.key)
        if note.key in faults.silent:
            continue
        first, off = spans[place]
        velocity = touched[place]
        frames = off - first + int(7 * release * rate) if instrument.held else 4 * rate
        sound = faults.sound(instrument, note.key, velocity, take, frames)
        sound = darkened(sound, velocity, rate)
        level = loudness(velocity) * 10 ** ((faults.gain.get(note.key, 0.0) + draw.normal(0, 0.2)) / 20)
        sound *= np.float32(level)
        sound[: rate // 1000] *= np.linspace(0, 1, rate // 1000, dtype=np.float32)[: len(sound)]
        let_go = off - first
        if let_go < len(sound) and (instrument.held or getattr(instrument, "kind", "") != "kit"):
            sound[let_go:] *= np.exp(-np.arange(len(sound) - let_go, dtype=np.float32) / np.float32(release * rate))
        if place in cut:
            stop, fade = max(0, cut[place] - first), int(_STOLEN_S * rate)
            sound = sound[: stop + fade]
            sound[stop:] *= np.linspace(1, 0, fade, dtype=np.float32)[: len(sound[stop:])]
        ends = min(len(sound), rate // 60)
        sound[len(sound) - ends :] *= np.linspace(1, 0, ends, dtype=np.float32)
        if faults.hiss is not None:
            sound += np.float32(10 ** (faults.hiss / 20)) * draw.standard_normal(len(sound)).astype(np.float32)
        faults.tear(sound, note, torn, draw, rate)
        sound = sound[: len(out) - first]
        angle = np.pi / 2 * (0.25 + 0.5 * note.key / 127)
        for channel, gain in enumerate(faults.sides(note.key, 1.3 * float(np.cos(angle)), 1.3 * float(np.sin(angle)))):
            out[first : first + len(sound), channel] += sound * np.float32(gain)
    out = hall(out, rate) * np.float32(_OUT * 10 ** (faults.drive / 20))
    return dithered(clipped_softly(out), draw)
