"""What of a format is really used: bits, bandwidth, channels. Arrays: (channels, frames), float32, full scale 1."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from companion.sound.measures.windows import hann

STEP_DB: Final = 26.0
EMPTY_DB: Final = -60.0
_FRAME: Final = 4096
_MOST_FRAMES: Final = 24
_BANDS: Final = 64
_FALL: Final = 6
_FIRST: Final = 4096


class Bits:
    """Gathers which bits of integer samples are ever used, and how alike two channels are."""

    def __init__(self, bits: int, channels: int) -> None:
        """``bits``: of the stored integers, 0 for other codings."""
        self._bits = bits
        self._used = np.int32(0)
        self._pair = channels == 2
        self._left = self._right = self._both = 0.0
        self._differ = False

    def add(self, block: NDArray[np.float32], integers: NDArray[np.int32] | None = None) -> None:
        """Take in a block; ``integers`` (left-aligned in 32 bits) where the decoder gave them."""
        # Most sounds use their lowest bit at once, and then there is nothing left to find.
        for part in (slice(0, _FIRST), slice(_FIRST, None)):
            if not self._bits or self._used & 1 or block[:, part].size == 0:
                break
            if integers is None:
                # float32 holds every integer of up to 24 bits exactly, so this finds the stored bits again.
                found = (block[:, part] * np.float32(2.0 ** (self._bits - 1))).astype(np.int32)
            else:
                found = integers[:, part]
            self._used |= np.bitwise_or.reduce(found, axis=None)
        if self._pair:
            left, right = block
            self._differ = self._differ or not np.array_equal(left, right)
            self._left += float(left @ left)
            self._right += float(right @ right)
            self._both += float(left @ right)

    @property
    def effective(self) -> int | None:
        """How many of the bits carry sound: those above the zeros that every sample ends in. None: not integers."""
        used = int(self._used) & 0xFFFFFFFF
        if not self._bits:
            return None
        return self._bits - ((used & -used).bit_length() - 1) if used else 0

    @property
    def correlation(self) -> float | None:
        """Of the left channel with the right, −1…1; None for other than two channels, or when one is silent."""
        energy = math.sqrt(self._left * self._right)
        return round(max(-1.0, min(1.0, self._both / energy)), 5) if self._pair and energy > 0 else None

    @property
    def same_channels(self) -> bool:
        """Whether left and right are equal to the bit, and not silent."""
        return self._pair and not self._differ and self._left > 0


def bandwidth(mono: NDArray[np.float32], rate: int) -> float | None:
    """Return the frequency in Hz of the cliff above which a sound is empty; half the rate where there is none.

    A cliff is a fall of over 26 dB within a tenth of the band, with everything above it 60 dB under the loudest
    band: the mark of a sound that was once at a lower rate, or coded with loss. None: too short to tell.
    """
    if len(mono) < _FRAME:
        return None
    starts = np.linspace(0, len(mono) - _FRAME, min(_MOST_FRAMES, len(mono) // _FRAME)).astype(int)
    frames = np.stack([mono[start : start + _FRAME] for start in starts]) * hann(_FRAME)
    power = (np.abs(np.fft.rfft(frames, axis=1)).astype(np.float64) ** 2).sum(axis=0)[1:]
    bands = 10 * np.log10(power.reshape(_BANDS, -1).mean(axis=1) + 1e-20)
    highest = bands.max()
    above = np.maximum.accumulate(bands[::-1])[::-1]
    for band in range(4, _BANDS - _FALL):
        if bands[band - 1] - above[band + _FALL - 1] > STEP_DB and above[band + _FALL - 1] < highest + EMPTY_DB:
            # Where, within the fall, the middle of it lies.
            middle = (bands[band - 1] + above[band + _FALL - 1]) / 2
            falls = next(step for step in range(band - 1, band + _FALL) if bands[step] <= middle)
            return round(falls * rate / 2 / _BANDS, 1)
    return rate / 2


def mixed(block: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return one channel of several: their mean, or the loudest where they cancel."""
    if len(block) == 1:
        only: NDArray[np.float32] = block[0]
        return only
    mean: NDArray[np.float32] = block.mean(axis=0, dtype=np.float32)
    loudest: NDArray[np.float32] = block[int(np.argmax([float(row @ row) for row in block]))]
    if float(mean @ mean) > 0.1 * float(loudest @ loudest):
        return mean
    return loudest
