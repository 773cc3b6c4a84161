"""What a download could do without. Nothing is rewritten; these are counts of bytes."""

from collections.abc import Iterable
from typing import Final

import msgspec

from companion.sound.measures.measured import Measured

KEPT_TAIL_S: Final = 0.05
_UNCOMPRESSED: Final = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "AU")


class Savings(msgspec.Struct, frozen=True, kw_only=True):
    """Bytes that each would save, taken alone: trimmed tails, mono, unused bits left out, twins removed."""

    trimming: int = 0
    mono: int = 0
    bits: int = 0
    twins: int = 0


def frame_bytes(one: Measured) -> float:
    """Return bytes a frame takes in the file: exact where samples are stored plainly, the average where coded."""
    if one.format in _UNCOMPRESSED and one.bits:
        return one.channels * one.bits / 8
    return one.size / one.frames if one.frames else 0.0


def tail_bytes(one: Measured) -> int:
    """Return what trimming the silent tail would save, 50 ms of it kept for a fade."""
    if one.tail_s is None or one.loops:
        return 0
    return max(0, round((one.tail_s - KEPT_TAIL_S) * one.rate * frame_bytes(one)))


def mono_bytes(one: Measured) -> int:
    """Return what one of two equal channels takes. A lossless coder already stores equal channels once."""
    return round(one.frames * frame_bytes(one) / 2) if one.same_channels and one.format in _UNCOMPRESSED else 0


def bits_bytes(one: Measured) -> int:
    """Return what whole unused bytes take, where samples are stored plainly: 24 bits of which 16 are used."""
    if one.format not in _UNCOMPRESSED or one.effective_bits is None or not one.subtype.startswith("PCM"):
        return 0
    needed = max(8, -(-one.effective_bits // 8) * 8)
    return round(one.frames * one.channels * (one.bits - needed) / 8) if needed < one.bits else 0


def savings_of(measured: Iterable[Measured]) -> Savings:
    """Return what a whole set could do without."""
    readable = [one for one in measured if one.readable]
    digests: set[str] = set()
    twins = 0
    for one in readable:
        twins += one.size if one.digest and one.digest in digests else 0
        digests.add(one.digest)
    trimming, mono, bits = (sum(map(count, readable)) for count in (tail_bytes, mono_bytes, bits_bytes))
    return Savings(trimming=trimming, mono=mono, bits=bits, twins=twins)
