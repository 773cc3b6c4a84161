"""Slabs of slate, struck, brushed and hummed over: the sounds of the demo, made of sines and noise.

Every function returns float64 in −1…1, one channel, and depends on nothing but its arguments. Each sound starts and
ends at zero, rises gently, dies away to silence and carries no constant offset.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Signal = NDArray[np.float64]

RATE = 22_050


class Loop(NamedTuple):
    """Frames of a loop, both inside it."""

    start: int
    end: int


def frequency(note: float) -> float:
    """Return the frequency of a MIDI note number in Hz: 440 · 2^((note − 69) / 12)."""
    return float(440.0 * 2.0 ** ((note - 69.0) / 12.0))


def dice(*what: int) -> np.random.RandomState:
    """Return a generator of its own for each sound; RandomState is the one whose stream is frozen for good."""
    return np.random.RandomState([1973, *what])


def noise(random: np.random.RandomState, count: int) -> Signal:
    """Return white noise of unit variance, uniform, so that no transcendental function has a part in it."""
    return np.asarray((random.random_sample(count) - 0.5) * np.sqrt(12.0))


def rise(count: int, frames: int) -> Signal:
    """Return an envelope of ``count`` frames that goes from 0 to 1 as half a cosine within ``frames``, then stays."""
    envelope = np.ones(count)
    envelope[:frames] = 0.5 - 0.5 * np.cos(np.pi * np.arange(frames) / frames)
    return envelope


def fade(count: int, frames: int) -> Signal:
    """Return an envelope that stays at 1 and goes to 0 within its last ``frames``."""
    return rise(count, frames)[::-1]


def settled(signal: Signal, envelope: Signal, rms: float, rate: int) -> Signal:
    """Return ``signal`` under ``envelope``, free of offset, its first 0.4 s at the level ``rms``."""
    shaped = signal * envelope
    shaped = shaped - envelope * (shaped.sum() / envelope.sum())
    head = shaped[: int(0.4 * rate)]
    return np.asarray(shaped * (rms / np.sqrt(np.mean(head**2))))


def struck(note: int, velocity: int, take: int, rate: int = RATE, cents: float = 0.0) -> Signal:
    """A mallet on slate: a bar tuned to 1 : 4 : 10, as bars of instruments are, and the knock of the stone."""
    random = dice(1, note, velocity, take)
    hard = velocity / 127.0
    time = np.arange(int(0.9 * rate)) / rate
    pitch = frequency(note + (cents + (4.0 if take == 1 else -4.0)) / 100.0)
    tone = np.zeros_like(time)
    for ratio, amplitude, decay in ((1, 1.0, 0.7), (4, 0.6, 0.55), (10, 0.3, 0.3)):
        strength = amplitude * (0.5 + random.random_sample()) * hard ** (ratio / 10)
        lasts = decay * (0.85 + 0.3 * random.random_sample())
        phase = 2 * np.pi * random.random_sample()
        tone += strength * np.exp(-6.9 * time / lasts) * np.sin(2 * np.pi * pitch * ratio * time + phase)
    knock = 0.25 * hard * noise(random, len(time)) * np.exp(-time / 0.012)
    grain = 0.004 * noise(random, len(time)) * np.exp(-time / 0.1)
    envelope = rise(len(time), int(0.003 * rate)) * fade(len(time), int(0.05 * rate))
    return settled(tone + knock + grain, envelope, 0.1 if velocity > 64 else 0.035, rate)


def brushed(note: int, take: int, rate: int = RATE) -> Signal:
    """A brush drawn over slate: a breathy tone that swells, wavers and dies away."""
    random = dice(2, note, take)
    time = np.arange(int(0.8 * rate)) / rate
    pitch = frequency(note + (2.0 if take % 2 else -2.0) / 100.0)
    tone = np.zeros_like(time)
    for harmonic in range(1, 7):
        strength = harmonic**-1.3 * (0.6 + 0.8 * random.random_sample())
        phase = 2 * np.pi * random.random_sample()
        tone += strength * np.sin(2 * np.pi * pitch * harmonic * time + phase)
    wavering = 1 + 0.12 * np.sin(2 * np.pi * (4 + 2 * random.random_sample()) * time + 6 * random.random_sample())
    breath = 0.1 * noise(random, len(time))
    swell = np.minimum(1.0, np.exp(-(time - 0.25) / 0.085))
    envelope = rise(len(time), int(0.03 * rate)) * swell * fade(len(time), int(0.05 * rate))
    return settled(tone * wavering + breath, envelope, 0.11, rate)


def hummed(note: int, rate: int = RATE) -> tuple[Signal, Loop]:
    """A voice humming over slate, and its loop: the steady part repeats itself exactly, breath and all."""
    random = dice(3, note)
    periods, length = whole_periods(frequency(note) / rate, int(0.35 * rate), int(0.6 * rate))
    start = int(0.2 * rate)
    count = start + length + int(0.45 * rate)
    frames = np.arange(count)
    tone = np.zeros(count)
    for harmonic in range(1, 9):
        strength = harmonic**-1.6 * (0.8 + 0.4 * random.random_sample())
        turn = random.random_sample()
        tone += strength * np.sin(2 * np.pi * (periods * harmonic * frames / length + turn))
    breath = 0.02 * noise(random, length)[frames % length]
    after = np.maximum(0, frames - (start + length))
    envelope = rise(count, int(0.04 * rate)) * np.exp(-after / (0.06 * rate)) * fade(count, int(0.05 * rate))
    return settled(tone + breath, envelope, 0.11, rate), Loop(start, start + length - 1)


def whole_periods(per_frame: float, shortest: int, longest: int) -> tuple[int, int]:
    """Return (periods, frames) of the shortest loop that fits a pitch of ``per_frame`` periods a frame best."""
    lengths = np.arange(shortest, longest)
    periods = np.rint(lengths * per_frame)
    misses = np.abs(periods / lengths - per_frame)
    # Lengths that are as good as each other differ by the last bit of a power, which libraries round differently.
    best = int(np.argmax(misses <= misses.min() + 1e-9))
    return int(periods[best]), int(lengths[best])


def cave(rate: int = RATE) -> Signal:
    """The impulse response of a small cave: noise that falls by 60 dB in 0.4 s, from its very first frame."""
    random = dice(4)
    time = np.arange(int(0.6 * rate)) / rate
    envelope = np.exp(-6.9 * time / 0.4) * rise(len(time), int(0.01 * rate)) * fade(len(time), int(0.1 * rate))
    tail = 0.25 * noise(random, len(time)) * envelope
    tail[0] = 0.7
    return np.asarray(tail - envelope * (tail.sum() / envelope.sum()))
