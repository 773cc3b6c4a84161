"""Which frames of a file are heard, one behind the other, and how they are read: never more than what is played.

Arrays: float32, shape (frames, 2), full scale 1.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.sound.drawing.waves import cleaned
from companion.sound.files.decoding import AudioReader, Unreadable
from companion.sound.hearing.resampling import length_at, resampled, span_of
from companion.sound.hearing.values import Take

FADE_S: Final = 0.005
"""How quickly sound comes and goes where we cut it; where the file itself begins or ends it is left as it is."""
SEAM_S: Final = 1.0
"""Seconds of a loop on either side of its seam."""
PAUSE_S: Final = 0.3
"""Silence before what is repeated, so that its beginning is not taken for a fault."""
_SIDE: Final = float(np.sqrt(0.5))

Sound = NDArray[np.float32]


class Stretch(msgspec.Struct, frozen=True, kw_only=True):
    """``frames`` frames of a file from ``start`` on; those behind ``end`` go on at ``start``."""

    start: int
    end: int
    frames: int


def passages_of(take: Take, rate: int, whole: int) -> tuple[Stretch, ...]:
    """Return what is heard of a file of ``whole`` frames. Raises :class:`Unreadable` where that is nothing."""
    if take.seam:
        start, end = take.seam
        if not 0 <= start < end <= whole:
            raise Unreadable("its loop lies outside the file")
        near = max(1, round(SEAM_S * rate))
        before = max(0, end - near)
        return (
            Stretch(start=before, end=end, frames=end - before),
            Stretch(start=start, end=end, frames=near),
        )
    start = min(round(max(0.0, take.start_s) * rate), whole)
    end = min(whole, start + round(take.seconds * rate)) if take.seconds > 0 else whole
    if end <= start:
        raise Unreadable("there is no sound at that place" if whole else "it holds no sound")
    return (Stretch(start=start, end=end, frames=end - start),)


def in_stereo(block: NDArray[np.float32]) -> Sound:
    """Return sound of any number of channels in two: one is heard on both sides, further ones in the middle.

    What is mixed is made softer by as much as it may add up to, so that it is never louder than full scale.
    """
    sound = cleaned(block)
    if len(sound) == 1:
        sound = np.concatenate((sound, sound))
    elif len(sound) > 2:
        middle = _SIDE * sound[2:].sum(axis=0)
        sound = (sound[:2] + middle) / np.float32(1 + _SIDE * (len(sound) - 2))
    return np.ascontiguousarray(sound.T, dtype=np.float32)


class Track:
    """A take, read piece by piece. Raises :class:`Unreadable` on opening."""

    def __init__(self, take: Take, path: Path) -> None:
        self.take = take
        self._reader: Any = AudioReader(path)
        self.rate, self.channels = self._reader.rate, self._reader.channels
        try:
            self.passages = passages_of(take, self.rate, self._reader.promised)
        except Unreadable:
            self.close()
            raise
        self.frames = sum(one.frames for one in self.passages)
        self._cut_in = self.passages[0].start > 0
        self._cut_out = bool(take.seam) or self.passages[-1].end < self._reader.promised

    def close(self) -> None:
        """Close the file."""
        self._reader.close()

    def length(self, rate: int) -> int:
        """Return how many frames it lasts at ``rate`` Hz."""
        return length_at(self.frames, self.rate, rate)

    def second(self, frame: int, rate: int) -> float:
        """Return the place in the file, in seconds, of a frame at ``rate`` Hz of what is heard."""
        left = min(frame * self.rate // rate, self.frames - 1)
        for one in self.passages:
            if left < one.frames:
                return (one.start + left % (one.end - one.start)) / self.rate
            left -= one.frames
        return 0.0

    def piece(self, first: int, count: int, rate: int) -> Sound:
        """Return frames ``first`` up to ``first + count`` at ``rate`` Hz, clipped to what there is."""
        count = max(0, min(count, self.length(rate) - first))
        if not count:
            return np.zeros((0, 2), np.float32)
        start, end = span_of(first, count, self.rate, rate)
        sound = resampled(self._frames(start, end), first, count, self.rate, rate)
        return self._faded(sound, first, rate)

    def _faded(self, sound: Sound, first: int, rate: int) -> Sound:
        places = np.arange(first, first + len(sound))
        fade = max(1, min(round(FADE_S * rate), self.length(rate) // 2))
        gain = np.ones(len(sound), np.float32)
        if self._cut_in:
            gain = np.minimum(gain, places / fade)
        if self._cut_out:
            gain = np.minimum(gain, (self.length(rate) - 1 - places) / fade)
        return sound * gain.astype(np.float32)[:, None] if self._cut_in or self._cut_out else sound

    def _frames(self, start: int, end: int) -> Sound:
        """Return frames [start, end) of the passages, one behind the other; silence outside of them."""
        out = np.zeros((end - start, 2), np.float32)
        begins = 0
        for one in self.passages:
            low, high = max(start, begins), min(end, begins + one.frames)
            if low < high:
                out[low - start : high - start] = self._of_passage(one, low - begins, high - begins)
            begins += one.frames
        return out

    def _of_passage(self, one: Stretch, low: int, high: int) -> Sound:
        length = one.end - one.start
        if high <= length:
            return self._read(one.start + low, one.start + high)
        if length <= high - low:  # it goes round more than once: read once, taken as often
            return self._read(one.start, one.end)[np.arange(low, high) % length]
        first, last = low % length, high % length
        if first < last:
            return self._read(one.start + first, one.start + last)
        ahead = self._read(one.start + first, one.end)
        return np.concatenate((ahead, self._read(one.start, one.start + last)))

    def _read(self, start: int, end: int) -> Sound:
        out = np.zeros((end - start, 2), np.float32)
        while start < end:
            block = self._reader.segment(start, end)
            if not len(block):  # the file is shorter than it says
                if not self.take.seam:
                    self.frames = min(self.frames, max(0, start - self.passages[0].start))
                break
            out[len(out) - (end - start) :][: len(block)] = in_stereo(block)
            start += len(block)
        return out
