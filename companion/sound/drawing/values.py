"""What is asked of a sound file for its picture, and what comes back: plain values, no array in them."""

from __future__ import annotations

import msgspec


class Asking(msgspec.Struct, frozen=True, kw_only=True, tag_field="asks"):
    """A question about the file at ``path`` (as ``os.fsencode`` writes it)."""

    path: bytes


class WaveAsked(Asking, frozen=True, kw_only=True, tag="wave"):
    """Its wave from frame ``start`` up to ``end`` (0: to its end) in at most ``columns`` stretches.

    Where there are no more than four frames to each, every frame is given.

    apart: each channel for itself; else the lowest and highest of all. channel: that one alone, where it is not None.
    """

    start: int = 0
    end: int = 0
    columns: int = 400
    apart: bool = False
    channel: int | None = None


class SeamAsked(Asking, frozen=True, kw_only=True, tag="seam"):
    """``reach`` frames before and behind the start of a loop, and before and behind its end."""

    start: int
    end: int
    reach: int


class PitchAsked(Asking, frozen=True, kw_only=True, tag="pitch"):
    """Its pitch in ``count`` windows, one behind the other."""

    count: int = 48


class DecayAsked(Asking, frozen=True, kw_only=True, tag="decay"):
    """Its level and its integrated decay in at most ``columns`` stretches."""

    columns: int = 400


class SpectrumAsked(Asking, frozen=True, kw_only=True, tag="spectrum"):
    """Its spectrum in ``columns`` even stretches up to ``top_hz``. quiet: of its noise floor alone."""

    columns: int = 400
    top_hz: float = 0.0
    quiet: bool = False


Asked = WaveAsked | SeamAsked | PitchAsked | DecayAsked | SpectrumAsked


class Wave(msgspec.Struct, frozen=True, kw_only=True):
    """Frames [start, end) of ``whole``. lows, highs: by channel, or of all together, full scale 1.

    single: each value is one frame. peak: the largest magnitude in view.
    """

    rate: int
    channels: int
    whole: int
    start: int
    end: int
    lows: tuple[tuple[float, ...], ...]
    highs: tuple[tuple[float, ...], ...]
    single: bool
    peak: float


class SeamSides(msgspec.Struct, frozen=True, kw_only=True):
    """One channel around a loop's end and around its start, ``reach`` frames on either side where there are so many.

    at_end, at_start: the wave; its middle, at ``reach``, is the first frame of the loop and the first behind it. What
    lies outside the file is None.
    """

    rate: int
    whole: int
    reach: int
    at_end: tuple[float | None, ...]
    at_start: tuple[float | None, ...]


class PitchTrack(msgspec.Struct, frozen=True, kw_only=True):
    """Pitch by window. seconds: the middle of each. cents: 100 × MIDI note. clarity: 0 to 1. loudest: dB against the
    loudest window.
    """

    rate: int
    whole: int
    seconds: tuple[float, ...]
    cents: tuple[float, ...]
    clarity: tuple[float, ...]
    loudness: tuple[float, ...]


class DecayCurve(msgspec.Struct, frozen=True, kw_only=True):
    """Level in dB against the loudest millisecond, and the integrated decay in dB, both by second."""

    seconds: tuple[float, ...]
    levels: tuple[float, ...]
    integrated_seconds: tuple[float, ...]
    integrated: tuple[float, ...]
    rate: int
    whole: int


class SpectrumLine(msgspec.Struct, frozen=True, kw_only=True):
    """Level in dB against the highest, by Hz. start_s, end_s: of what stretch of the file."""

    hertz: tuple[float, ...]
    levels: tuple[float, ...]
    rate: int
    whole: int
    start_s: float
    end_s: float


Seen = Wave | SeamSides | PitchTrack | DecayCurve | SpectrumLine
