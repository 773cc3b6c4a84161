"""The measures of a sound file: each with a version of its own, what it is computed from, and the fields it fills."""

from __future__ import annotations

from typing import Final

from companion.core.rules import Measure
from companion.sound.files.chunks import PLACING


class FileMeasure(Measure, frozen=True):
    """A measure of one file. inputs: the measures it is computed from. fields: those of ``Measured`` that it fills.

    Raise ``version`` whenever the same file may measure otherwise: then this measure, and what is computed from it, is
    taken again of files that were measured before, and the rules that rest on it judge anew.
    """

    fields: tuple[str, ...] = ()
    inputs: tuple[FileMeasure, ...] = ()


FORMAT: Final = FileMeasure(
    "format",
    1,
    fields=(
        *("problem", "problem_text", "format", "subtype", "bits", "seconds", "frames", "frames_promised", "rate"),
        *("channels", "size", "root_source", *PLACING),
    ),
)
"""Header and decoding. Every other measure is computed from what it gives, so a rise takes all of them again."""

DIGEST: Final = FileMeasure("digest", 1, fields=("digest",))
LEVELS: Final = FileMeasure(
    "levels", 2, fields=("peak_dbfs", "channel_peaks", "rms_dbfs", "dc", "not_finite", "clipped_runs")
)
TRUE_PEAK: Final = FileMeasure("true-peak", 1, fields=("true_peak_dbtp",))
LOUDNESS: Final = FileMeasure(
    "loudness", 2, fields=("loudness_lufs", "momentary_max_lufs", "short_term_max_lufs", "played_lufs", "burst_lufs")
)
EDGES: Final = FileMeasure(
    "edges",
    2,
    fields=(
        *("onset_s", "begins_s", "tail_s", "start_db", "start_jump", "start_steady", "end_db", "end_faded", "joins"),
    ),
    inputs=(LEVELS,),
)
PITCH: Final = FileMeasure(
    "pitch",
    2,
    fields=("pitch_cents", "pitch_trust", "pitch_spread", "odd_even_db", "half_db", "fundamental_db"),
    inputs=(LEVELS,),
)
NOISE: Final = FileMeasure(
    "noise", 2, fields=("noise_floor_dbfs", "noise_is_bound", "hum_hz", "hum_db", "hum_lines"), inputs=(PITCH,)
)
CLICKS: Final = FileMeasure("clicks", 4, fields=("clicks",), inputs=(PITCH,))
LOOPS: Final = FileMeasure("loops", 2, fields=("loops",))
BITS: Final = FileMeasure("bits", 1, fields=("effective_bits", "correlation", "same_channels"))
BAND: Final = FileMeasure("band", 1, fields=("bandwidth_hz",))
DECAY: Final = FileMeasure("decay", 3, fields=("decay",))
OUTLINE: Final = FileMeasure("outline", 1, fields=("outline",))

MEASURES: Final = (
    *(FORMAT, DIGEST, LEVELS, TRUE_PEAK, LOUDNESS, EDGES, PITCH),
    *(NOISE, CLICKS, LOOPS, BITS, BAND, DECAY, OUTLINE),
)
"""Every measure, those that others are computed from before them."""

CURRENT: Final = {measure.id: measure.version for measure in MEASURES}
FIRST: Final = dict.fromkeys(CURRENT, 1)
"""Of what the first building measured, which names no versions. A measure that is added begins at 2."""


def with_inputs(*measures: FileMeasure) -> tuple[FileMeasure, ...]:
    """Return ``measures``, all that they are computed from, and the format, in the order of ``MEASURES``."""
    wanted = {FORMAT.id}
    for measure in reversed(MEASURES):
        if measure in measures or measure.id in wanted:
            wanted |= {measure.id, *(one.id for one in measure.inputs)}
    return tuple(measure for measure in MEASURES if measure.id in wanted)
