"""What a bounce of the controls shows, put in order: each control's sweep, and how steady the bounce is itself."""

from __future__ import annotations

from functools import cached_property
from itertools import combinations, pairwise
from typing import Final

import msgspec
import numpy as np

from companion.trials.performance.controls_hearing import PanelHeard, Probe, of_kind
from companion.trials.performance.controls_plan import HIGH, LOW, MIDDLE, Knob
from companion.trials.performance.differences import Spread
from companion.trials.performance.directions import DIRECTIONS, said
from companion.trials.performance.features import JNDS, NAMES, Vector
from companion.trials.performance.insides import Inside, insides

HEARD: Final = 0.9
"""A distance that is surely heard, where it also stands out of the repeats."""
STANDS_OUT: Final = 2.0
"""How many times the usual distance of repeats an effect is at least."""
PLAINLY: Final = 2.0
"""An effect so many times as large needs no second proof;"""
AGREES: Final = 0.5
"""a smaller one must show in both pairs of ends, to this share."""
SURE: Final = 3.0
"""Standard deviations from which a direction is believed; and the least change along it, in just noticeable ones."""
LEAST: Final = 1.2
_BY_NOTES: Final = ("vibrato", "tremolo")
"""How fast these are does not show in so short a stretch."""
_LEASTS: Final = {"wet": 2.0, "long": 2.0}
"""How a hall answers one tone depends on the tone: there a small change says little."""
RESTLESS: Final = 1.5
_MOVES: Final = [NAMES.index("pitch moves"), NAMES.index("level moves")]
_SIDES: Final = [NAMES.index("width"), NAMES.index("pan")]
SWAYS: Final = 0.2
UNSTEADY: Final = 2.0
"""Where a strange state must be further off than this to be told, none found proves nothing."""
BRIGHT_SNR_DB: Final = 30.0
CLEAR_DB: Final = 15.0
ASIDE_DB: Final = 12.0
SHARE: Final = 0.15
"""What should be alike may differ by this share of a control's whole effect;"""
SURELY_ALIKE: Final = 0.7
"""below so many times it, surely not;"""
SURE_SHARE: Final = 1.5
"""beyond it, and beyond so many times what hides among repeats, it does differ."""
INSIDE: Final = 2.5
"""What a control does inside a note is no chance where all of it stands out so far;"""
NO_MORE: Final = 1.25
"""and there is nothing where it stands out no further than this: chance brings 1."""
SURELY_INSIDE: Final = 6.0
"""Standard errors from which a direction is believed by what is heard inside a note."""
WEIGHTS: Final[dict[str, Vector]] = {
    name: np.array([one.weights.get(feature, 0.0) for feature in NAMES]) for name, one in DIRECTIONS.items()
}


class Sweep(msgspec.Struct, frozen=True, dict=True):
    """The probes of one control alone, in the order they were played, and in company."""

    place: int
    knob: Knob
    probes: tuple[Probe, ...]
    company: tuple[Probe, ...]

    def at(self, value: int) -> list[Vector]:
        """The vectors at one value; at the middle only those on the way up."""
        found = [probe.vector for probe in self.probes if probe.state[self.place] == value]
        return found[:1] if value == MIDDLE else found

    @cached_property
    def complete(self) -> bool:
        return len(self.at(LOW)) == 2 and len(self.at(HIGH)) == 2

    @cached_property
    def faintest(self) -> float:
        """How far the faintest probe stands over the noise, in dB."""
        return min(probe.loud for probe in self.probes)

    @cached_property
    def slots(self) -> tuple[int, ...]:
        return tuple(probe.number for probe in self.probes)

    def means(self) -> list[tuple[int, Vector]]:
        """Return (value, mean vector) on the way up, rising."""
        values = sorted({probe.state[self.place] for probe in self.probes})
        return [(value, np.mean(self.at(value), axis=0)) for value in values]


class PanelView:
    """What was heard, in order, with what follows from all of it."""

    def __init__(self, heard: PanelHeard) -> None:
        self.heard = heard
        self.homes = list(of_kind(heard, "home"))
        self.sweeps = [
            Sweep(
                place,
                knob,
                tuple(probe for probe in of_kind(heard, "probe") if probe.control == place),
                tuple(probe for probe in of_kind(heard, "company") if probe.control == place),
            )
            for place, knob in enumerate(heard.panel.knobs)
        ]
        repeats = [two.vector - one.vector for one, two in pairwise(self.homes)]
        for sweep in self.sweeps:
            for value in (LOW, HIGH):
                repeats += [two - one for one, two in combinations(sweep.at(value), 2)]
        self.spread = Spread(repeats)
        self.insides = insides(heard.paireds)

    @cached_property
    def far_aside(self) -> bool:
        """Whether at rest all comes from one side: how wide it is says nothing there."""
        places = [float(abs(home.vector[_SIDES[1]] * JNDS[_SIDES[1]])) for home in self.homes]
        return bool(places) and float(np.median(places)) > ASIDE_DB

    @cached_property
    def one_sided(self) -> bool:
        """Whether both channels are the same throughout, as in a bounce of one channel: width and place say nothing."""
        sides = np.array([probe.vector[_SIDES] * JNDS[_SIDES] for probe in self.heard.probes])
        return bool(len(sides) == 0 or ((sides[:, 0] <= -29.9) & (np.abs(sides[:, 1]) < 0.01)).all())

    def change(self, sweep: Sweep, direction: str) -> tuple[float, float]:
        """Return how far a control moves the sound along a direction over its whole way, and the deviation of that."""
        weights = WEIGHTS[direction]
        values = [probe.state[sweep.place] / HIGH for probe in sweep.probes]
        heard = [float(probe.vector @ weights) for probe in sweep.probes]
        centred = np.array(values) - np.mean(values)
        slope = float(centred @ np.array(heard) / (centred @ centred))
        return slope, self.spread.along(weights)

    def sure(self, sweep: Sweep, direction: str, deviations: float = SURE) -> int:
        """Return +1 or −1 where a control surely moves the sound along a direction, else 0."""
        if sweep.faintest < {"bright": BRIGHT_SNR_DB, "loud": -200.0}.get(direction, CLEAR_DB):
            return 0  # what is hardly there has no place, no pitch and no attack
        found, inside = self._sure_by_notes(sweep, direction, deviations), self._sure_inside(sweep, direction)
        return found or inside if found * inside >= 0 else 0

    def inside(self, sweep: Sweep) -> Inside | None:
        """Return what a control does inside held notes; None where too little was heard of that."""
        return self.insides.get(sweep.place)

    def _sure_inside(self, sweep: Sweep, direction: str) -> int:
        inside = self.inside(sweep)
        heard = inside.along(direction) if inside and direction not in _BY_NOTES else None
        if heard is None or abs(heard[0]) < max(LEAST, SURELY_INSIDE * heard[1]):
            return 0
        return int(np.sign(heard[0]))

    def _sure_by_notes(self, sweep: Sweep, direction: str, deviations: float) -> int:
        change, deviation = self.change(sweep, direction)
        least = _LEASTS.get(direction, LEAST)
        if abs(change) < least or abs(change) < deviations * float(np.hypot(0.5, deviation)):
            return 0
        ends = np.mean(sweep.at(HIGH), axis=0) - np.mean(sweep.at(LOW), axis=0)
        parts = (ends * WEIGHTS[direction])[WEIGHTS[direction] != 0] * np.sign(change)
        # Where several numbers carry a direction, they must agree.
        return int(np.sign(change)) if (parts > 0.15 * least).all() else 0

    def along_own(self, sweep: Sweep, difference: Vector) -> tuple[float, float]:
        """Return how far a difference goes along a control's own effect, as a share of that, and which share would
        hide among the repeats: those of all states, and those of this control's ends.
        """
        whole = np.mean(sweep.at(HIGH), axis=0) - np.mean(sweep.at(LOW), axis=0)
        weights = self.spread.weights(whole)
        length = max(float(whole @ weights), 1e-9)
        own = max(abs(float((sweep.at(value)[1] - sweep.at(value)[0]) @ weights)) for value in (LOW, HIGH))
        hides = max(4 * 2**0.5 * self.spread.along(weights), 2 * own)
        return float(difference @ weights) / length, hides / length

    def effect(self, sweep: Sweep) -> float:
        """Return the distance between a control's ends."""
        return self.spread.distance(np.mean(sweep.at(HIGH), axis=0) - np.mean(sweep.at(LOW), axis=0))

    def own(self, place: int, values: tuple[int, ...] = (LOW, HIGH)) -> float:
        """Return how far apart the same end of one control sounds: what moves by itself does so more at one end."""
        sweep = self.sweeps[place]
        pairs = [sweep.at(value) for value in values]
        return max((self.spread.distance(two[1] - two[0]) for two in pairs if len(two) == 2), default=0.0)

    def restless(self, vector: Vector) -> bool:
        """Tell whether a state moves by itself more than rest does: by a vibrato or tremolo that runs free, say.

        No two notes of it are alike, and that is no fault.
        """
        calm = np.median([home.vector[_MOVES] for home in self.homes], axis=0)
        return bool((vector[_MOVES] > calm + RESTLESS).any())

    def sways(self, sweep: Sweep) -> bool:
        """Tell whether what a control does is to make the sound move: how much, depends on when it is heard."""
        ends = np.mean(sweep.at(HIGH), axis=0) - np.mean(sweep.at(LOW), axis=0)
        weights = self.spread.weights(ends)
        return float(ends[_MOVES] @ weights[_MOVES]) > SWAYS * float(ends @ weights)

    def live(self, sweep: Sweep) -> bool:
        """Tell whether a control surely changes the sound."""
        least, effect = max(HEARD, STANDS_OUT * self.spread.usual), self.effect(sweep)
        promised, inside = said(sweep.knob.effect), self.inside(sweep)
        # What shows neither inside a note nor where notes begin and end may be the chorus, twice the same by chance.
        seen = inside is None or inside.apart >= NO_MORE or any(self.sure(sweep, name) for name in ("slow", "long"))
        if effect >= PLAINLY * least or (effect >= least and self.agreement(sweep) >= AGREES and seen):
            return True
        if (promised and self.sure(sweep, promised[0])) or (inside and inside.apart >= INSIDE):
            return True
        limit = 1.5 * max(HEARD, STANDS_OUT * self.spread.usual, 1.4 * self.spread.most)
        middle = [np.mean(sweep.at(value), axis=0) for value, _ in sweep.means() if LOW < value < HIGH]
        apart = [
            max(min(self.spread.distance(one - end) for end in sweep.at(value)) for value in (LOW, HIGH))
            for one in middle
        ]
        # One stray note is no effect: it must be there at two places between the ends, and against both notes of one.
        return sum(one >= limit for one in apart) >= 2 or self._live_in_company(sweep, limit)

    def agreement(self, sweep: Sweep) -> float:
        """Return how well the two times that a control was at each of its ends agree on what it does: 1 wholly, 0 or
        less not at all.

        The scalar product of two differences that share no note, over the square of their mean: what is chance in one
        is not in the other.
        """
        (low, again), (high, later) = sweep.at(LOW), sweep.at(HIGH)
        whole = self.effect(sweep) ** 2
        pairs = (self.spread.product(high - low, later - again), self.spread.product(later - low, high - again))
        return min(pairs) / whole if whole else 0.0

    def _live_in_company(self, sweep: Sweep, limit: float) -> bool:
        """Tell whether a control that does nothing alone shapes what the others do, half way up."""
        if len(sweep.company) < 3:
            return False
        low, high, again = (probe.vector for probe in sweep.company[:3])
        if any(self.restless(vector) for vector in (low, high, again)):
            return False
        apart = min(self.spread.distance(high - low), self.spread.distance(high - again))
        return apart >= max(limit, 3.5 * self.spread.distance(again - low))
