"""What samples would take as FLAC (RFC 9639), in bytes: packed for counting only, nothing is written or kept."""

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any, Final

from companion.core.cache import Cache, Table
from companion.core.crew import share
from companion.core.errors import Cancelled
from companion.core.progress import Watch
from companion.core.regular import handle_of
from companion.sound.files.chunks import Chunks
from companion.sound.files.headers import read_chunks
from companion.sound.measures.contents import AudioFile, Content, Memory, Still
from companion.sound.measures.pool import default_workers

MOST_CHANNELS: Final = 8
"""RFC 9639, section 9.1.3."""

_BLOCK_SAMPLES: Final = 1 << 18
# CAF and AU are left out: no header of theirs is read here, and AU's decoder takes one that was cut short for whole.
_PLAIN: Final = ("WAV", "RF64", "W64", "AIFF", "AIFC")
_DEPTHS: Final = {"PCM_U8": "PCM_S8", "PCM_S8": "PCM_S8", "PCM_16": "PCM_16", "PCM_24": "PCM_24", "PCM_32": "PCM_24"}
_BELOW_24: Final = 0xFF
"""The bits of a 32-bit integer that the deepest FLAC written here, of 24 bits, has no place for."""

_Step = Callable[[int], None]


def flac_sizes(
    files: Sequence[AudioFile], cache: Cache, watch: Watch, *, workers: int | None = None, still: Still | None = None
) -> dict[str, int | None]:
    """Return the bytes each file would take as FLAC at its own depth, by its relative path.

    None: FLAC cannot give back every sample (floating point, 32 bits that are all used, over 8 channels, a rate that
    the format's streamable subset has no place for), the file is coded already, cut short or unreadable, or would not
    become smaller. Packed as libsndfile's encoder does by default; other encoders differ by a few per cent.
    Only sound is counted: chunks such as loops and texts are not.

    Progress is in bytes read. Raises :class:`companion.core.errors.Cancelled`; what was counted until then stays in
    the cache.
    """
    with closing(Memory(files, Table(cache, "flac", 2, int), still)) as memory:
        todo = [(content.size, content) for content in memory.contents if content.key not in memory.known]
        found = [one for one in memory.contents if one.key in memory.known]
        results = {name: memory.known[one.key] for one in found for name in one.names}
        if todo:
            _count_new(todo, results, memory, watch, workers or default_workers())
    return {relative: results[relative] or None for relative, _, _ in files}


def _count_new(
    todo: list[tuple[int, Content]], results: dict[str, int], memory: Memory[int], watch: Watch, workers: int
) -> None:
    """Add the sizes of contents to ``results``, 0 where there is none."""
    watch.stage("Counting the samples as FLAC", sum(size for size, _ in todo), "bytes")
    stop, lock = threading.Event(), threading.Lock()

    def step(count: int) -> None:
        if stop.is_set():
            raise Cancelled
        watch.step(count)

    def count(contents: Iterator[tuple[int, Content]]) -> None:
        try:
            for size, content in contents:
                taken, sure = _counted(content.path, size, step)
                with lock:
                    results.update(dict.fromkeys(content.names, taken or 0))
                    if sure:
                        memory.keep(content, taken or 0)
        except BaseException:
            stop.set()  # the others need not finish the file they have
            raise

    try:
        # Threads suffice: the decoder of plain integers and the encoder both run without the interpreter.
        # The longest first, so that the last thread is not left alone with one.
        share(sorted(todo, key=lambda one: -one[0]), count, workers, "flac")
    finally:
        stop.set()


def _counted(path: Path, size: int, step: _Step) -> tuple[int | None, bool]:
    """Return the bytes as FLAC, or None, of one file of ``size`` bytes, and whether its content alone decided that."""
    import soundfile

    left = size

    def read(count: int) -> None:
        nonlocal left
        count = min(count, left)
        left -= count
        step(count)

    read(0)
    try:
        chunks = read_chunks(path)
        plain = chunks.format in _PLAIN and chunks.coding == "PCM" and not chunks.truncated and not chunks.problem
        fits = plain and 0 < chunks.channels <= MOST_CHANNELS and chunks.frames_present != 0
        taken, sure = _packed(path, chunks, read) if fits else (None, True)
    except (soundfile.SoundFileError, RuntimeError, AssertionError, OSError, ValueError, TypeError):
        taken, sure = None, False  # a disk may refuse today what it gives tomorrow
    step(left)
    return (taken if taken is not None and taken < size else None), sure


def _packed(path: Path, chunks: Chunks, step: _Step) -> tuple[int | None, bool]:
    import numpy as np
    import soundfile

    os.close(handle_of(path))
    with soundfile.SoundFile(str(path) if os.name == "nt" else os.fsencode(path)) as sound:
        depth, channels = _DEPTHS.get(sound.subtype), int(sound.channels)
        # What the decoder sees otherwise than the header reads is not vouched for.
        if depth is None or channels != chunks.channels or chunks.frames_promised not in (None, sound.frames):
            return None, True
        counter, frames = _Counter(), 0
        block = np.empty((max(1, _BLOCK_SAMPLES // channels), channels), np.int32)
        frame_bytes = channels * ((chunks.bits + 7) // 8)
        with soundfile.SoundFile(counter, "w", sound.samplerate, channels, depth, format="FLAC") as packed:
            while len(part := sound.read(out=block)):
                if sound.subtype == "PCM_32" and np.bitwise_or.reduce(part, axis=None) & _BELOW_24:
                    return None, True
                packed.write(part)
                frames += len(part)
                step(len(part) * frame_bytes)
        return (counter.size, True) if frames == sound.frames else (None, False)


class _Counter:
    """A file for the encoder to write to that keeps its length and nothing else."""

    def __init__(self) -> None:
        self.size = self._place = 0

    def write(self, data: Any) -> int:
        self._place += len(data)
        self.size = max(self.size, self._place)
        return len(data)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        self._place = offset + {os.SEEK_SET: 0, os.SEEK_CUR: self._place, os.SEEK_END: self.size}[whence]
        return self._place

    def tell(self) -> int:
        return self._place

    def read(self, count: int) -> bytes:
        return b""
