"""What a device asks for, block by block: never above full scale, no click of our own, at a level that moves softly.

A thread reads ahead; the device's own thread only takes what lies ready. Where nothing does, it hears silence and the
sound waits. Arrays: float32, shape (frames, 2), full scale 1.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from companion.sound.files.decoding import Unreadable
from companion.sound.hearing.passages import PAUSE_S
from companion.sound.hearing.values import LOUDEST_DB, SOFTEST_DB

AHEAD_S: Final = 1.5
"""Sound read ahead of what is heard: all that is ever held of a file."""
PIECE_S: Final = 0.25
PATIENCE_S: Final = 5.0
"""A device that has not asked for so long has gone; a file that has brought nothing for so long is given up."""
GONE: Final = ("The sound device has gone", "connect it again, or choose another, and play once more")
SLOW: Final = ("Reading the file takes too long", "play another, or mend the file")

Sound = NDArray[np.float32]
Fill = Callable[[Sound], bool]


class SoundOutput(Protocol):
    """Where sound goes: two channels. name: what the device is called."""

    name: str

    def rate_for(self, rate: int) -> int:
        """Return the rate to play a file of ``rate`` Hz at: the same, where the device has it."""

    def begin(self, rate: int, fill: Fill, ended: Callable[[bool], None]) -> None:
        """Ask ``fill`` for block after block in another thread, until it returns False; then tell that it ``ended``.

        ended: gets whether all was played; False where the device failed. Raises ``CompanionError``.
        """

    def stop(self) -> None:
        """Ask for no more, and let the device go. May be called twice."""


class Reel(Protocol):
    """What is played: see :class:`companion.sound.hearing.passages.Track`."""

    def length(self, rate: int) -> int:
        """Return how many frames it lasts."""

    def piece(self, first: int, count: int, rate: int) -> Sound:
        """Return a part of it."""


class Ahead:
    """The part of one track that lies ready: frames [start, end) of a time that only goes on."""

    def __init__(self, track: Reel, start: int) -> None:
        self.track = track
        self.start = self.end = start
        self._pieces: list[Sound] = []

    def add(self, piece: Sound) -> None:
        """Put a piece behind the others."""
        self._pieces.append(piece)
        self.end += len(piece)

    def take(self, at: int, count: int) -> Sound:
        """Return up to ``count`` frames from ``at`` on; what lies before them is let go."""
        while self._pieces and self.start + len(self._pieces[0]) <= at:
            self.start += len(self._pieces.pop(0))
        if not self._pieces:
            self.start = self.end
            return np.zeros((0, 2), np.float32)
        first, held, enough = at - self.start, 0, []
        for piece in self._pieces:
            enough.append(piece)
            held += len(piece)
            if held >= first + count:
                break
        return np.concatenate(enough)[first : first + count]


def gain_of(level_db: float) -> float:
    """Return the factor of a level in dB, which is kept between the softest and the loudest there are."""
    return float(10 ** (min(LOUDEST_DB, max(SOFTEST_DB, level_db)) / 20))


class Player:
    """Plays one of several tracks that share a rate and a time, once or over and over."""

    def __init__(
        self,
        tracks: Sequence[Reel],
        rate: int,
        level_db: float,
        *,
        again: bool = False,
        patience: float = PATIENCE_S,
    ) -> None:
        self.tracks, self.rate, self.again = tracks, rate, again
        self.take = 0
        self.problem: tuple[str, str] | None = None
        self.done = threading.Event()
        self._goal = gain_of(level_db)
        self._gain = self._goal
        self._patience = patience
        self._pause = round(PAUSE_S * rate) if again else 0
        self._at = 0
        self._now = Ahead(tracks[0], 0)
        self._next: Ahead | None = None
        self._stopping = False
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._asked = self._fed = time.monotonic()
        self._feeder = threading.Thread(target=self._feed, name="hearing", daemon=True)

    # -- told by whoever listens --------------------------------------------------------------------------------------

    def start(self) -> None:
        """Read the beginning, and go on reading. Raises :class:`Unreadable`."""
        self._read_on(self._now)
        self._asked = self._fed = time.monotonic()
        self._feeder.start()

    def stop(self) -> None:
        """Fade out; the next block is the last."""
        self._stopping = True

    def set_level(self, level_db: float) -> None:
        """Go softly to another level."""
        self._goal = gain_of(level_db)

    def other(self) -> None:
        """Go over to the next track, at the same moment."""
        with self._lock:
            if len(self.tracks) > 1:
                self.take = (self.take + 1) % len(self.tracks)
                self._next = Ahead(self.tracks[self.take], self._at)
        self._wake.set()

    @property
    def at(self) -> int:
        """The frame of the track that is heard now."""
        return self._place(self._now.track, self._at)[0]

    def look(self) -> None:
        """Give up what has stopped by itself: a device that asks for nothing, a file that brings nothing."""
        now = time.monotonic()
        if not self.done.is_set():
            if now - self._asked > self._patience:
                self.end(GONE)
            elif now - self._fed > self._patience:
                self.end(SLOW)

    def end(self, problem: tuple[str, str] | None = None) -> None:
        """It is over."""
        self.problem = self.problem or problem
        self.done.set()
        self._wake.set()

    def ended(self, whole: bool) -> None:
        """Take in that the device has ended."""
        self.end(None if whole else GONE)

    def join(self, seconds: float = 1.0) -> bool:
        """Wait for the end of the thread that reads ahead; return whether it came."""
        if self._feeder.ident is not None:
            self._feeder.join(seconds)
        return not self._feeder.is_alive()

    # -- in the device's thread ---------------------------------------------------------------------------------------

    def fill(self, block: Sound) -> bool:
        """Write the next frames into ``block``; return whether there are more behind them."""
        self._asked = time.monotonic()
        with self._lock:
            more = self._fill(block)
        self._wake.set()
        return more and not self.done.is_set()

    def _fill(self, block: Sound) -> bool:
        at, count = self._at, len(block)
        block.fill(0)
        goal = 0.0 if self._stopping else self._goal
        length = self._now.track.length(self.rate)
        left = count if self.again else min(count, max(0, length - at))
        sound = self._now.take(at, left)
        if self._next and self._next.start <= at and self._next.end >= at + len(sound):
            other = self._next.take(at, len(sound))
            share = _ramp(0, 1, len(sound))
            sound = sound * (1 - share) + other * share
            self._now, self._next = self._next, None
            length = self._now.track.length(self.rate)
        if len(sound) == left:
            self._fed = self._asked
        behind = count if self.again else min(count, max(0, length - at - count))
        if self._now.end < at + left + behind:  # what comes next does not lie ready: it dies away, and waits
            goal = 0.0
        block[: len(sound)] = np.clip(sound * _ramp(self._gain, goal, len(sound)), -1, 1)
        self._gain, self._at = goal, at + len(sound)
        ends = not self.again and self._at >= length
        return not (ends or self._stopping)

    # -- reading ahead ------------------------------------------------------------------------------------------------

    def _feed(self) -> None:
        try:
            while not self.done.is_set():
                with self._lock:
                    wanted = self._next or self._now
                if not self._read_on(wanted):
                    self._wake.wait(0.1)
                    self._wake.clear()
        except Unreadable as error:
            self.end((f"It does not read as sound: {error}", "look at another, or mend the file"))
        except Exception as error:  # whatever a decoder throws belongs to this file
            self.end((f"It does not read as sound: {error or type(error).__name__}", "look at another"))

    def _read_on(self, ahead: Ahead) -> bool:
        """Read one more piece, unless enough lies ready."""
        with self._lock:
            first, at = max(ahead.end, self._at) if ahead is self._next else ahead.end, self._at
            if ahead is self._next and ahead.end < at:  # it took longer to read than it lasts
                ahead = self._next = Ahead(ahead.track, at)
        if first - at > AHEAD_S * self.rate:
            return False
        place, length = self._place(ahead.track, first)
        count = min(round(PIECE_S * self.rate), length + self._pause - place)
        if count <= 0:
            return False
        piece = ahead.track.piece(place, min(count, max(0, length - place)), self.rate)
        if self.again and len(piece) < count:  # the silence before it begins again
            piece = np.concatenate((piece, np.zeros((count - len(piece), 2), np.float32)))
        with self._lock:
            ahead.add(piece)
        return len(piece) > 0

    def _place(self, track: Reel, at: int) -> tuple[int, int]:
        """Return the frame of a track at a moment, and how many it has."""
        length = max(1, track.length(self.rate))
        return (at % (length + self._pause) if self.again else at), length


def _ramp(start: float, end: float, count: int) -> Sound:
    """Return a straight line from ``start``, which is the frame before, to ``end`` on the last; shape (count, 1)."""
    return (start + (end - start) * np.arange(1, count + 1, dtype=np.float32)[:, None] / max(1, count)).astype(
        np.float32
    )
