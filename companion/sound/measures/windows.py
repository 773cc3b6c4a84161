"""Hann windows, made once for each length. They are shared, so that nobody may write into them."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray


@lru_cache(maxsize=16)
def hann(size: int) -> NDArray[np.float32]:
    """Return a Hann window of ``size`` samples, the first and the last zero."""
    return _kept(np.hanning(size))


@lru_cache(maxsize=16)
def open_hann(size: int) -> NDArray[np.float32]:
    """Return a Hann window of ``size`` samples without its zeros, so that the first and the last count."""
    return _kept(np.hanning(size + 2)[1:-1])


def _kept(window: NDArray[np.float64]) -> NDArray[np.float32]:
    single = window.astype(np.float32)
    single.setflags(write=False)
    return single
