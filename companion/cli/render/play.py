"""What was played, as a line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from companion.core.text import plural, visible
from companion.core.units import level

if TYPE_CHECKING:
    from companion.sound.hearing.values import PlayState


class PlayedPart(msgspec.Struct, frozen=True, kw_only=True):
    """What was played: [start_s, end_s) of a file, in seconds; of a loop's seam, the way up to it.

    take: what else it is called where it is not the file as it is. rate, channels: of the file. level_db: against what
    stands in it. again: whether it was played over and over, until it was stopped.
    """

    path: str
    take: str
    start_s: float
    end_s: float
    rate: int
    channels: int
    device: str
    device_rate: int
    level_db: float
    again: bool


def played_line(take: str, heard: PlayState, level_db: float) -> str:
    """Return which part of what was played, how loud, and on which device."""
    part = f"{heard.start_s:.3f} to {heard.end_s:.3f} s"
    rate = f"{heard.rate:,} Hz" + (f", played at {heard.device_rate:,} Hz" if heard.device_rate != heard.rate else "")
    of = f"{plural(heard.channels, 'channel')}, {rate}"
    return visible(f"Played {take}: {part} ({of}) at {level(level_db, 'dB')} on {heard.device}.")
