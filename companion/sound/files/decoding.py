"""Sound in blocks: a file is never held whole, and no size in its header is believed."""

import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import numpy as np
import soundfile
from numpy.typing import NDArray

from companion.core.regular import handle_of

BLOCK_SAMPLES: Final = 1 << 21
"""Samples of all channels read at a time: 8 MB, some 20 s of stereo, so that most recordings are one block."""

MOST_CHANNELS: Final = 64
_HIGHEST_RATE: Final = 1_536_000

_FAULTS: Final = (soundfile.SoundFileError, RuntimeError, OSError, ValueError)
"""What the decoder throws at a file that is damaged, or at a disk that fails."""

Samples = NDArray[np.float32]


class Unreadable(Exception):
    """The decoder cannot read this file; the text says why."""


class AudioReader:
    """An open audio file. Samples are float32, shape (frames, channels), full scale 1; floats stay what they are."""

    def __init__(self, path: Path) -> None:
        """Open ``path``; raises :class:`Unreadable`."""
        try:
            os.close(handle_of(path))
            self._file: Any = soundfile.SoundFile(str(path) if os.name == "nt" else os.fsencode(path))
        except (*_FAULTS, TypeError) as error:
            raise Unreadable(_plainly(error)) from error
        self.rate = int(self._file.samplerate)
        self.channels = int(self._file.channels)
        self.subtype = str(self._file.subtype)
        self.format = str(self._file.format)
        self.promised = int(self._file.frames)
        if self.channels > MOST_CHANNELS or not 0 < self.rate <= _HIGHEST_RATE:
            self.close()
            raise Unreadable(f"it claims {self.channels:,} channels at {self.rate:,} Hz")
        self.block_frames = max(4096, BLOCK_SAMPLES // self.channels // 128 * 128)
        # 32-bit integers do not fit float32's 24-bit mantissa, and their low bits are looked at.
        self._wide = self.subtype == "PCM_32"
        self.integers: NDArray[np.int32] | None = None

    def close(self) -> None:
        """Close the file; the reader is not used after this."""
        self._file.close()

    def _read(self, frames: int) -> Samples:
        if not self._wide:
            block: Samples = self._file.read(frames, dtype="float32", always_2d=True)
            return block
        self.integers = self._file.read(frames, dtype="int32", always_2d=True)
        assert self.integers is not None
        return self.integers.astype(np.float32) * np.float32(2.0**-31)

    def blocks(self) -> Iterator[Samples]:
        """Yield the sound from where the file stands to where it ends, whatever the header promised.

        Raises :class:`Unreadable` when the decoder gives up before the first frame; an error after it ends the sound.
        """
        done, most = 0, self.block_frames
        while True:
            try:
                # A header may promise 2^36 frames: ask for a block, and no more than the header says is left.
                block = self._read(min(most, max(1, self.promised - done)))
            except _FAULTS as error:
                # One bad frame spoils the whole block, so the good ones before it are read in ever smaller bites.
                most //= 8
                if most:
                    with suppress(*_FAULTS):
                        self._file.seek(done)
                        continue
                if done == 0:
                    raise Unreadable(_plainly(error)) from error
                return
            if not len(block):
                return
            done += len(block)
            yield block

    def segment(self, start: int, stop: int) -> Samples:
        """Return frames ``start`` up to ``stop`` (clipped to what is there; at most a block); empty where it fails."""
        start = max(0, start)
        with suppress(*_FAULTS):
            self._file.seek(start)
            return self._read(max(0, min(stop - start, self.block_frames)))
        return np.zeros((0, self.channels), np.float32)


def _plainly(error: Exception) -> str:
    """Return the decoder's message without the path, which stands elsewhere."""
    text = str(error)
    _, colon, rest = text.rpartition(": ")
    return (rest if colon else text).strip() or error.__class__.__name__
