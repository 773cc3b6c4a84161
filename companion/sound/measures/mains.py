"""Which mains the lines of a noise floor speak for: plain values, for the measures and for the rules."""

from collections.abc import Sequence
from typing import Final

MAINS_HZ: Final = (50.0, 60.0)
HARMONICS: Final = 10


def hum_of(lines: Sequence[float]) -> tuple[float, float] | None:
    """Return (mains frequency, prominence in dB) of the more likely mains; None where there are no ``lines``.

    The prominence of a mains is that of its fourth-highest harmonic, since a few lines near multiples of 50 or 60 Hz
    are found in any music.
    """
    if not lines:
        return None
    heights = [sorted(lines[place : place + HARMONICS])[-4] for place in (0, HARMONICS)]
    best = int(heights[1] > heights[0])
    return MAINS_HZ[best], heights[best]
