"""The inside of the process that reads sound for pictures: questions in, answers out."""

from __future__ import annotations

import os
from contextlib import closing
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core import children
from companion.sound.drawing.values import Asked, DecayAsked, PitchAsked, SeamAsked, Seen, SpectrumAsked, WaveAsked

if TYPE_CHECKING:
    from companion.sound.drawing.waves import Overviews

MOST_MEMORY: Final = 1 << 30
_decode = msgspec.msgpack.Decoder(Asked).decode


def answer(asked: Asked) -> Seen:
    """Return what was asked of a file. Raises ``Unreadable``, or whatever a decoder throws."""
    from companion.sound.drawing import tracks, waves
    from companion.sound.files.decoding import AudioReader

    path = Path(os.fsdecode(asked.path))
    with closing(AudioReader(path)) as reader:
        match asked:
            case WaveAsked():
                return waves.wave_of(path, reader, asked, _overviews())
            case SeamAsked():
                return waves.seam_of_file(reader, asked)
            case PitchAsked():
                return tracks.pitch_along(reader, asked)
            case DecayAsked():
                return tracks.decay_along(reader, asked)
            case SpectrumAsked():
                return tracks.spectrum_along(reader, asked)


@cache
def _overviews() -> Overviews:
    from companion.sound.drawing.waves import Overviews

    return Overviews()


def reply(body: bytes) -> bytes:
    """Return the answer to one question behind a byte 0, or why there is none behind a byte 1."""
    try:
        return b"\0" + msgspec.msgpack.encode(answer(_decode(body)))
    except MemoryError:
        return b"\1reading it asks for more memory than any sample needs"
    except Exception as error:  # whatever a decoder throws belongs to this file
        return b"\1" + (str(error) or type(error).__name__).encode("utf-8", "replace")


def main() -> None:
    """Answer until there is nothing more to answer."""
    needed = ("companion.sound.drawing.tracks", "companion.sound.drawing.waves", "companion.sound.files.decoding")
    children.serve(reply, MOST_MEMORY, *needed)
