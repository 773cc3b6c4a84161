"""Finds the reader for an audio file by its first bytes, and returns what the file says of itself."""

from pathlib import Path
from typing import BinaryIO, Final

from companion.core.regular import buffered
from companion.sound.files import aiff, flac, riff
from companion.sound.files.chunks import Chunks, plain_name, read_mp3

_OTHERS: Final = {b"caff": "CAF", b".snd": "AU"}
"""Formats that are left to the decoder altogether."""


def read_chunks(path: Path) -> Chunks:
    """Return what ``path`` says of itself. Raises OSError where the file cannot be opened; never for its content."""
    with buffered(path) as stream:
        size = stream.seek(0, 2)
        stream.seek(0)
        return parse_chunks(stream, size)


def parse_chunks(stream: BinaryIO, size: int) -> Chunks:
    """Return what an open file of ``size`` bytes says of itself."""
    head = stream.read(40)
    readers = (
        (head[:4] in (b"RIFF", b"RF64", b"BW64", b"RIFX") and head[8:12] == b"WAVE", riff.read_riff),
        (head[:16] == riff.W64_RIFF and head[24:40] == riff.W64_WAVE, riff.read_w64),
        (head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"), aiff.read_aiff),
        (head[:4] == b"fLaC", flac.read_flac),
        (head[:4] == b"OggS", flac.read_ogg),
        (head[:3] == b"ID3" or (head[:1] == b"\xff" and head[1:2] >= b"\xe0"), read_mp3),
    )
    for fits, reader in readers:
        if fits:
            try:
                return reader(stream, size)
            except (ValueError, IndexError, OverflowError) as error:
                return Chunks(format=plain_name(head[:4]), problem=f"its header cannot be read: {error}")
    if head[:4] in _OTHERS:
        return Chunks(format=_OTHERS[head[:4]])
    return Chunks(problem="no known audio format begins like this" if size else "the file is empty")
