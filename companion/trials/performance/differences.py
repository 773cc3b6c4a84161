"""How different two states sound, against how much the same state differs from itself in this very bounce.

Round robins, a free chorus and noise make no two notes alike. How much, and in which numbers together, is learned from
states that were played more than once; a difference counts by what stands out of that.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from companion.trials.performance.features import NAMES, Vector

_BLEND: Final = 0.2
"""How far the learned spread is drawn to one without ties between the numbers: there are few repeats to learn from."""
_SPREADS: Final = 2.0
_OUTLIER: Final = 4.0
_OVER: Final = 3.0
"""A distance is the length over all numbers, as if three of them carried it."""
STRANGE: Final = 1.5
"""The least distance that is called another sound."""
_APART: Final = np.array([name == "before" for name in NAMES])
"""What was heard before a note belongs to the state before."""
TAILS: Final = np.array([name in ("before", "release", "release late", "tail", "tail late") for name in NAMES])
"""Where a long release of the state before may still be heard."""


class Spread:
    """How much the same state differs from itself. repeats: differences of vectors of one state, each once."""

    def __init__(self, repeats: Sequence[Vector]) -> None:
        self.repeats = np.array(repeats, np.float64).reshape(-1, len(NAMES))
        data = self.repeats if len(self.repeats) else np.ones((1, len(NAMES)))
        # A single stray repeat (a control that did not come back) is no measure of all the others.
        limit = _OUTLIER * np.sqrt(np.median(data**2, axis=0)) + 1.0
        data = np.clip(data, -limit, limit)
        learned = data.T @ data / len(data) / 2
        learned = (1 - _BLEND) * learned + _BLEND * np.diag(np.diag(learned))
        self._metric = np.linalg.inv(np.eye(len(NAMES)) + _SPREADS**2 * learned)
        alike = [self.distance(one) for one in self.repeats]
        self.usual = float(np.median(alike)) if alike else 1.0
        self.most = float(np.quantile(alike, 0.8)) if alike else 2.0

    @property
    def strange(self) -> float:
        """The distance from which a state is surely another one than it should be.

        Many strays among the repeats may be the fault itself, so that they raise it only so far.
        """
        return max(STRANGE, 3.0 * self.usual, min(2.0 * self.most, 5.0 * self.usual))

    def distance(self, difference: Vector, tails: bool = True) -> float:
        """Return how far apart two states are: 1 is about one just noticeable difference in each of three numbers.

        tails: whether what follows a note counts too.
        """
        held = np.where(_APART if tails else TAILS, 0.0, difference)
        return float(np.sqrt(max(0.0, held @ self._metric @ held) / _OVER))

    def product(self, one: Vector, other: Vector) -> float:
        """Return the scalar product by which :meth:`distance` is the length of one difference."""
        return float(np.where(_APART, 0.0, one) @ self._metric @ np.where(_APART, 0.0, other)) / _OVER

    def weights(self, difference: Vector) -> Vector:
        """Return the weights along which a difference stands out of the repeats the most."""
        found: Vector = np.where(_APART, 0.0, self._metric @ np.where(_APART, 0.0, difference))
        return found

    def along(self, weights: Vector) -> float:
        """Return the standard deviation of one state along a direction, in just noticeable differences."""
        if not len(self.repeats):
            return 1.0
        values = np.sort((self.repeats @ weights) ** 2)
        kept = values[: max(3, int(0.9 * len(values)) + 1)]
        return float(np.sqrt(kept.mean() / 2))
