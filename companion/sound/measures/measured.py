"""What was measured of one audio file: plain values that go to JSON, to the cache and to the checks."""

from typing import Any, Final, Literal

import msgspec

from companion.core.findings import At
from companion.sound.files.chunks import Loop
from companion.sound.measures.versions import CURRENT, FIRST, FORMAT, MEASURES, FileMeasure


class Run(msgspec.Struct, frozen=True):
    """Consecutive frames at the top: first frame, how many, which channel, and by how much the wave would have risen.

    overshoot: the estimated height cut off, as a share of the top (0.02 is 2 %).
    """

    frame: int
    length: int
    channel: int
    overshoot: float


class Click(msgspec.Struct, frozen=True):
    """A click: its frame, and how far it stands above the sound around it, in dB."""

    frame: int
    size_db: float


class MeasuredLoop(Loop, frozen=True, kw_only=True):
    """A loop and how its seam was judged: ``clean``, ``audible``, or ``not judged``.

    jump: the largest step away from the wave that would have come, as a share of the peak. error: how different the
    two sides of the seam are, 0 (the same wave) to 2; fits: the same at the best end within 80 frames. breaks: how far
    a predictor's error stands over its highest elsewhere in the loop, as a factor.
    """

    seam: Literal["clean", "audible", "not judged"] = "not judged"
    jump: float = 0.0
    error: float = 0.0
    breaks: float = 0.0
    fits: float = 0.0


class Decay(msgspec.Struct, frozen=True, kw_only=True):
    """Decay after ISO 3382-1 in seconds for 60 dB; None where the range was not there, 10 dB above the noise.

    end_db: level at which the file ends, against its loudest 5 ms.
    """

    edt_s: float | None = None
    t20_s: float | None = None
    t30_s: float | None = None
    end_db: float | None = None


class Measured(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One file's measures. None: not measured, and ``not_judged`` gives the reason under the measure's name.

    problem / problem_text: ``unreadable`` (nothing else is measured) or ``truncated`` (the rest is of what is there).
    format, subtype: as the decoder names them. bits: as stored. digest: hash of the decoded samples, rate and
    channels; equal for two files that are the same recording to the bit. channel_peaks: linear, full scale 1.
    not_finite: samples that are NaN or infinite. dc: the largest mean of a channel, signed, full scale 1.
    played_lufs: the loudest 400 ms of a short loop that goes round, as it is played. burst_lufs: the loudest 100 ms, of
    a short loop that goes round.
    pitch_cents: 100 × MIDI note, A4 = 6900. root_source: ``chunk``, ``name``, ``table`` or empty.
    pitch_spread: cents between the quarters of the windows that agree. odd_even_db, half_db: energy of the odd partials
    against the even ones, and half-way between partials against them: what tells octaves apart. fundamental_db: the
    first partial against the highest.
    start_db, end_db: level of the first and the last millisecond against the loudest. start_jump: the first sample
    against the peak. start_steady: whether the first 10 ms are as loud as the next 40, so that there is no attack.
    end_faded: whether the last millisecond falls off as a fade does. joins: whether the end leads on to the start, as
    in a loop of the whole file. begins_s: where the sound leaves the silence before it; 0 where it swells at once.
    hum_lines: how far each of ten multiples of 50 Hz, then of 60 Hz, stands out of the noise floor, or where there is
    none out of the quietest two seconds, in dB.
    outline: the beginning of the sound, reduced, by which takes are compared; empty when there is none.
    versions: of each measure, by its id.
    """

    path: str = ""
    problem: Literal["", "unreadable", "truncated"] = ""
    problem_text: str = ""
    format: str = ""
    subtype: str = ""
    bits: int = 0
    seconds: float = 0.0
    frames: int = 0
    frames_promised: int | None = None
    rate: int = 0
    channels: int = 0
    size: int = 0
    digest: str = ""
    peak_dbfs: float | None = None
    channel_peaks: tuple[float, ...] = ()
    true_peak_dbtp: float | None = None
    rms_dbfs: float | None = None
    loudness_lufs: float | None = None
    momentary_max_lufs: float | None = None
    short_term_max_lufs: float | None = None
    played_lufs: float | None = None
    burst_lufs: float | None = None
    dc: float | None = None
    not_finite: int = 0
    onset_s: float | None = None
    begins_s: float | None = None
    tail_s: float | None = None
    start_db: float | None = None
    start_jump: float | None = None
    start_steady: bool = False
    end_db: float | None = None
    end_faded: bool = False
    joins: bool = False
    noise_floor_dbfs: float | None = None
    noise_is_bound: bool | None = None
    hum_hz: float | None = None
    hum_db: float | None = None
    hum_lines: tuple[float, ...] = ()
    pitch_cents: float | None = None
    pitch_trust: float | None = None
    pitch_spread: float | None = None
    odd_even_db: float | None = None
    half_db: float | None = None
    fundamental_db: float | None = None
    root_note: int | None = None
    root_source: str = ""
    fine_cents: float = 0.0
    low_key: int | None = None
    high_key: int | None = None
    low_velocity: int | None = None
    high_velocity: int | None = None
    clicks: tuple[Click, ...] = ()
    loops: tuple[MeasuredLoop, ...] = ()
    effective_bits: int | None = None
    bandwidth_hz: float | None = None
    correlation: float | None = None
    same_channels: bool = False
    clipped_runs: tuple[Run, ...] = ()
    decay: Decay | None = None
    outline: bytes = b""
    not_judged: dict[str, str] = {}
    versions: dict[str, int] = {}

    @property
    def readable(self) -> bool:
        """Whether there is sound to judge."""
        return self.problem != "unreadable"

    def at(self, start: float, end: float, channel: int | None = None) -> At:
        """Return the place of the frames from ``start`` up to, not including, ``end``."""
        return At(frames=(round(start), round(end)), rate=self.rate, channel=channel)

    @property
    def level_lufs(self) -> float | None:
        """How loud it is played at its loudest 400 ms; None where it is shorter and does not loop."""
        if self.played_lufs is not None:
            return self.played_lufs
        return self.momentary_max_lufs if self.seconds >= 0.4 else None

    @property
    def held(self) -> dict[str, int]:
        """The versions of the measures; of what the first building kept, which names none, 1 for each."""
        return self.versions or FIRST


def outdated(measured: Measured) -> tuple[FileMeasure, ...]:
    """Return the measures that are to be taken again: of another version now, or computed from one that is."""
    held = measured.held
    if held == CURRENT:
        return ()
    behind = {measure.id for measure in MEASURES if held.get(measure.id) != measure.version}
    if FORMAT.id in behind:
        return MEASURES
    if not measured.readable:
        return ()
    for measure in MEASURES:
        if any(one.id in behind for one in measure.inputs):
            behind.add(measure.id)
    return tuple(measure for measure in MEASURES if measure.id in behind)


def combined(before: Measured | None, new: Measured, measures: tuple[FileMeasure, ...]) -> Measured:
    """Return ``before`` with ``measures`` out of ``new``; ``new`` alone where all are new or nothing could be read."""
    versions = {measure.id: measure.version for measure in measures}
    if before is None or FORMAT in measures or not new.readable:
        return msgspec.structs.replace(new, versions=versions)
    fields = {name for measure in measures for name in measure.fields}
    reasons = {name: why for name, why in before.not_judged.items() if name not in fields}
    reasons |= {name: why for name, why in new.not_judged.items() if name in fields}
    values = {name: getattr(new, name) for name in fields}
    return msgspec.structs.replace(before, **values, not_judged=reasons, versions={**before.held, **versions})


FIELDS: Final = (
    *("path", "seconds", "frames", "rate", "channels", "subtype", "peak_dbfs", "true_peak_dbtp"),
    *(
        "rms_dbfs",
        "loudness_lufs",
        "momentary_max_lufs",
        "short_term_max_lufs",
        "dc",
        "onset_s",
        "tail_s",
        "noise_floor_dbfs",
    ),
    *("noise_is_bound", "hum_hz", "pitch_cents", "pitch_trust", "root_note", "root_source", "clicks"),
    *("loops", "effective_bits", "bandwidth_hz", "correlation", "clipped_runs", "not_judged"),
)
"""What ``companion measure`` prints, in this order."""


def to_plain(measured: Measured) -> dict[str, Any]:
    """Return the fields that ``companion measure --json`` prints, with ``problem`` where there is one."""
    plain = {name: msgspec.to_builtins(getattr(measured, name)) for name in FIELDS}
    if measured.problem:
        plain["problem"] = {"kind": measured.problem, "text": measured.problem_text}
    return plain


def to_row(measured: Measured) -> list[str]:
    """Return the same fields as cells of a table: lists as ``a;b``, nothing as an empty cell."""
    plain = to_plain(measured)

    def cell(value: Any) -> str:
        if isinstance(value, dict):
            return ";".join(f"{key}={item}" for key, item in value.items())
        if isinstance(value, (list, tuple)):
            return ";".join(cell(list(item.values()) if isinstance(item, dict) else item) for item in value)
        return "" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)

    row = [cell(plain[name]) for name in FIELDS]
    if measured.problem:
        row[-1] = f"{measured.problem}={measured.problem_text}"
    return row
