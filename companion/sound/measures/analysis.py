"""One file, one pass: reads it in blocks and puts its measures together."""

from __future__ import annotations

import hashlib
import math
import os
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from companion.sound.files.chunks import Chunks, Loop
from companion.sound.files.decoding import Reading, Unreadable
from companion.sound.files.headers import read_chunks
from companion.sound.measures.bits import Bits, bandwidth, mixed
from companion.sound.measures.clicks import clicks_in
from companion.sound.measures.decay import decay_of
from companion.sound.measures.edges import Edges, Envelope, floor_of
from companion.sound.measures.edges import edges_of as find_edges
from companion.sound.measures.hum import hum_of, rings_on, spectrum_of
from companion.sound.measures.levels import Levels
from companion.sound.measures.loudness import Loudness
from companion.sound.measures.measured import Click, LoopSeen, Measured
from companion.sound.measures.pitch import Pitch, cents_of, hertz_of, pitch_of
from companion.sound.measures.seams import seam_of
from companion.sound.measures.takes import outline_of
from companion.sound.measures.truepeak import TruePeak

BITS: Final = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64}
MOST_LOOPS: Final = 8
_UNROLLED_S: Final = 0.6
_LOWEST_TURN_HZ: Final = 40.0
_START_CELLS: Final = 50
_FADED_DB: Final = 40.0
_RISEN_DB: Final = 12.0
_PITCHED: Final = 0.5
_PLAIN_DB: Final = 12.0
_FEW_CLICKS: Final = 3

Mono = NDArray[np.float32]


def measure_path(raw_path: bytes) -> Measured:
    """Return what is measured of the file at ``raw_path`` (``os.fsencode`` of a path); a fault of it is a value."""
    path = Path(os.fsdecode(raw_path))
    try:
        size = path.stat().st_size
        chunks = read_chunks(path)
        if size == 0:
            return Measured(problem="unreadable", problem_text="the file is empty")
        with Reading(path) as reading:
            return _Analysis(reading, chunks, size).run()
    except Unreadable as error:
        return Measured(problem="unreadable", problem_text=str(error), size=size)
    except OSError as error:
        return Measured(problem="unreadable", problem_text=error.strerror or str(error))


def decibels(value: float) -> float | None:
    """Return 20·log10 of an amplitude, or None for silence."""
    return round(20 * math.log10(value), 3) if value > 0 else None


class _Analysis:
    """Carries one file's measures from block to block, then from the whole to the result."""

    def __init__(self, reading: Reading, chunks: Chunks, size: int) -> None:
        self.reading, self.chunks, self.size = reading, chunks, size
        rate, channels = reading.rate, reading.channels
        self.rate = rate
        self.bits = BITS.get(reading.subtype, 0)
        whole = self.bits if reading.subtype.startswith("PCM") else 0
        self.levels = Levels(channels, 2.0 ** (1 - whole) if whole else 0.0)
        self.loudness = Loudness(rate, channels)
        self.true_peak = TruePeak(rate)
        self.envelope = Envelope(rate)
        self.used = Bits(whole, channels)
        self.head: Mono = np.zeros(0, np.float32)
        self.clicks: list[Click] = []
        self.why: dict[str, str] = {}

    def run(self) -> Measured:
        digest = hashlib.sha256(f"{self.rate}/{self.reading.channels}".encode())
        for block in self.reading.blocks():
            digest.update(np.ascontiguousarray(block).data)
            self._add(np.ascontiguousarray(block.T))
        if self.levels.frames == 0:
            return Measured(problem="unreadable", problem_text="it holds no sound", size=self.size)
        return self._result(digest.hexdigest()[:32])

    def _add(self, block: NDArray[np.float32]) -> None:
        integers = self.reading.integers
        self.used.add(block, None if integers is None else integers.T)
        start = self.levels.frames
        block = self.levels.add(block)
        self.loudness.add(block)
        self.true_peak.add(block)
        self.envelope.add(block)
        mono = mixed(block)
        self.clicks += [Click(start + click.frame, click.size_db) for click in clicks_in(mono, self.rate)]
        if start == 0:
            self.head = mono

    def _result(self, digest: str) -> Measured:
        levels, chunks = self.levels, self.chunks
        cells = self.envelope.cells()
        edges = find_edges(cells, self.envelope.seconds, self.levels.dc)
        integrated, momentary = self.loudness.result()
        if levels.peak <= 0:
            self.why |= dict.fromkeys(("peak_dbfs", "true_peak_dbtp", "rms_dbfs", "onset_s", "tail_s"), "silence")
        if integrated is None:
            short = levels.frames < 0.4 * self.rate
            self.why["loudness_lufs"] = "shorter than 400 ms" if short else "under the gate of −70 LUFS"
        if momentary is None:
            self.why["momentary_max_lufs"] = "silence"
        pitch = self._pitch(cells)
        found: dict[str, Any] = {
            **self._integrity(),
            **pitch,
            **self._floor(cells, pitch),
            **self._band(),
            "loops": tuple(self._loop(loop) for loop in chunks.loops[:MOST_LOOPS]),
        }
        return Measured(
            format=self.reading.format,
            subtype=self.reading.subtype,
            bits=self.bits,
            seconds=round(levels.frames / self.rate, 6),
            frames=levels.frames,
            rate=self.rate,
            channels=self.reading.channels,
            size=self.size,
            digest=digest,
            peak_dbfs=decibels(levels.peak),
            channel_peaks=tuple(round(float(peak), 9) for peak in levels.peaks),
            true_peak_dbtp=decibels(self.true_peak.result()),
            rms_dbfs=decibels(levels.rms),
            loudness_lufs=None if integrated is None else round(integrated, 3),
            momentary_max_lufs=None if momentary is None else round(momentary, 3),
            dc=round(levels.dc, 9),
            not_finite=levels.not_finite,
            clipped_runs=levels.clipped_runs(),
            **_edges(edges),
            **self._start(cells),
            clicks=self._clicks(pitch.get("pitch_trust", 0.0)),
            root_note=chunks.root_note,
            root_source="chunk" if chunks.root_note is not None else "",
            fine_cents=chunks.fine_cents,
            low_key=chunks.low_key,
            high_key=chunks.high_key,
            low_velocity=chunks.low_velocity,
            high_velocity=chunks.high_velocity,
            decay=decay_of(cells, self.envelope.seconds),
            outline=outline_of(self.head),
            **found,
            not_judged=self.why,
        )

    def _integrity(self) -> dict[str, Any]:
        """Tell whether the file holds what its header promises."""
        frames, reading = self.levels.frames, self.reading
        promised = self.chunks.frames_promised if self.chunks.frames_promised is not None else reading.promised
        if promised is None or not 0 < promised < 1 << 40:
            return {}
        values: dict[str, Any] = {"frames_promised": promised}
        if frames < promised and reading.format not in ("MP3", "OGG"):
            values |= {"problem": "truncated", "problem_text": f"{frames:,} of {promised:,} frames are there"}
        return values

    def _start(self, cells: NDArray[np.float64]) -> dict[str, Any]:
        if self.levels.peak <= 0 or len(cells) < _START_CELLS:
            return {}
        first, then = float(cells[:10].mean()), float(cells[10:_START_CELLS].mean())
        steady = then > 0 and 0.5 < first / then < 2.0
        return {"start_jump": round(abs(float(self.head[0])) / self.levels.peak, 4), "start_steady": steady}

    def _clicks(self, trust: float) -> tuple[Click, ...]:
        """Return the clicks in their order; in what has no pitch only the plainest, and none where they are many."""
        seconds = self.levels.frames / self.rate
        if seconds < 0.1:
            self.why["clicks"] = "shorter than 100 ms"
        least = 0.0 if trust >= _PITCHED else _PLAIN_DB
        clicks = sorted((click for click in self.clicks if click.size_db >= least), key=lambda click: click.frame)
        if len(clicks) > max(_FEW_CLICKS, seconds):
            self.why["clicks"] = "so many that they are its texture"
            return ()
        return tuple(clicks)

    def _floor(self, cells: NDArray[np.float64], pitch: dict[str, Any]) -> dict[str, Any]:
        floor = floor_of(cells)
        if floor.level_dbfs is None:
            self.why |= {"noise_floor_dbfs": floor.reason, "hum_hz": floor.reason}
            return {}
        is_bound, hum = floor.is_bound, None
        if not is_bound:
            cell = self.envelope.cell
            quiet = spectrum_of(self._mono(floor.start * cell, floor.stop * cell), self.rate)
            trusted = pitch.get("pitch_trust", 0.0) >= _PITCHED
            if quiet is not None:
                is_bound = trusted and rings_on(quiet, hertz_of(pitch["pitch_cents"]))
                hum = None if is_bound else hum_of(quiet)
        values: dict[str, Any] = {"noise_floor_dbfs": floor.level_dbfs, "noise_is_bound": is_bound}
        if hum is None:
            self.why["hum_hz"] = "no steady noise floor of 300 ms"
            return values
        return {**values, "hum_hz": hum[0], "hum_db": hum[1]}

    def _mono(self, start: int, stop: int) -> Mono:
        """Return frames of the sound in one channel, read again where they lie behind the first block."""
        if stop <= len(self.head):
            return self.head[start:stop]
        segment = np.nan_to_num(self.reading.segment(start, stop), nan=0.0, posinf=0.0, neginf=0.0)
        return mixed(np.ascontiguousarray(segment.T)) if len(segment) else np.zeros(0, np.float32)

    def _pitch(self, cells: NDArray[np.float64]) -> dict[str, Any]:
        sound, start, stop = self.head, 0, len(self.head)
        loop = next((one for one in self.chunks.loops if _fits(one, len(sound))), None)
        if loop is not None and loop.end < _UNROLLED_S * self.rate:
            # A player hears the loop go round: a recording of a few turns is as long as one likes.
            turns = math.ceil(_UNROLLED_S * self.rate / (loop.end - loop.start))
            sound = np.concatenate((sound[: loop.end], np.tile(sound[loop.start : loop.end], turns)))
            sound = sound[: round((_UNROLLED_S + 0.1) * self.rate) + loop.end]
            stop = len(sound)
        elif len(cells):
            head = cells[: max(1, stop // self.envelope.cell)]
            loudest = float(head.max())
            start = int(np.argmax(head >= loudest * 10 ** (-_RISEN_DB / 10))) * self.envelope.cell
            last = int(np.flatnonzero(head >= loudest * 10 ** (-_FADED_DB / 10))[-1]) if loudest > 0 else 0
            stop = min(stop, (last + 1) * self.envelope.cell)
        pitch = pitch_of(sound, self.rate, start, stop) if self.levels.peak > 0 else None
        if pitch is None:
            self.why["pitch_cents"] = "no period was found"
            return {}
        if loop is not None and sound is not self.head and _is_the_turn(pitch, self.rate / (loop.end - loop.start)):
            self.why["pitch_cents"] = "only the loop's own turn repeats"
            return {}
        return {
            "pitch_cents": round(pitch.cents, 3),
            "pitch_trust": round(pitch.trust, 4),
            "odd_even_db": round(pitch.odd_db, 1),
            "half_db": round(pitch.half_db, 1),
            "pitch_spread": round(pitch.spread, 2),
        }

    def _band(self) -> dict[str, Any]:
        width = bandwidth(self.head, self.rate)
        if width is None:
            self.why["bandwidth_hz"] = "too short"
        if self.used.effective is None:
            self.why["effective_bits"] = "not stored as integers"
        if self.used.correlation is None:
            self.why["correlation"] = "not two channels that both sound"
        return {
            "bandwidth_hz": width,
            "effective_bits": self.used.effective,
            "correlation": self.used.correlation,
            "same_channels": self.used.same_channels,
        }

    def _loop(self, loop: Loop) -> LoopSeen:
        """Judge a loop's seam; one frame past the end counts as the end, since some writers count so."""
        end = min(loop.end, self.levels.frames)
        if not 0 <= loop.start < end or loop.end > self.levels.frames + 1 or loop.kind != "forward":
            return LoopSeen(start=loop.start, end=loop.end, kind=loop.kind)
        around = self.rate // 4
        first = max(0, loop.start - around)
        sound = self._mono(first, min(self.levels.frames, end + around))
        if end - first > len(sound):
            return LoopSeen(start=loop.start, end=loop.end, kind=loop.kind)
        seam = seam_of(sound, self.rate, loop.start - first, end - first)
        verdict = "not judged" if seam.reason else "audible" if seam.audible else "clean"
        return LoopSeen(
            start=loop.start,
            end=loop.end,
            kind=loop.kind,
            seam=verdict,  # type: ignore[arg-type]
            jump=round(seam.error, 4),
            error=round(seam.difference, 4),
            breaks=round(seam.breaks, 2),
        )


def _is_the_turn(pitch: Pitch, turns_a_second: float) -> bool:
    """Tell whether a low pitch is no more than the loop going round: any loop repeats, whatever is in it."""
    return turns_a_second < _LOWEST_TURN_HZ and abs(pitch.cents - cents_of(turns_a_second)) < 50


def _fits(loop: Loop, frames: int) -> bool:
    return loop.kind == "forward" and loop.end - loop.start >= 8 and loop.end <= frames


def _edges(edges: Edges) -> dict[str, Any]:
    return {
        "onset_s": edges.onset_s,
        "tail_s": edges.tail_s,
        "start_db": edges.start_db,
        "end_db": edges.end_db,
        "end_faded": edges.end_faded,
    }
