"""Asks a process of its own what is in a sound file, so that one that crashes or stalls a decoder costs its picture."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final, TypeVar

import msgspec

from companion.core.children import Child
from companion.core.errors import CompanionError
from companion.core.progress import QUIET, Watch
from companion.sound.drawing.values import Asked, Seen

GRACE_SECONDS: Final = 30.0
SLOWEST_BYTES: Final = 5_000_000
"""A file may take ``GRACE_SECONDS`` plus a second for each so many bytes."""

_OTHER: Final = "look at another, or mend the file"
Answer = TypeVar("Answer", bound=Seen)


class Viewer:
    """Looks into sound files. Methods may be called from any thread; the process starts with the first question."""

    def __init__(self) -> None:
        self._child = Child("companion.sound.drawing.worker")

    def look(self, asked: Asked, kind: type[Answer], watch: Watch = QUIET) -> Answer:
        """Return the answer, of ``kind``. Raises :class:`CompanionError` where there is none, ``Cancelled`` if stopped.

        The file must be a file: a pipe is never opened.
        """
        path = Path(os.fsdecode(asked.path))
        try:
            if not path.is_file():
                raise CompanionError("There is no such file", str(path), "check the name")
            seconds = GRACE_SECONDS + path.stat().st_size / SLOWEST_BYTES
        except OSError as error:
            raise CompanionError("The file cannot be looked at", str(path), _OTHER) from error
        try:
            body = self._child.ask(msgspec.msgpack.encode(asked), seconds, watch)
        except TimeoutError:
            raise CompanionError("Reading it takes too long", str(path), _OTHER) from None
        if body is None:
            raise CompanionError("The decoder crashed on it", str(path), _OTHER)
        if body[:1] != b"\0":
            reason = body[1:].decode("utf-8", "replace")
            raise CompanionError(f"It does not read as sound: {reason}", str(path), _OTHER)
        return msgspec.msgpack.decode(body[1:], type=kind)

    def close(self) -> None:
        """End the process, if one runs."""
        self._child.close()
