"""The faults of the demo, one of each kind, and how each is put in and mended.

``README.md`` lists the same faults for people.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from riff import broadcast, info
from synthesis import brushed, struck

PATCH: Final = "Slate Choir.eeng"
FACTS: Final = "release.toml"
SCRIPT: Final = "Scripts/Sway.txt"
CAVE: Final = "Impulses/Höhle.wav"
STRUCK, BRUSHED, HUMMED = (f"Samples/{name}/{name.lower()}" for name in ("Struck", "Brushed", "Hummed"))


@dataclass(frozen=True)
class Sound:
    """A file before it is written. frames: (count,) or (count, channels), 16 bits. cut: share of the bytes kept."""

    frames: NDArray[np.int16]
    rate: int
    root: int | None = None
    loop: tuple[int, int] | None = None
    bits: int = 16
    before: tuple[bytes, ...] = ()
    after: tuple[bytes, ...] = ()
    cut: float = 1.0


@dataclass(frozen=True)
class Fault:
    """One fault. mend: take the file away, put the good one in its place, or state what the facts lack."""

    rule: str
    path: str
    mend: Literal["remove", "replace", "facts"] = "replace"
    key: str = ""


def quantised(signal: NDArray[np.float64]) -> NDArray[np.int16]:
    """Return 16-bit frames; what is over full scale stays there, as a converter leaves it."""
    return np.rint(np.clip(signal, -1.0, 1.0) * 32767).astype(np.int16)


def floats(sound: Sound) -> NDArray[np.float64]:
    """Return frames as float64 in −1…1."""
    return np.asarray(sound.frames / 32767.0)


def edged(signal: NDArray[np.float64], rate: int) -> NDArray[np.float64]:
    """Return ``signal`` faded in and out within 10 ms, so that what is added to a sound adds no step at its edges."""
    ramp = np.minimum(1.0, np.arange(len(signal)) / (0.01 * rate))
    return np.asarray(signal * ramp * ramp[::-1])


def _clipped(sound: Sound) -> Sound:
    return replace(sound, frames=quantised(floats(sound) * 4.0))


def _off_pitch(sound: Sound) -> Sound:
    return replace(sound, frames=quantised(struck(57, 110, 2, cents=42.0)))


def _quiet(sound: Sound) -> Sound:
    return replace(sound, frames=quantised(floats(sound) * 0.3))


def _starts_hot(sound: Sound) -> Sound:
    signal = floats(sound)
    return replace(sound, frames=sound.frames[int(np.argmax(np.abs(signal) > 0.1)) :])


def _ends_hot(sound: Sound) -> Sound:
    early = floats(sound)[: int(0.2 * sound.rate)]
    loud = np.flatnonzero(np.abs(early) > 0.5 * np.abs(early[len(early) // 2 :]).max())
    return replace(sound, frames=sound.frames[: int(loud[-1]) + 1])


def _offset(sound: Sound) -> Sound:
    return replace(sound, frames=quantised(floats(sound) + edged(np.full(len(sound.frames), 0.03), sound.rate)))


def _late(sound: Sound) -> Sound:
    return replace(sound, frames=np.concatenate([np.zeros(int(0.09 * sound.rate), np.int16), sound.frames]))


def _other_rate(sound: Sound) -> Sound:
    return replace(sound, frames=quantised(struck(57, 40, 1, rate=44_100)), rate=44_100)


def _clicks(sound: Sound) -> Sound:
    frames = sound.frames.copy()
    frames[int(0.3 * sound.rate)] += 16_000
    return replace(sound, frames=frames)


def _hums(sound: Sound) -> Sound:
    time = np.arange(len(sound.frames)) / sound.rate
    mains = sum(0.012 / n * np.sin(2 * np.pi * 50 * n * time + n) for n in (1, 2, 3, 4, 5))
    return replace(sound, frames=quantised(floats(sound) + edged(np.asarray(mains), sound.rate)))


def _upsampled(sound: Sound) -> Sound:
    spectrum = np.fft.rfft(floats(sound))
    spectrum[len(spectrum) // 2 :] = 0
    return replace(sound, frames=quantised(edged(np.fft.irfft(spectrum, len(sound.frames)), sound.rate)))


def _same_take(sound: Sound) -> Sound:
    return replace(sound, frames=quantised(0.84 * brushed(57, 1)))


def _seam(sound: Sound) -> Sound:
    assert sound.loop is not None
    start, end = sound.loop
    return replace(sound, loop=(start, end - 33))


def _beyond(sound: Sound) -> Sound:
    assert sound.loop is not None
    return replace(sound, loop=(sound.loop[0], len(sound.frames) + 5_000))


def _private(sound: Sound) -> Sound:
    return replace(
        sound,
        before=(broadcast("C:\\Users\\slatehand\\Desktop\\brushes, evening.wav", "slatehand-laptop"),),
        after=(info(IENG="slatehand", ICMT="exported to /Users/slatehand/Desktop/brushes"),),
    )


def _two_channels(sound: Sound, right: float) -> Sound:
    return replace(sound, frames=np.stack([sound.frames, (sound.frames * right).astype(np.int16)], axis=1))


SPOIL: Final[dict[str, Callable[[Sound], Sound]]] = {
    f"{STRUCK}_C3_v110_rr1.wav": _clipped,
    f"{STRUCK}_A2_v110_rr2.wav": _off_pitch,
    f"{STRUCK}_A2_v110_rr1.wav": _quiet,
    f"{STRUCK}_C4_v40_rr1.wav": _starts_hot,
    f"{STRUCK}_E2_v110_rr1.wav": _ends_hot,
    f"{STRUCK}_G3_v40_rr1.wav": _offset,
    f"{STRUCK}_E2_v40_rr2.wav": _late,
    f"{STRUCK}_A2_v40_rr1.wav": _other_rate,
    f"{STRUCK}_E3_v110_rr1.wav": lambda sound: replace(sound, bits=24),
    f"{STRUCK}_G3_v110_rr2.wav": lambda sound: replace(sound, cut=0.6),
    f"{BRUSHED}_C3_v80_rr2.wav": _clicks,
    f"{BRUSHED}_E2_v80_rr2.wav": _hums,
    f"{BRUSHED}_E2_v80_rr1.wav": lambda sound: replace(sound, frames=np.pad(sound.frames, (0, 2 * sound.rate))),
    f"{BRUSHED}_E3_v80_rr1.wav": lambda sound: replace(sound, frames=np.zeros_like(sound.frames)),
    f"{BRUSHED}_G3_v80_rr2.wav": _upsampled,
    f"{BRUSHED}_A2_v80_rr1.wav": _private,
    f"{BRUSHED}_A2_v80_rr2.wav": _same_take,
    f"{BRUSHED}_G3_v80_rr1.wav": lambda sound: _two_channels(sound, 0.0),
    f"{BRUSHED}_C3_v80_rr1.wav": lambda sound: _two_channels(sound, -1.0),
    f"{BRUSHED}_C4_v80_rr1.wav": lambda sound: _two_channels(sound, 1.0),
    f"{HUMMED}_C3_v80_rr1.wav": _beyond,
    f"{HUMMED}_E3_v80_rr1.wav": _seam,
    f"{HUMMED}_A2_v80_rr1.wav": lambda sound: replace(sound, root=60),
    CAVE: lambda sound: replace(sound, frames=sound.frames[: int(0.12 * sound.rate)]),
}
"""How each spoiled sound comes from its good one. The duplicate is put in where the files are listed."""

FAULTS: Final = (
    Fault("fact-missing", FACTS, "facts", "instrument.contact"),
    Fault("rights-unstated", FACTS, "facts", "instrument.rights"),
    Fault("minimum-below-saved", FACTS, "facts", "engine.minimum"),
    Fault("reference-missing", PATCH),
    Fault("reference-case", PATCH),
    Fault("reference-normalisation", PATCH),
    Fault("path-absolute", PATCH),
    Fault("path-home", PATCH),
    Fault("path-backslash", PATCH),
    Fault("path-climbs", SCRIPT),
    Fault("script-encoding", SCRIPT),
    Fault("sample-unused", f"{BRUSHED}_C4_v80_rr3.wav", "remove"),
    Fault("stray-system-file", "Samples/Thumbs.db", "remove"),
    Fault("stray-system-file", "Samples/Brushed/._brushed_E2_v80_rr1.wav", "remove"),
    Fault("stray-working-file", "Slate Choir - Copy.eeng", "remove"),
    Fault("nested-archive", "Extras.zip", "remove"),
    Fault("stray-unasked", "Extras.zip", "remove"),
    Fault("file-empty", "Reading/How to play.txt"),
    Fault("metadata-private", f"{BRUSHED}_A2_v80_rr1.wav"),
    Fault("file-truncated", f"{STRUCK}_G3_v110_rr2.wav"),
    Fault("clipped", f"{STRUCK}_C3_v110_rr1.wav"),
    Fault("silent", f"{BRUSHED}_E3_v80_rr1.wav"),
    Fault("duplicate", f"{STRUCK}_E3_v40_rr2.wav"),
    Fault("rate-mixed", f"{STRUCK}_A2_v40_rr1.wav"),
    Fault("depth-mixed", f"{STRUCK}_E3_v110_rr1.wav"),
    Fault("depth-padded", f"{STRUCK}_E3_v110_rr1.wav"),
    Fault("loop-invalid", f"{HUMMED}_C3_v80_rr1.wav"),
    Fault("wrong-root", f"{HUMMED}_A2_v80_rr1.wav"),
    Fault("off-pitch", f"{STRUCK}_A2_v110_rr2.wav"),
    Fault("level-step", f"{STRUCK}_A2_v110_rr1.wav"),
    Fault("dc-offset", f"{STRUCK}_G3_v40_rr1.wav"),
    Fault("late-onset", f"{STRUCK}_E2_v40_rr2.wav"),
    Fault("starts-hot", f"{STRUCK}_C4_v40_rr1.wav"),
    Fault("ends-hot", f"{STRUCK}_E2_v110_rr1.wav"),
    Fault("click-inside", f"{BRUSHED}_C3_v80_rr2.wav"),
    Fault("hum", f"{BRUSHED}_E2_v80_rr2.wav"),
    Fault("tail-wasteful", f"{BRUSHED}_E2_v80_rr1.wav"),
    Fault("band-empty", f"{BRUSHED}_G3_v80_rr2.wav"),
    Fault("takes-same", f"{BRUSHED}_A2_v80_rr2.wav"),
    Fault("channel-dead", f"{BRUSHED}_G3_v80_rr1.wav"),
    Fault("polarity-inverted", f"{BRUSHED}_C3_v80_rr1.wav"),
    Fault("mono-as-stereo", f"{BRUSHED}_C4_v80_rr1.wav"),
    Fault("loop-seam", f"{HUMMED}_E3_v80_rr1.wav"),
    Fault("impulse-cut", CAVE),
)
