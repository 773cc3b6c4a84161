"""Faults put into real recordings, and which half of a bank limits were set on.

A bank is split by instrument: recordings that share one of up to 24 members lie in one half, by the digest of a name.
Limits are set on the half called tuned; the other, called frozen, is opened to be counted, not to be looked at.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

HALVES = ("tuned", "frozen")
_MOST_MEMBERS = 24
MAINS = (50.0, 60.0)


class Put(NamedTuple):
    """A recording with a fault: what it is, the sound, and the frames that are to be found."""

    fault: str
    sound: Any
    places: tuple[int, ...]


def halves(recordings: list[Any], instruments: dict[str, list[Any]]) -> list[str]:
    """Return the half that each recording lies in."""
    numbers = {id(one.samples): number for number, one in enumerate(recordings)}
    parent = list(range(len(recordings)))

    def root(number: int) -> int:
        while parent[number] != number:
            number = parent[number]
        return number

    for members in instruments.values():
        mine = [numbers[id(one.samples)] for one in members]
        if len(mine) <= _MOST_MEMBERS:  # a kit that plays everything would join all
            for other in mine[1:]:
                parent[root(other)] = root(mine[0])
    return [HALVES[hashlib.sha256(recordings[root(n)].name.encode()).digest()[0] & 1] for n in range(len(parent))]


def clicked(one: Any, rng: Any) -> Iterator[Put]:
    """Yield a recording with single clicks of −12 dB, two, a burst, a dropout, and clicks where all is quiet."""
    sound, rate = one.samples, one.rate
    peak = float(np.abs(sound).max())
    loud = np.flatnonzero(np.convolve(np.abs(sound), np.ones(200) / 200, "same") > 0.03 * peak)
    inside = loud[(loud > 0.06 * rate) & (loud < len(sound) - 0.12 * rate)]
    if not len(inside):
        return

    def put(fault: str, *offsets: float) -> Put:
        start = int(rng.choice(inside))
        places = tuple(start + round(offset * rate) for offset in offsets)
        changed = sound.copy()
        for place in places:
            changed[place] += 0.25 * peak * float(rng.choice((-1, 1)))
        return Put(fault, changed, places)

    yield put("click, −12 dB, tonal", 0.0)
    yield put("two clicks, 5 to 24 ms apart", 0.0, float(rng.uniform(0.005, 0.024)))
    yield put("burst of five", *np.cumsum(rng.uniform(0.004, 0.010, 5)))
    start, gap = int(rng.choice(inside)), int(rng.uniform(0.005, 0.020) * rate)
    silent = sound.copy()
    silent[start : start + gap] = 0
    yield Put("dropout of 5 to 20 ms", silent, (start, start + gap))
    rest, place = np.zeros(rate // 2, np.float32), len(sound) + rate // 4
    noise = (10 ** (-70 / 20) * rng.standard_normal(len(sound) + len(rest))).astype(np.float32)
    tail = 10 ** (-47 / 20) * peak * np.sin(2 * np.pi * 300 * np.arange(len(rest)) / rate)
    fade = np.linspace(1, 0, len(sound)).astype(np.float32) ** 2
    for fault, quiet, height in (
        ("click in digital silence, −26 dB", np.concatenate((sound, rest)), 0.05),
        ("click in noise of −70 dBFS, −34 dB", np.concatenate((sound, rest)) + noise, 0.02),
        ("click in a tail at −47 dB, −40 dB", np.concatenate((sound * fade, tail.astype(np.float32))), 0.01),
    ):
        quiet[place] += height * peak
        yield Put(fault, quiet, (place,))


def moved_ends(one: Any, rng: Any) -> Iterator[int]:
    """Yield loop ends moved by 10 to 60 frames, two for each loop that is long enough."""
    for _ in range(2 if one.loop_end - one.loop_start >= 8 else 0):
        moved = one.loop_end + int(rng.integers(10, 60)) * int(rng.choice((-1, 1)))
        if moved > len(one.samples):
            moved = 2 * one.loop_end - moved
        if moved - one.loop_start >= 8:
            yield moved


def humming(sound: Any, rate: int, mains: float, rng: Any) -> Any:
    """Return a recording over a mains hum of −60 dBFS: eight harmonics, each the weaker the higher."""
    time = np.arange(len(sound)) / rate
    hum = sum(np.sin(2 * np.pi * mains * n * time + rng.uniform(0, 6.3)) / n for n in range(1, 9))
    return (sound + 10 ** (-60 / 20) * hum / np.sqrt(np.mean(np.square(hum)))).astype(np.float32)
