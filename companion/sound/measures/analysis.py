"""One file, one pass: reads it in blocks and puts its measures together."""

import hashlib
import math
import os
from collections.abc import Callable, Collection, Mapping
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from companion.core.patience import why
from companion.sound.files.chunks import PLACING, Chunks, Loop
from companion.sound.files.decoding import AudioReader, Unreadable
from companion.sound.files.headers import read_chunks
from companion.sound.measures import versions
from companion.sound.measures.bits import Bits, bandwidth, mixed
from companion.sound.measures.clicks import clicks_in
from companion.sound.measures.edges import Envelope, decay_of, edges_of, floor_of
from companion.sound.measures.hum import lines_of, rings_by_itself, rings_on, spectrum_of
from companion.sound.measures.levels import Levels
from companion.sound.measures.loudness import BURST_HOPS, MOMENTARY_HOPS, SHORT_TERM_HOPS, Loudness, loudest
from companion.sound.measures.mains import hum_of
from companion.sound.measures.measured import Click, Measured, MeasuredLoop
from companion.sound.measures.pitch import cents_of, hertz_of, pitch_of
from companion.sound.measures.seams import joins, seam_of
from companion.sound.measures.takes import outline_of
from companion.sound.measures.truepeak import TruePeak
from companion.sound.measures.versions import MEASURES, FileMeasure, with_inputs

BITS_OF: Final = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64}
MOST_LOOPS: Final = 8
ALL: Final = tuple(measure.id for measure in MEASURES)
_UNROLLED_S: Final = 0.6
_LOWEST_TURN_HZ: Final = 40.0
_START_CELLS: Final = 50
_JOINS_DB: Final = -40.0
_JOINS_S: Final = 0.05
_FADED_DB: Final = 40.0
_RISEN_DB: Final = 12.0
_PITCHED: Final = 0.5
_QUIET_S: Final = 2.0
_PLAIN_DB: Final = 18.0
_FEW_CLICKS: Final = 3
_TOGETHER_S: Final = 0.06
"""Clicks nearer than this are one burst, or the two ends of one gap."""

Mono = NDArray[np.float32]


def measure_path(raw_path: bytes, measures: Collection[str] = ALL) -> Measured:
    """Return what is measured of the file at ``raw_path`` (``os.fsencode`` of a path); a fault of it is a value.

    measures: by id; those that they are computed from, and the format, are taken as well.
    """
    path = Path(os.fsdecode(raw_path))
    wanted = with_inputs(*(measure for measure in MEASURES if measure.id in measures))
    try:
        size = path.stat().st_size
        chunks = read_chunks(path)
        if size == 0:
            return Measured(problem="unreadable", problem_text="the file is empty")
        with closing(AudioReader(path)) as reader:
            return _Analysis(reader, chunks, size, wanted).run()
    except Unreadable as error:
        return Measured(problem="unreadable", problem_text=str(error), size=size)
    except OSError as error:
        return Measured(problem="unreadable", problem_text=why(error))


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def decibels(value: float) -> float | None:
    """Return 20·log10 of an amplitude, or None for silence."""
    return round(20 * math.log10(value), 3) if value > 0 else None


class _Analysis:
    """Carries one file's measures from block to block, then from the whole to the result.

    Levels and envelope are gathered always: they cost little, and most measures look at them.
    """

    def __init__(self, reader: AudioReader, chunks: Chunks, size: int, wanted: Collection[FileMeasure]) -> None:
        self.reader, self.chunks, self.size, self.wanted = reader, chunks, size, wanted
        self.rate, channels = reader.rate, reader.channels
        self.bits = BITS_OF.get(reader.subtype, 0)
        whole = self.bits if reader.subtype.startswith("PCM") else 0
        self.levels = Levels(channels, 2.0 ** (1 - whole) if whole else 0.0)
        self.envelope = Envelope(self.rate)
        self.cells: NDArray[np.float64] = np.zeros(0)
        self.digest = hashlib.sha256(f"{self.rate}/{channels}".encode())
        self.loudness = Loudness(self.rate, channels)
        self.true_peak = TruePeak(self.rate)
        self.used = Bits(whole, channels)
        self.head: Mono = np.zeros(0, np.float32)
        self.opening: NDArray[np.float32] = np.zeros((1, 0), np.float32)
        self.clicks: list[Click] = []
        self.values: dict[str, Any] = {}
        self.why: dict[str, str] = {}

    def run(self) -> Measured:
        for block in self.reader.blocks():
            if versions.DIGEST in self.wanted:
                self.digest.update(np.ascontiguousarray(block).data)
            self._add(np.ascontiguousarray(block.T))
        if self.levels.frames == 0:
            return Measured(problem="unreadable", problem_text="it holds no sound", size=self.size)
        self.cells = self.envelope.cells()
        for measure in self.wanted:  # in the order of ``MEASURES``
            self.values |= _TAKEN[measure](self)
        return Measured(**self.values, not_judged=self.why)

    def _add(self, block: NDArray[np.float32]) -> None:
        if versions.BITS in self.wanted:
            integers = self.reader.integers
            self.used.add(block, None if integers is None else integers.T)
        start = self.levels.frames
        block = self.levels.add(block)
        self.envelope.add(block)
        if versions.LOUDNESS in self.wanted:
            self.loudness.add(block)
        if versions.TRUE_PEAK in self.wanted:
            self.true_peak.add(block)
        if start == 0 or versions.CLICKS in self.wanted:
            mono = mixed(block)
            if start == 0:
                self.head, self.opening = mono, block[:, : round(_UNROLLED_S * self.rate) + 1].copy()
            if versions.CLICKS in self.wanted:
                clicks = clicks_in(mono, self.rate, self.levels.peak, self.levels.step)
                self.clicks += [Click(start + click.frame, click.size_db) for click in clicks]

    def _format(self) -> dict[str, Any]:
        """What the header says and the decoder gives, and whether the file holds what its header promises."""
        reader, chunks, frames = self.reader, self.chunks, self.levels.frames
        values: dict[str, Any] = {
            **{name: getattr(chunks, name) for name in PLACING},
            "root_source": "chunk" if chunks.root_note is not None else "",
            "format": reader.format,
            "subtype": reader.subtype,
            "bits": self.bits,
            "seconds": round(frames / self.rate, 6),
            "frames": frames,
            "rate": self.rate,
            "channels": reader.channels,
            "size": self.size,
        }
        promised = reader.promised if chunks.frames_promised is None else chunks.frames_promised
        if 0 < promised < 1 << 40:
            values["frames_promised"] = promised
            if frames < promised and reader.format not in ("MP3", "OGG"):
                values |= {"problem": "truncated", "problem_text": f"{frames:,} of {promised:,} frames are there"}
        return values

    def _levels(self) -> dict[str, Any]:
        levels = self.levels
        if levels.peak <= 0:
            self.why |= {"peak_dbfs": "silence", "rms_dbfs": "silence"}
        return {
            "peak_dbfs": decibels(levels.peak),
            "channel_peaks": tuple(round(float(peak), 9) for peak in levels.peaks),
            "rms_dbfs": decibels(levels.rms),
            "dc": round(levels.dc, 9),
            "not_finite": levels.not_finite,
            "clipped_runs": levels.clipped_runs(),
        }

    def _true_peak(self) -> dict[str, Any]:
        if self.levels.peak <= 0:
            self.why["true_peak_dbtp"] = "silence"
        return {"true_peak_dbtp": decibels(self.true_peak.result())}

    def _loudness(self) -> dict[str, Any]:
        integrated, momentary = self.loudness.result()
        hops = self.loudness.whole()
        if integrated is None:
            short = self.levels.frames < 0.4 * self.rate
            self.why["loudness_lufs"] = "shorter than 400 ms" if short else "under the gate of −70 LUFS"
        if momentary is None:
            self.why["momentary_max_lufs"] = "silence"
        short_term = loudest(hops, SHORT_TERM_HOPS)
        if short_term is None:
            self.why["short_term_max_lufs"] = "silence" if len(hops) >= SHORT_TERM_HOPS else "shorter than 3 s"
        round_about = self._goes_round()
        if round_about is not None:
            turned = Loudness(self.rate, len(round_about))
            turned.add(round_about)
            hops = turned.whole()
        return {
            "loudness_lufs": None if integrated is None else round(integrated, 3),
            "momentary_max_lufs": None if momentary is None else round(momentary, 3),
            "short_term_max_lufs": None if short_term is None else round(short_term, 3),
            "played_lufs": None if round_about is None else _rounded(loudest(hops, MOMENTARY_HOPS)),
            "burst_lufs": _rounded(loudest(hops, BURST_HOPS)),
        }

    def _goes_round(self) -> NDArray[np.float32] | None:
        """Return what a player hears of a recording with a short loop, all channels, for a second; None of others."""
        loop = self._turning(self.opening.shape[1])
        if loop is None:
            return None
        turns = math.ceil(self.rate / (loop.end - loop.start))
        turned = np.tile(self.opening[:, loop.start : loop.end], turns)
        return np.ascontiguousarray(np.concatenate((self.opening[:, : loop.end], turned), axis=1)[:, : self.rate])

    def _turning(self, within: int) -> Loop | None:
        """Return the first loop forward that ends ``within`` so many frames and under 600 ms."""
        most = min(within, _UNROLLED_S * self.rate)
        loops = (one for one in self.chunks.loops if one.kind == "forward" and one.end - one.start >= 8)
        return next((one for one in loops if one.start >= 0 and one.end <= most), None)

    def _edges(self) -> dict[str, Any]:
        cells, peak = self.cells, self.levels.peak
        if peak <= 0:
            self.why |= {"onset_s": "silence", "tail_s": "silence"}
        values: dict[str, Any] = edges_of(cells, self.envelope.seconds, self.levels.dc)._asdict()
        if peak > 0 and len(cells) >= _START_CELLS:
            first, then = float(cells[:10].mean()), float(cells[10:_START_CELLS].mean())
            values["start_jump"] = round(abs(float(self.head[0])) / peak, 4)
            values["start_steady"] = then > 0 and 0.5 < first / then < 2.0
        if (values["end_db"] or -math.inf) > _JOINS_DB and (values["start_db"] or -math.inf) > _JOINS_DB:
            size = round(_JOINS_S * self.rate)
            end = self._mono(max(0, self.levels.frames - size), self.levels.frames)
            values["joins"] = joins(self.head[:size], end, self.rate)
        return values

    def _pitch(self) -> dict[str, Any]:
        cells = self.cells
        sound, start, stop = self.head, 0, len(self.head)
        turning = (one for one in self.chunks.loops if one.kind == "forward" and one.end - one.start >= 8)
        loop = next((one for one in turning if one.end <= len(sound)), None)
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
        turn_hz = self.rate / (loop.end - loop.start) if loop is not None and sound is not self.head else math.inf
        # Any loop repeats, whatever is in it: a low pitch may be no more than the loop going round.
        if turn_hz < _LOWEST_TURN_HZ and abs(pitch.cents - cents_of(turn_hz)) < 50:
            self.why["pitch_cents"] = "only the loop's own turn repeats"
            return {}
        return {
            "pitch_cents": round(pitch.cents, 3),
            "pitch_trust": round(pitch.trust, 4),
            "odd_even_db": round(pitch.odd_db, 1),
            "half_db": round(pitch.half_db, 1),
            "fundamental_db": round(pitch.fundamental_db, 1),
            "pitch_spread": round(pitch.spread, 2),
        }

    def _is_pitched(self) -> bool:
        return bool(self.values.get("pitch_trust", 0.0) >= _PITCHED)

    def _noise(self) -> dict[str, Any]:
        floor = floor_of(self.cells)
        if floor.level_dbfs is None:
            self.why |= {"noise_floor_dbfs": floor.reason, "hum_hz": floor.reason}
            return {}
        is_bound, hum, cell = floor.is_bound, None, self.envelope.cell
        quiet = self._mono(floor.start * cell, floor.stop * cell) if not is_bound else self._quietest()
        lines = lines_of(quiet, self.rate)
        if not is_bound and (spectrum := spectrum_of(quiet, self.rate)):
            pitched = self._is_pitched() and rings_on(spectrum, hertz_of(self.values["pitch_cents"]))
            is_bound = pitched or rings_by_itself(spectrum, lines)
            hum = None if is_bound else hum_of(lines)
        if hum is None:
            self.why["hum_hz"] = "no steady noise floor of 300 ms"
        hertz, prominence = hum or (None, None)
        return {
            "noise_floor_dbfs": floor.level_dbfs,
            "noise_is_bound": is_bound,
            "hum_hz": hertz,
            "hum_db": prominence,
            "hum_lines": lines,
        }

    def _quietest(self) -> Mono:
        """Return the quietest two seconds, or all of what is shorter."""
        size = round(_QUIET_S / self.envelope.seconds)
        sums = np.concatenate(([0.0], np.cumsum(self.cells)))
        start = int(np.argmin(sums[size:] - sums[:-size])) if len(self.cells) > size else 0
        return self._mono(start * self.envelope.cell, (start + size) * self.envelope.cell)

    def _clicks(self) -> dict[str, Any]:
        """The clicks in their order; in what has no pitch only the plainest, and none where they are many."""
        seconds = self.levels.frames / self.rate
        if seconds < 0.1:
            self.why["clicks"] = "shorter than 100 ms"
        least = 0.0 if self._is_pitched() else _PLAIN_DB
        clicks = sorted((click for click in self.clicks if click.size_db >= least), key=lambda click: click.frame)
        apart = [after.frame - before.frame > _TOGETHER_S * self.rate for before, after in pairwise(clicks)]
        if 1 + sum(apart) > max(_FEW_CLICKS, seconds):
            self.why["clicks"] = "so many that they are its texture"
            return {}
        return {"clicks": tuple(clicks)}

    def _loop(self, loop: Loop) -> MeasuredLoop:
        """Judge a loop's seam; one frame past the end counts as the end, since some writers count so."""
        unjudged = MeasuredLoop(start=loop.start, end=loop.end, kind=loop.kind)
        end = min(loop.end, self.levels.frames)
        if not 0 <= loop.start < end or loop.end > self.levels.frames + 1 or loop.kind != "forward":
            return unjudged
        around = self.rate // 4
        first = max(0, loop.start - around)
        sound = self._mono(first, min(self.levels.frames, end + around))
        if end - first > len(sound):
            return unjudged
        seam = seam_of(sound, self.rate, loop.start - first, end - first)
        return msgspec.structs.replace(seam, start=loop.start, end=loop.end)

    def _mono(self, start: int, stop: int) -> Mono:
        """Return frames of the sound in one channel, read again where they lie behind the first block."""
        if stop <= len(self.head):
            return self.head[start:stop]
        segment = np.nan_to_num(self.reader.segment(start, stop), nan=0.0, posinf=0.0, neginf=0.0)
        return mixed(np.ascontiguousarray(segment.T)) if len(segment) else np.zeros(0, np.float32)

    def _bits(self) -> dict[str, Any]:
        if self.used.effective is None:
            self.why["effective_bits"] = "not stored as integers"
        if self.used.correlation is None:
            self.why["correlation"] = "not two channels that both sound"
        return {
            "effective_bits": self.used.effective,
            "correlation": self.used.correlation,
            "same_channels": self.used.same_channels,
        }

    def _band(self) -> dict[str, Any]:
        width = bandwidth(self.head, self.rate)
        if width is None:
            self.why["bandwidth_hz"] = "too short"
        return {"bandwidth_hz": width}


_TAKEN: Final[Mapping[FileMeasure, Callable[[_Analysis], dict[str, Any]]]] = {
    versions.FORMAT: _Analysis._format,
    versions.DIGEST: lambda one: {"digest": one.digest.hexdigest()[:32]},
    versions.LEVELS: _Analysis._levels,
    versions.TRUE_PEAK: _Analysis._true_peak,
    versions.LOUDNESS: _Analysis._loudness,
    versions.EDGES: _Analysis._edges,
    versions.PITCH: _Analysis._pitch,
    versions.NOISE: _Analysis._noise,
    versions.CLICKS: _Analysis._clicks,
    versions.LOOPS: lambda one: {"loops": tuple(map(one._loop, one.chunks.loops[:MOST_LOOPS]))},
    versions.BITS: _Analysis._bits,
    versions.BAND: _Analysis._band,
    versions.DECAY: lambda one: {"decay": decay_of(one.cells, one.envelope.seconds)},
    versions.OUTLINE: lambda one: {"outline": outline_of(one.head)},
}
"""How each measure is taken of a file that has been read."""
