"""The process that plays, from outside: started when something is first played, ended when nobody listens any more."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

import msgspec

from companion.core.children import Child
from companion.core.errors import CompanionError
from companion.core.progress import QUIET, Watch
from companion.sound.hearing.values import PlayState, PlayTold, Telling

SECONDS: Final = 30.0
"""What an answer may take: the start of the process on a busy computer, and the opening of the device."""
DEVICE: Final = "COMPANION_SOUND"
"""Environment variable that names the device to play on, or a part of its name; ``none`` swallows everything."""
_OTHER: Final = "play another, or mend the file"


class Ear:
    """Tells the process what to play. Methods may be called from any thread, and wait for its answer."""

    def __init__(self) -> None:
        self._child = Child("companion.sound.hearing.worker")

    def tell(self, telling: Telling, watch: Watch = QUIET) -> PlayState:
        """Return how it stands then. Raises :class:`CompanionError` where it cannot be played, or ``Cancelled``.

        Files must be files: a pipe is never opened.
        """
        first = ""
        if isinstance(telling, PlayTold):
            for take in telling.takes:
                path = Path(os.fsdecode(take.path))
                first = first or take.name or str(path)
                try:
                    if not path.is_file():
                        raise CompanionError("There is no such file", take.name or str(path), "check the name")
                except OSError as error:
                    raise CompanionError("The file cannot be looked at", first, _OTHER) from error
            telling = msgspec.structs.replace(telling, device=telling.device or os.environ.get(DEVICE, ""))
        try:
            body = self._child.ask(msgspec.msgpack.encode(telling), SECONDS, watch)
        except TimeoutError:
            raise CompanionError("Playing it takes too long to begin", first, _OTHER) from None
        if body is None:
            raise CompanionError("The decoder or the sound device crashed on it", first, _OTHER)
        heard = msgspec.msgpack.decode(body, type=PlayState)
        if heard.problem:
            raise CompanionError(heard.problem[0], first, heard.problem[1])
        return heard

    def close(self) -> None:
        """End the process, and with it all sound."""
        self._child.close()
