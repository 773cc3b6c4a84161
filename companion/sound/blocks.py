"""Small things that several measures do to an array."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray


@lru_cache(maxsize=256)
def fast_length(size: int) -> int:
    """Return the smallest length of at least ``size`` whose only prime factors are 2, 3 and 5: quick to transform."""
    best = 1 << max(0, size - 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            rest = -(-size // three)
            best = min(best, three << max(0, rest - 1).bit_length())
            three *= 3
        five *= 5
    return best


def moving_sum(values: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Return the sum over ``reach`` values on either side and the value itself, shorter at the ends."""
    sums = np.concatenate(([0.0], np.cumsum(values)))
    place = np.arange(len(values))
    return sums[np.minimum(place + reach + 1, len(values))] - sums[np.maximum(place - reach, 0)]
