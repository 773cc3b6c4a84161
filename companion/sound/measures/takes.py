"""Whether two takes are one recording. Arrays: one channel, float32."""

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

OUTLINE: Final = 2048
_EMPHASIS: Final = 0.95
_LENGTH: Final = OUTLINE + OUTLINE // 4
"""Of the transforms: long enough that what is shifted by a quarter meets no other end."""


def outline_of(mono: NDArray[np.float32]) -> bytes:
    """Return 2,048 samples around the highest one as signed bytes, brightened; empty when the sound is too short.

    The highest sample is where it is whatever the gain, or the silence in front. Brightening (a first difference) puts
    the weight on what never comes twice: two strokes share their fundamental, but not their noise.
    """
    if len(mono) < OUTLINE // 2:
        return b""
    top = int(np.argmax(np.abs(mono)))
    start = max(0, min(top - OUTLINE // 4, len(mono) - OUTLINE))
    part = mono[start : start + OUTLINE]
    bright = part[1:] - np.float32(_EMPHASIS) * part[:-1]
    height = float(np.abs(bright).max(initial=0.0))
    return bytes(np.round(bright * (127 / height)).astype(np.int8)) if height > 0 else b""


@lru_cache(maxsize=64)
def _prepared(raw: bytes) -> tuple[NDArray[np.float64], NDArray[np.complex64]]:
    """Return an outline and its spectrum: each is compared with several others."""
    values = np.frombuffer(raw, np.int8)
    spectrum = np.fft.rfft(values.astype(np.float32), _LENGTH).astype(np.complex64, copy=False)
    return values.astype(np.float64), spectrum


def likeness(one: bytes, other: bytes) -> float:
    """Return the highest correlation of two outlines, aligned within a quarter of their length; 0–1, sign ignored."""
    size = min(len(one), len(other))
    if size < OUTLINE // 4:
        return 0.0
    (first, first_spectrum), (second, second_spectrum) = _prepared(one), _prepared(other)
    product = np.fft.irfft(first_spectrum * np.conj(second_spectrum), _LENGTH)
    reach = size // 4
    near = np.abs(np.concatenate((product[: reach + 1], product[-reach:])))
    best = 0.0
    for place in np.argpartition(near, -3)[-3:]:
        lag = int(place) if place <= reach else int(place) - len(near)
        head, tail = (first[lag:], second) if lag >= 0 else (first, second[-lag:])
        common = min(len(head), len(tail))
        head, tail = head[:common], tail[:common]
        energy = float(np.sqrt((head @ head) * (tail @ tail)))
        best = max(best, abs(float(head @ tail)) / energy) if energy > 0 else best
    return min(1.0, best)
