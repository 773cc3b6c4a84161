"""What the process that plays is told, and what it says back: plain values, no array in them."""

from __future__ import annotations

from typing import Final

import msgspec

QUIET_DB: Final = -24.0
"""The level everything begins at: what is faulty may be far louder than it looks."""
LOUDEST_DB: Final = 0.0
SOFTEST_DB: Final = -60.0
STEP_DB: Final = 3.0
CAUTION: Final = "Turn your speakers or headphones down first: what is faulty may be far louder than it should."


class Take(msgspec.Struct, frozen=True, kw_only=True):
    """One of the sounds that can be heard by turns: a part of the file at ``path`` (as ``os.fsencode`` writes it).

    start_s, seconds: which part; seconds 0: to its end. seam: a loop [start, end) in frames, of which the way over its
    seam is heard instead. name: what it is called.
    """

    path: bytes
    name: str = ""
    start_s: float = 0.0
    seconds: float = 0.0
    seam: tuple[int, int] | None = None


class Told(msgspec.Struct, frozen=True, kw_only=True, tag_field="tells"):
    """What the process that plays is told."""


class PlayTold(Told, frozen=True, kw_only=True, tag="play"):
    """Play the first of ``takes``, in place of what plays. again: over and over. device: its name, or a part of it."""

    takes: tuple[Take, ...]
    level_db: float = QUIET_DB
    again: bool = False
    device: str = ""


class OtherTold(Told, frozen=True, kw_only=True, tag="other"):
    """Go over to the next take, at the same moment of it."""


class LevelTold(Told, frozen=True, kw_only=True, tag="level"):
    """Play at another level, dB against what stands in the file; never above 0."""

    level_db: float


class StopTold(Told, frozen=True, kw_only=True, tag="stop"):
    """Fade out and stop."""


class AskTold(Told, frozen=True, kw_only=True, tag="ask"):
    """Say how it stands."""


Telling = PlayTold | OtherTold | LevelTold | StopTold | AskTold


class PlayState(msgspec.Struct, frozen=True, kw_only=True):
    """How it stands. playing: whether anything sounds. take: which, from 0. at_s: where in that file, in seconds.

    start_s, end_s: the part that is played. rate, channels: of the file; device_rate: what the device plays at.
    problem: (what happened, what next) where it ended otherwise than it should.
    """

    playing: bool = False
    take: int = 0
    at_s: float = 0.0
    start_s: float = 0.0
    end_s: float = 0.0
    rate: int = 0
    channels: int = 0
    device: str = ""
    device_rate: int = 0
    problem: tuple[str, str] | None = None
