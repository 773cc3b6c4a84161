"""What several pictures share: figures of a finding, axes of time and level."""

from __future__ import annotations

import math
from typing import Final

from companion.core.describe import headline, where_text
from companion.core.findings import Finding
from companion.core.text import visible
from companion.drawing.shapes import Axis, Figure

_NEAR_S: Final = 0.05
_FEW: Final = 400
_TOPS: Final = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


def title_of(finding: Finding | None, otherwise: str) -> str:
    """Return the heading of a picture: what was found and where, or what else it shows."""
    return headline(finding) if finding else otherwise


def figures_of(finding: Finding | None) -> tuple[Figure, ...]:
    """Return the sentences of a finding, none that is empty."""
    if finding is None:
        return ()
    pairs = (
        ("Where", finding.where or where_text(finding.at)),
        ("Measured", finding.measured),
        ("Limit", finding.limit),
        ("Why", finding.why),
        ("Mend", finding.mend),
        ("Waived", finding.waived),
    )
    return tuple(Figure(label, visible(text)) for label, text in pairs if text)


def time_axis(start: float, end: float, rate: int, *, single: bool = False) -> Axis:
    """Return the axis of frames ``start`` to ``end``: in seconds, in ms where they are few, in frames where each shows.

    single: each value is one frame.
    """
    end = max(end, start + 1)
    if single and end - start <= _FEW // 2:
        return Axis(low=start, high=end, unit="frames")
    if (end - start) / rate < _NEAR_S:
        return Axis(low=start, high=end, unit="ms", scale=1000 / rate)
    return Axis(low=start, high=end, unit="s", scale=1 / rate)


def wave_axis(peak: float) -> Axis:
    """Return an axis of amplitude, full scale 1, that a wave of this peak fits into."""
    top = rounded_up(peak) if peak > 0 else 1.0
    if 0.75 < top <= 1.0:
        top = 1.0
    return Axis(low=-top, high=top)


def rounded_up(value: float) -> float:
    """Return the next number up that reads well."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(top * power for top in _TOPS if top * power >= value * (1 - 1e-9))


def moment(frame: float, rate: int) -> str:
    """Return a place as people read it: ``0.300 s (frame 6,615)``."""
    return f"{frame / rate:.3f} s (frame {round(frame):,})" if rate else f"frame {round(frame):,}"


def short_layer(layer: str) -> str:
    """Return the name of a layer without the folders it was read from."""
    return layer.rpartition("/")[2] or layer
