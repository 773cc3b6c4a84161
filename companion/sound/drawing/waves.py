"""A wave from afar and from near. Arrays: float32, shape (channels, frames), full scale 1.

Of a long file the lowest and highest of every 256 frames are kept, so that an hour is read once and then moved in.
"""

from __future__ import annotations

from collections import OrderedDict
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from companion.sound.drawing.values import SeamAsked, SeamSides, Wave, WaveAsked
from companion.sound.files.decoding import AudioReader
from companion.sound.measures.levels import ABSURD

CELL: Final = 256
_MOST_COLUMNS: Final = 8192
_KEPT: Final = 4
_SINGLE: Final = 4
"""Up to so many frames to a column each is given by itself: a line through them says more than their extremes."""

Sound = NDArray[np.float32]
Extremes = tuple[Sound, Sound]
"""Lowest and highest, each of shape (channels, stretches)."""


def cleaned(block: NDArray[np.float32]) -> Sound:
    """Return a block of shape (frames, channels) turned, with what is no sample replaced by 0, as the levels do."""
    sound = np.ascontiguousarray(block.T)
    return (
        sound if not len(block) or float(np.abs(sound).max()) < ABSURD else np.where(np.abs(sound) < ABSURD, sound, 0)
    )


def extremes(sound: Sound, edges: NDArray[np.int64]) -> Extremes:
    """Return the lowest and highest of each stretch; ``edges``: where each begins, in order, and the end."""
    starts = np.minimum(edges[:-1], sound.shape[1] - 1)
    body = sound[:, : edges[-1]]
    return np.minimum.reduceat(body, starts, axis=1), np.maximum.reduceat(body, starts, axis=1)


class Overviews:
    """The overviews of the files looked at last."""

    def __init__(self) -> None:
        self._held: OrderedDict[tuple[str, int, int], tuple[Sound, Sound, int]] = OrderedDict()

    def of(self, path: Path, reader: AudioReader) -> tuple[Sound, Sound, int]:
        """Return the lowest and highest of each 256 frames by channel, and how many frames there are."""
        status = path.stat()
        key = (str(path), status.st_size, status.st_mtime_ns)
        if key not in self._held:
            self._held[key] = _overview(reader)
            while len(self._held) > _KEPT:
                self._held.popitem(last=False)
        self._held.move_to_end(key)
        return self._held[key]


def _overview(reader: AudioReader) -> tuple[Sound, Sound, int]:
    lows, highs = [], []
    rest = np.zeros((reader.channels, 0), np.float32)
    frames = 0
    for block in reader.blocks():
        frames += len(block)
        sound = np.concatenate((rest, cleaned(block)), axis=1)
        whole = sound.shape[1] // CELL * CELL
        parts = sound[:, :whole].reshape(len(sound), -1, CELL)
        lows.append(parts.min(axis=2))
        highs.append(parts.max(axis=2))
        rest = sound[:, whole:]
    if rest.shape[1]:
        lows.append(rest.min(axis=1, keepdims=True))
        highs.append(rest.max(axis=1, keepdims=True))
    empty = np.zeros((reader.channels, 0), np.float32)
    return np.concatenate([empty, *lows], axis=1), np.concatenate([empty, *highs], axis=1), frames


def wave_of(path: Path, reader: AudioReader, asked: WaveAsked, overviews: Overviews) -> Wave:
    """Return the wave that was asked for; from the overview where it is longer than a block."""
    most = reader.block_frames
    whole = reader.promised
    lows = highs = np.zeros((reader.channels, 0), np.float32)
    long = whole > most and (asked.end or whole) - asked.start > most
    if not whole or long or whole > 1 << 40:
        lows, highs, whole = overviews.of(path, reader)
    end = min(asked.end or whole, whole)
    start = max(0, min(asked.start, end - 1))
    if end - start > most:
        low, high, single = *_from_overview(lows, highs, start, end, asked.columns), False
    else:
        sound = cleaned(reader.segment(start, end))
        end = start + sound.shape[1]
        whole = min(whole, end) if sound.shape[1] == 0 else whole
        low, high, single = _columns(sound, asked.columns)
    chosen = _chosen((low, high), asked)
    return Wave(
        rate=reader.rate,
        channels=reader.channels,
        whole=max(whole, end),
        start=start,
        end=end,
        lows=tuple(tuple(map(float, row)) for row in chosen[0]),
        highs=tuple(tuple(map(float, row)) for row in chosen[1]),
        single=single,
        peak=float(max(np.abs(low).max(initial=0.0), np.abs(high).max(initial=0.0))),
    )


def _edges(length: int, columns: int) -> NDArray[np.int64]:
    count = max(1, min(columns, _MOST_COLUMNS, length))
    return np.arange(count + 1, dtype=np.int64) * length // count


def _from_overview(lows: Sound, highs: Sound, start: int, end: int, columns: int) -> Extremes:
    first, last = start // CELL, -(-end // CELL)
    edges = _edges(last - first, columns)
    return extremes(lows[:, first:last], edges)[0], extremes(highs[:, first:last], edges)[1]


def _columns(sound: Sound, columns: int) -> tuple[Sound, Sound, bool]:
    if sound.shape[1] <= _SINGLE * columns:
        return sound, sound, True
    return *extremes(sound, _edges(sound.shape[1], columns)), False


def _chosen(found: Extremes, asked: WaveAsked) -> Extremes:
    low, high = found
    if asked.channel is not None and asked.channel < len(low):
        return low[asked.channel : asked.channel + 1], high[asked.channel : asked.channel + 1]
    if asked.apart or not low.shape[1]:
        return low, high
    return low.min(axis=0, keepdims=True), high.max(axis=0, keepdims=True)


def seam_of_file(reader: AudioReader, asked: SeamAsked) -> SeamSides:
    """Return the sound around both ends of a loop, all channels mixed."""

    def around(middle: int) -> tuple[float | None, ...]:
        first = max(0, middle - asked.reach)
        sound = cleaned(reader.segment(first, middle + asked.reach)).mean(axis=0)
        before: tuple[None, ...] = (None,) * (first - (middle - asked.reach))
        behind: tuple[None, ...] = (None,) * max(0, 2 * asked.reach - len(before) - len(sound))
        return (*before, *map(float, sound), *behind)

    return SeamSides(
        rate=reader.rate,
        whole=reader.promised,
        reach=asked.reach,
        at_end=around(asked.end),
        at_start=around(asked.start),
    )
