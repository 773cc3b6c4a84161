"""Instruments for the stand-in host: made of numbers, or of recordings. One channel, float32."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from companion.trials.performance.clicks import Dry

Floats = NDArray[np.float32]
KINDS: Final = ("struck", "sustained", "organ", "pad", "kit")


class Instrument(Protocol):
    """What a host can play. held: whether a note lasts as long as its key is held."""

    rate: int
    takes: int
    held: bool

    def sound(self, key: int, velocity: int, take: int, frames: int) -> Floats:
        """Return at most ``frames`` of a note at the level it was recorded at."""


def _played(sample: Floats, ratio: float, frames: int, loop: tuple[int, int] | None) -> Floats:
    """Return a sample read ``ratio`` times as fast, its loop [start, end) repeated where it has one."""
    place = np.arange(frames) * ratio
    if loop:
        first, end = loop
        place = np.where(place >= end, first + (place - first) % (end - first), place)
    else:
        place = place[place < len(sample) - 1]
    whole = np.minimum(place.astype(np.int64), len(sample) - 2)
    part = (place - whole).astype(np.float32)
    return np.asarray(sample[whole] * (1 - part) + sample[whole + 1] * part, np.float32)


class Made:
    """Sounds made of sines and noise, a sample every three keys (each key for kits), two layers, takes of their own."""

    def __init__(self, kind: str, *, takes: int = 2, seed: int = 0, rate: int = 44_100) -> None:
        self.kind, self.takes, self.rate, self._seed = kind, takes, rate, seed
        self.held = kind not in ("kit", "struck")
        self._made: dict[tuple[int, int, int], tuple[Floats, tuple[int, int] | None]] = {}

    def sound(self, key: int, velocity: int, take: int, frames: int) -> Floats:
        """See :class:`Instrument`."""
        root = key if self.kind == "kit" else key // 3 * 3
        name = (root, int(velocity >= 64), take)
        if name not in self._made:
            self._made[name] = self._make(*name)
        sample, loop = self._made[name]
        return _played(sample, 2 ** ((key - root) / 12), frames, loop)

    def _make(self, root: int, layer: int, take: int) -> tuple[Floats, tuple[int, int] | None]:
        draw = np.random.default_rng((self._seed, root, layer, take))
        base = 440 * 2 ** ((root - 69) / 12)
        if self.kind == "kit":
            return self._drum(draw, root), None
        time = np.arange(int(self.rate * (3.6 if self.kind == "pad" else 3.0))) / self.rate
        struck = self.kind == "struck"
        whole = np.zeros(len(time))
        for number in range(1, 9 if struck else 24):
            hertz = base * ([1, 2.76, 5.4, 8.93, 4.0, 3.0, 2.0, 6.1][number - 1] if struck else number)
            if hertz > self.rate * 0.45:
                continue
            size = number ** -(1.3 if layer else 1.8) * (1 + 0.2 * draw.standard_normal())
            fade = np.exp(-time * (0.8 + 0.5 * number) * (base / 200) ** 0.3) if struck else 1.0
            detuned = hertz * (1 + 2e-4 * draw.standard_normal())
            whole += size * fade * np.sin(2 * np.pi * detuned * time + draw.uniform(0, 6.28))
        if struck:
            whole += 0.3 * draw.standard_normal(len(time)) * np.exp(-time / 0.006)
        if self.kind == "sustained":
            whole *= np.minimum(1, time / 0.03) * (1 + 0.05 * np.sin(2 * np.pi * 5 * time + draw.uniform(0, 6.28)))
            whole += 0.01 * draw.standard_normal(len(time))
        whole *= np.minimum(1, time / {"pad": 0.5, "organ": 0.01}.get(self.kind, 1e-9))
        whole *= 0.4 * (0.9 + 0.2 * draw.random()) / np.abs(whole).max()
        period = self.rate / base
        first = self.rate
        end = first + round(1.8 * self.rate / period) * period
        return whole.astype(np.float32), None if struck else (first, round(end))

    def _drum(self, draw: np.random.Generator, root: int) -> Floats:
        time = np.arange(int(0.6 * self.rate)) / self.rate
        spectrum = np.fft.rfft(draw.standard_normal(len(time)))
        hertz = np.fft.rfftfreq(len(time), 1 / self.rate)
        middle = 200 + root * 337 % 5000
        whole = np.fft.irfft(spectrum * np.exp(-(((hertz - middle) / (middle * 0.5)) ** 2)), len(time))
        return np.asarray(0.4 * whole / np.abs(whole).max() * np.exp(-time / 0.08), np.float32)


class Recorded:
    """Recordings: each key plays the one whose root lies nearest. Each further take is coloured, and 3 cents higher.

    Those with a loop of under 20 frames are left out: no whole number of frames is in tune up there.
    """

    def __init__(self, recordings: Sequence[Any], *, rate: int = 44_100, takes: int = 2) -> None:
        """recordings: with ``rate``, ``samples``, ``root``, ``cents``, ``loop_start`` and ``loop_end``."""
        fit = [one for one in recordings if not 0 < one.loop_end - one.loop_start < 20]
        self._recordings, self.rate, self.takes = sorted(fit, key=lambda one: one.root), rate, takes
        self.held = all(one.loop_end > one.loop_start for one in self._recordings)

    def sound(self, key: int, velocity: int, take: int, frames: int) -> Floats:
        """See :class:`Instrument`."""
        del velocity
        one = self._plays(key)
        sample, cents = self._take(one, take)
        ratio = 2 ** ((100 * (key - one.root) - cents) / 1200) * one.rate / self.rate
        return _played(sample, ratio, frames, (one.loop_start, one.loop_end) if one.loop_end > one.loop_start else None)

    def _plays(self, key: int) -> Any:
        return min(self._recordings, key=lambda other: abs(other.root - key))

    def _take(self, one: Any, take: int) -> tuple[Floats, float]:
        """Return a take, and by how many cents the recording lies above its root."""
        sample = np.asarray(one.samples, np.float32)
        if take:  # struck elsewhere, as it were: every partial a little louder or softer, and otherwise in phase
            draw = np.random.default_rng((one.root, take))
            sample = np.convolve(sample, np.append(1.0, 0.2 * draw.standard_normal(24)), "same").astype(np.float32)
        return sample, one.cents - 3.0 * take

    def dry(self, key: int) -> list[Dry]:
        """Return what a key may play, as it would lie in a folder: a file for each take."""
        one = self._plays(key)
        loop = (one.loop_start, one.loop_end) if one.loop_end > one.loop_start else None
        takes = [self._take(one, take) for take in range(self.takes)]
        return [Dry(sample[:, None], one.rate, one.root + cents / 100, loop, str(one.root)) for sample, cents in takes]


class Folder:
    """A layer of a working folder: WAV files named ``layer_NOTE_vVELOCITY_rrTAKE``, middle C called C3."""

    held = False

    def __init__(self, files: Sequence[Path], rate: int = 44_100) -> None:
        import soundfile

        self.rate = rate
        self._samples: dict[tuple[int, int], list[tuple[Floats, int]]] = {}
        for path in sorted(files):
            match = re.fullmatch(r".*_([A-G])(#?)(\d)_v(\d+)_rr(\d+)", path.stem)
            if match:
                data, own = soundfile.read(path, dtype="float32", always_2d=True)
                note = 12 * (int(match[3]) + 2) + "C D EF G A B".index(match[1]) + len(match[2])
                self._samples.setdefault((note, int(match[4])), []).append((data[:, 0], own))
        self.takes = max(map(len, self._samples.values()))

    def sound(self, key: int, velocity: int, take: int, frames: int) -> Floats:
        """See :class:`Instrument`."""
        note, touch = min(self._samples, key=lambda one: (abs(one[0] - key), abs(one[1] - velocity)))
        takes = self._samples[note, touch]
        sample, own = takes[take % len(takes)]
        return _played(sample, 2 ** ((key - note) / 12) * own / self.rate, frames, None)
