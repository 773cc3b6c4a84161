"""What controls do inside held notes, where each was moved back and forth, against how much pairs differ without cause.

That is learned from all controls of a bounce together: whatever stays of a pair once the mean of its kind is taken away
has no cause in the control.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import msgspec
import numpy as np

from companion.trials.performance.features import Vector
from companion.trials.performance.paired import MEASURED, Paired

FEWEST: Final = 4
"""Pairs up, and as many down, that must be heard."""
WHERE: Final = {
    "loud": MEASURED.index("level"),
    "bright": MEASURED.index("bright"),
    "wide": MEASURED.index("width"),
    "high": MEASURED.index("pitch"),
    "right": MEASURED.index("pan"),
    "noisy": MEASURED.index("flat"),
    "vibrato": MEASURED.index("pitch moves"),
    "tremolo": MEASURED.index("level moves"),
}
"""The number in which a direction shows inside a note; of those that show at its ends alone there is none."""
_OUTLIER: Final = 4.0
_BLEND: Final = 0.2
_FLOOR: Final = 0.05
"""No bounce is so still that less than this, in just noticeable differences, would stand out."""


class Inside(msgspec.Struct, frozen=True):
    """What one control does inside a note. change, error: by ``MEASURED``, in just noticeable differences.

    apart: how far all of it together stands out of chance, about 1 where there is nothing else.
    """

    change: Vector
    error: Vector
    apart: float

    def along(self, direction: str) -> tuple[float, float] | None:
        """Return (change, error) along a direction; None where it does not show inside a note."""
        place = WHERE.get(direction)
        return None if place is None else (float(self.change[place]), float(self.error[place]))


def insides(paireds: Mapping[int, Paired]) -> dict[int, Inside]:
    """Return what each control does inside its notes, of those with enough pairs."""
    heard = {control: one for control, one in paireds.items() if min(len(one.up), len(one.down)) >= FEWEST}
    if not heard:
        return {}
    strays = {
        control: np.concatenate([kind - kind.mean(axis=0) for kind in (one.up, one.down)])
        for control, one in heard.items()
    }
    whole = np.concatenate(list(strays.values()))
    limit = _OUTLIER * np.sqrt(np.median(whole**2, axis=0)) + 0.3
    whole = np.clip(whole, -limit, limit)
    shared = whole.T @ whole / (len(whole) - 2 * len(heard))
    shared = (1 - _BLEND) * shared + _BLEND * np.diag(np.diag(shared))
    found = {}
    for control, one in heard.items():
        change = (one.up.mean(axis=0) - one.down.mean(axis=0)) / 2
        count = len(strays[control])
        own = np.sqrt((strays[control] ** 2).sum(axis=0) / (count - 2) / count)
        inverse = np.linalg.inv(shared / count + _FLOOR**2 * np.eye(len(MEASURED)))
        apart = float(np.sqrt(change @ inverse @ change / len(MEASURED)))
        found[control] = Inside(change, own + _FLOOR / 2, apart)
    return found
