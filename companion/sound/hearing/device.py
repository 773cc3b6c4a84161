"""The devices there are to play on: those of the computer by ``sounddevice``, and one that swallows everything.

The library is an extra (``play``), and is imported where something is played: in a process of its own.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from companion.core.errors import CompanionError

if TYPE_CHECKING:
    from companion.sound.hearing.player import Fill, SoundOutput

SILENT: Final = "none"
"""The name of the device that swallows everything: for computers without one, and for trying things out."""
EXTRA: Final = "pip install 'release-companion[play]'"


def open_device(name: str = "") -> SoundOutput:
    """Return the device of that name (or a part of it), else the computer's own. Raises :class:`CompanionError`."""
    if name == SILENT:
        return SilentDevice()
    try:
        import sounddevice
    except ImportError as error:
        what = "Nothing can be played yet: the extra “play” is not installed"
        raise CompanionError(what, "", f"run: {EXTRA}") from error
    except OSError as error:  # the library beneath it
        what = "Nothing can be played: PortAudio is missing"
        raise CompanionError(what, "", "install it (on Debian and Ubuntu: libportaudio2)") from error
    try:
        return SystemDevice(sounddevice, name)
    except (ValueError, sounddevice.PortAudioError) as error:
        if name:
            raise CompanionError("There is no sound device of that name", name, "leave the name out") from error
        raise CompanionError("There is no sound device to play on", "", "connect one, and play again") from error


class SystemDevice:
    """A device of the computer."""

    def __init__(self, library: Any, name: str = "") -> None:
        """Raises what the library raises where there is none."""
        self._library = library
        found = library.query_devices(name or None, "output")
        self.name = str(found["name"])
        self._index = int(found["index"])
        self._own_rate: int = round(found["default_samplerate"])
        self._channels = min(2, int(found["max_output_channels"]))
        self._stream: Any = None

    def rate_for(self, rate: int) -> int:
        """Return the rate itself where the device has it, else the device's own."""
        try:
            self._library.check_output_settings(self._index, self._channels, "float32", samplerate=rate)
        except (ValueError, self._library.PortAudioError):
            return self._own_rate
        return rate

    def begin(self, rate: int, fill: Fill, ended: Callable[[bool], None]) -> None:
        """Open the device and play."""
        whole = False

        def asked(block: Any, frames: int, _time: object, _status: object) -> None:
            nonlocal whole
            two = block if self._channels == 2 else np.empty((frames, 2), np.float32)
            more = fill(two)
            if self._channels == 1:
                block[:, 0] = two.mean(axis=1)
            if not more:
                whole = True
                raise self._library.CallbackStop

        try:
            self._stream = self._library.OutputStream(
                samplerate=rate, device=self._index, channels=self._channels, dtype="float32",
                callback=asked, finished_callback=lambda: ended(whole),
            )  # fmt: skip
            self._stream.start()
        except (ValueError, self._library.PortAudioError) as error:
            do = "close what else plays on it, or choose another"
            raise CompanionError("The sound device does not open", self.name, do) from error

    def stop(self) -> None:
        """Let the device go."""
        stream, self._stream = self._stream, None
        if stream is not None:
            try:
                stream.abort(ignore_errors=True)
                stream.close(ignore_errors=True)
            except self._library.PortAudioError:
                return


class SilentDevice:
    """Asks for sound as a device does, in its time, and swallows it."""

    name = SILENT
    _BLOCK: Final = 512

    def __init__(self) -> None:
        self._over = threading.Event()
        self._thread: threading.Thread | None = None

    def rate_for(self, rate: int) -> int:
        """Return 44,100 or 48,000, as most devices do that have no other."""
        return rate if rate in (44_100, 48_000) else 48_000

    def begin(self, rate: int, fill: Fill, ended: Callable[[bool], None]) -> None:
        """Swallow block after block."""

        def run() -> None:
            block, due, more = np.empty((self._BLOCK, 2), np.float32), time.monotonic(), True
            while more and not self._over.is_set():
                more = fill(block)
                due += self._BLOCK / rate
                self._over.wait(max(0.0, due - time.monotonic()))
            ended(not more)

        self._thread = threading.Thread(target=run, name="silent device", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End it."""
        self._over.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join()
