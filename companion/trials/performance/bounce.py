"""A bounce: a sound file that somebody made of a performance. Read in blocks, and slot by slot; never held whole."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Final, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from companion.core.errors import CompanionError
from companion.core.progress import QUIET, Watch
from companion.core.regular import handle_of

Floats = NDArray[np.float32]

BLOCK: Final = 1 << 17
MOST_CHANNELS: Final = 8
RATES: Final = (8_000, 384_000)
MOST_SECONDS: Final = 3 * 3600
_OFFSET: Final = 1e-4
"""Mean of a channel, −80 dBFS, under which an offset is heard in nothing."""


class Heard(Protocol):
    """What is judged: sound at ``rate`` frames a second, read by time."""

    rate: int
    seconds: float

    def read(self, first: float, last: float) -> Floats:
        """Return the frames from second ``first`` to ``last``, (frames, channels); outside the sound it is silent."""


class ArraySound:
    """Sound that is held in memory already. data: (frames, channels) or (frames,)."""

    def __init__(self, data: Floats, rate: int) -> None:
        self._data = data if data.ndim == 2 else data[:, None]
        self.rate = rate
        self.seconds = len(self._data) / rate

    def read(self, first: float, last: float) -> Floats:
        """See :class:`Heard`."""
        start, stop = round(first * self.rate), round(last * self.rate)
        here, there = min(max(start, 0), len(self._data)), min(max(stop, 0), len(self._data))
        return _padded(self._data[here:there], here - start, stop - there)

    def blocks(self, watch: Watch = QUIET) -> Iterator[Floats]:
        """Yield all of it, block by block."""
        for first in range(0, len(self._data), BLOCK):
            watch.step(len(self._data[first : first + BLOCK]))
            yield self._data[first : first + BLOCK]


class Bounce:
    """A sound file opened for judging. Use it as a context."""

    def __init__(self, path: Path) -> None:
        import soundfile

        try:
            os.close(handle_of(path))
            self._file = soundfile.SoundFile(str(path))
        except (soundfile.SoundFileError, OSError, RuntimeError, TypeError) as error:
            raise CompanionError(
                "This file does not read as sound", str(path), "bounce it again as WAV, AIFF or FLAC"
            ) from error
        self.rate = int(self._file.samplerate)
        self.frames = int(self._file.frames)
        self.channels = int(self._file.channels)
        self.seconds = self.frames / self.rate if self.rate else 0.0
        self._path = path
        if not RATES[0] <= self.rate <= RATES[1] or self.channels > MOST_CHANNELS or self.seconds > MOST_SECONDS:
            self._file.close()
            raise CompanionError(
                f"A bounce of {self.seconds:,.0f} s at {self.rate:,} Hz in {self.channels} channels is not judged",
                str(path),
                "bounce it in stereo at the rate of your samples",
            )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def _read(self, count: int) -> Floats:
        import soundfile

        try:
            data: Floats = self._file.read(count, dtype="float32", always_2d=True)
        except (soundfile.SoundFileError, OSError, RuntimeError) as error:
            raise CompanionError("The bounce cannot be read to its end", str(self._path), "bounce it again") from error
        np.nan_to_num(data, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        return np.clip(data, -64.0, 64.0, out=data)

    def read(self, first: float, last: float) -> Floats:
        """See :class:`Heard`."""
        start, stop = round(first * self.rate), round(last * self.rate)
        here, there = min(max(start, 0), self.frames), min(max(stop, 0), self.frames)
        self._file.seek(here)
        data = self._read(there - here)
        return _padded(data, here - start, stop - here - len(data))

    def blocks(self, watch: Watch = QUIET) -> Iterator[Floats]:
        """Yield all of it, block by block; a header that promises more than there is ends where the sound does."""
        self._file.seek(0)
        while len(block := self._read(BLOCK)):
            watch.step(len(block))
            yield block


def centred(sound: Heard, means: Sequence[float]) -> Heard:
    """Return sound without the means of its channels: a constant offset would pass for noise in every level."""
    return _Centred(sound, means) if max(map(abs, means), default=0.0) > _OFFSET else sound


class _Centred:
    def __init__(self, sound: Heard, means: Sequence[float]) -> None:
        self._sound, self._means = sound, np.array(means, np.float32)
        self.rate, self.seconds = sound.rate, sound.seconds

    def read(self, first: float, last: float) -> Floats:
        """See :class:`Heard`."""
        return np.asarray(self._sound.read(first, last) - self._means, np.float32)


def _padded(data: Floats, before: int, behind: int) -> Floats:
    if before <= 0 and behind <= 0:
        return data
    return np.pad(data, ((max(0, before), max(0, behind)), (0, 0)))
