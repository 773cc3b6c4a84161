"""How strongly sound begins, moment by moment: what a bounce is aligned by. Arrays: one channel, float32."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

HOP_S: Final = 0.005
"""Seconds between values, nominally; the true hop is a whole number of samples."""
_WINDOW_S: Final = 0.04
_BANDS: Final = 24
_LOWEST_HZ: Final = 60.0
_HIGHEST_HZ: Final = 5000.0

Floats = NDArray[np.float32]


def _bands(size: int, rate: float) -> Floats:
    """Return weights (bins, bands): energy in bands of equal width on a logarithmic scale of frequency."""
    bins = np.fft.rfftfreq(size, 1 / rate)
    edges = np.geomspace(_LOWEST_HZ, min(_HIGHEST_HZ, rate * 0.45), _BANDS + 1)
    inside = (bins[:, None] >= edges[:-1]) & (bins[:, None] < edges[1:])
    return inside.astype(np.float32)


class Strength:
    """Collects energies in bands from blocks of one channel, and gives the strength of onsets at the end."""

    def __init__(self, rate: int) -> None:
        self._every = max(1, int(rate // 11_025))
        self.rate = rate / self._every
        self.hop = max(1, int(HOP_S * self.rate))
        self.size = int(2 ** np.ceil(np.log2(_WINDOW_S * self.rate)))
        self._window = np.hanning(self.size).astype(np.float32)
        self._weights = _bands(self.size, self.rate)
        self._rest: Floats = np.zeros(self.size // 2, np.float32)
        self._odd: Floats = np.zeros(0, np.float32)
        self._energies: list[Floats] = []

    @property
    def seconds(self) -> float:
        """Seconds between two values, exactly."""
        return self.hop / self.rate

    def add(self, block: Floats) -> None:
        """Take the next samples."""
        block = np.concatenate([self._odd, block]) if len(self._odd) else block
        whole = len(block) // self._every * self._every
        self._odd = block[whole:]
        thin = block[:whole].reshape(-1, self._every).mean(axis=1) if self._every > 1 else block
        self._rest = np.concatenate([self._rest, thin])
        count = (len(self._rest) - self.size) // self.hop + 1
        if count > 0:
            frames = np.lib.stride_tricks.sliding_window_view(self._rest, self.size)[:: self.hop][:count]
            for first in range(0, count, 512):
                spectra = np.fft.rfft(frames[first : first + 512] * self._window, axis=1)
                self._energies.append((np.abs(spectra) ** 2).astype(np.float32) @ self._weights)
            self._rest = self._rest[count * self.hop :]

    def finish(self) -> Floats:
        """Return the energies, (values, bands); value i is centred on the time ``i * seconds``."""
        self.add(np.zeros(self.size // 2 * self._every, np.float32))
        return np.concatenate(self._energies) if self._energies else np.zeros((0, _BANDS), np.float32)


def flux(energies: Floats) -> Floats:
    """Return how much louder the bands become, on a scale of decibels over their own floor, summed over the bands."""
    if len(energies) < 4:
        return np.zeros(len(energies), np.float32)
    floor = np.percentile(energies, 20, axis=0) + 1e-9 * energies.max() + 1e-12
    level = np.log10(1 + energies / floor)
    rise = np.zeros_like(level)
    rise[2:-1] = level[3:] - level[:-3]
    return np.asarray(np.maximum(rise, 0).sum(axis=1), np.float32)
