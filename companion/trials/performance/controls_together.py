"""What controls do to each other, and whether they come home: orders, pairs of ends, layers. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Final

import msgspec
import numpy as np

from companion.trials.performance.controls_hearing import Probe, of_kind
from companion.trials.performance.controls_judged import OVERLOADED, SILENT, ControlVerdict
from companion.trials.performance.controls_panel import CLEAR_DB, SHARE, SURE_SHARE, SURELY_ALIKE, UNSTEADY, PanelView
from companion.trials.performance.controls_plan import HIGH, LOW
from companion.trials.performance.differences import TAILS
from companion.trials.performance.features import JNDS, NAMES

CAMPS: Final = 3.0
RINGING_DB: Final = 30.0
FAINTLY_DB: Final = 60.0
SILENT_DB: Final = 40.0
DROP_DB: Final = 12.0


def together(panel: PanelView) -> list[ControlVerdict]:
    return [*_unreturned(panel), *_orders(panel), *_pairs(panel), *_layers(panel)]


def _unreturned(panel: PanelView) -> list[ControlVerdict]:
    """Judge each homecoming against the home before it, so that one that strays is told once."""
    rule, found = "control-unreturned", []
    limit = panel.spread.strange
    for place, probe in enumerate(panel.homes):
        before = panel.homes[:place]
        if probe.control < 0 or not before:
            continue
        # A tail that rings on is gone by the next home; what did not come back still is not there.
        clear = [later for later in panel.homes[place : place + 2] if not rung_into(later)]
        apart = min(
            (
                panel.spread.distance(later.vector - home.vector, tails=not rung_into(later, FAINTLY_DB))
                for later in clear
                for home in before
            ),
            default=0.0,
        )
        share = _share(panel, probe.control, clear, before)
        strays = share is not None and share > SHARE
        verdict = ControlVerdict(
            rule=rule,
            outcome="fault" if apart >= limit or strays else "fine",
            control=probe.control,
            value=apart,
            bound=limit,
            says=f"still {share:.0%} of its way from where it was" if strays and apart < limit else "",
            slots=(before[-1].number, probe.number),
        )
        if not clear:
            verdict = msgspec.structs.replace(verdict, outcome="unjudged", reason="what was played before still rings")
        elif verdict.outcome == "fine" and share is None and (limit > UNSTEADY or apart > SURELY_ALIKE * limit):
            verdict = msgspec.structs.replace(
                verdict, outcome="unjudged", reason="the sound moves too much by itself to tell"
            )
        found.append(verdict)
    return found


def _share(panel: PanelView, control: int, clear: Sequence[Probe], before: Sequence[Probe]) -> float | None:
    """Return how far home strays along what the control does, as a share of that.

    None where repeats stray as far along it, or where what it does is not known.
    """
    sweep = panel.sweeps[control]
    if not clear or not sweep.complete or not panel.live(sweep):
        return None
    found = []
    for later in clear:
        for home in before:
            difference = later.vector - home.vector
            found.append(panel.along_own(sweep, np.where(TAILS, 0.0, difference) if rung_into(later) else difference))
    share, hides = min((abs(share), hides) for share, hides in found)
    return share if hides <= SHARE and not SHARE < share <= SURE_SHARE * hides else None


def _rows(panel: PanelView) -> dict[tuple[int, ...], list[Probe]]:
    rows: dict[tuple[int, ...], list[Probe]] = {}
    for probe in of_kind(panel.heard, "row"):
        rows.setdefault(probe.state, []).append(probe)
    return rows


def rung_into(probe: Probe, below: float = RINGING_DB) -> bool:
    """Tell whether what was played before still rings under a probe, less than ``below`` dB under it."""
    heard = dict(zip(NAMES, probe.vector * JNDS, strict=True))
    return bool(heard["before"] > heard["level"] - below)


def _orders(panel: PanelView) -> list[ControlVerdict]:
    """Judge whether the same settings sound the same in whatever order they were set: the row that differs most."""
    rows = {state: probes for state, probes in _rows(panel).items() if len(probes) > 1}
    if not rows:
        return []
    usual = panel.spread.strange
    worst: tuple[float, float, tuple[int, ...]] = (0.0, usual, ())
    strays, most = 0, usual
    calm = {
        state: probes
        for state, probes in rows.items()
        if sum(panel.restless(probe.vector) for probe in probes) < len(probes) / 2
    }
    if not calm:
        reason = "every setting of ends moves by itself"
        return [ControlVerdict(rule="order-matters", outcome="unjudged", reason=reason)]
    for state, probes in calm.items():
        # What moves by itself at one of these ends is not alike in any order.
        limit = max([usual, *(3.0 * panel.own(place, (value,)) for place, value in enumerate(state))])
        apart = sorted(
            (panel.spread.distance(two.vector - one.vector, tails=False), limit, (one.number, two.number))
            for one, two in combinations([probe for probe in probes if not rung_into(probe)], 2)
        )
        most = max(most, limit)
        # Where order decides, the passes fall into two camps, each of one sound; chance makes no camps.
        camps = apart and (len(apart) < 6 or apart[-1][0] > CAMPS * apart[1][0])
        if camps and apart[-1][0] >= limit:
            strays += 1
            worst = max(worst, apart[-1])
    verdict = ControlVerdict(
        rule="order-matters", outcome="fault" if strays else "fine", value=worst[0], bound=worst[1], slots=worst[2]
    )
    if not strays and most > UNSTEADY:
        reason = "the sound moves too much by itself to tell"
        return [msgspec.structs.replace(verdict, outcome="unjudged", reason=reason)]
    return [verdict]


def _pairs(panel: PanelView) -> list[ControlVerdict]:
    """Judge the pairs of ends: none silences, none overloads that does not do so alone."""
    rows = _rows(panel)
    if not rows or not panel.homes:
        return []
    usual = float(np.median([probe.loud for probe in panel.homes]))
    silence = max(6.0, usual - SILENT_DB)
    if usual < silence + CLEAR_DB:
        return [ControlVerdict(rule="pair-silences", outcome="unjudged", reason="too near to the noise at rest")]
    drops = {
        (sweep.place, value): min(
            0.0, float(np.median([probe.loud for probe in sweep.probes if probe.state[sweep.place] == value])) - usual
        )
        for sweep in panel.sweeps
        for value in (LOW, HIGH)
        if sweep.complete
    }

    def expected(state: tuple[int, ...]) -> float:
        """Return the level if each end took away what it takes away alone."""
        return usual + sum(drops.get(one, 0.0) for one in enumerate(state))

    excused = {state for state in rows if expected(state) < silence + CLEAR_DB}
    silent = [s for s, probes in rows.items() if s not in excused and all(probe.loud < silence for probe in probes)]
    sounding = [state for state in rows if state not in silent and state not in excused]
    overs = {probe.flat for probe in panel.homes} | {probe.flat for sweep in panel.sweeps for probe in sweep.probes}
    loud = [] if True in overs else [state for state, probes in rows.items() if any(probe.flat for probe in probes)]
    found = []
    for states, aside, words in (
        (silent, sounding, SILENT),
        (loud, [s for s in rows if s not in loud], OVERLOADED),
    ):
        if states:
            found.append(
                ControlVerdict(
                    rule="pair-silences",
                    outcome="fault",
                    others=_blamed(states, aside),
                    value=len(states),
                    says=words,
                    slots=tuple(probe.number for state in states for probe in rows[state]),
                )
            )
    if not silent:
        slots = tuple(probe.number for probes in rows.values() for probe in probes)
        if excused:
            reason = f"{len(excused)} of {len(rows)} settings are as good as silent by what each end does alone"
            return [ControlVerdict(rule="pair-silences", outcome="unjudged", reason=reason, slots=slots), *found]
        return [ControlVerdict(rule="pair-silences", outcome="fine", slots=slots), *found]
    return found


def _blamed(states: Sequence[tuple[int, ...]], aside: Sequence[tuple[int, ...]]) -> tuple[int, ...]:
    """Return the places of the pairs that all of ``states`` have and none of ``aside``; all places where none has."""
    places: set[int] = set()
    for one, two in combinations(range(len(states[0])), 2):
        values = {(state[one], state[two]) for state in states}
        if len(values) == 1 and not any((state[one], state[two]) in values for state in aside):
            places |= {one, two}
    return tuple(sorted(places))


def _layers(panel: PanelView) -> list[ControlVerdict]:
    """Judge each layer alone against all of them together."""
    together = [probe.loud for probe in of_kind(panel.heard, "layers")]
    if not together:
        return []
    found = []
    for probe in of_kind(panel.heard, "layer"):
        drop = together[0] - probe.loud
        found.append(
            ControlVerdict(
                rule="layer-alone-drops",
                outcome="fault" if drop > DROP_DB else "fine",
                control=probe.control,
                value=drop,
                bound=DROP_DB,
                slots=(probe.number,),
            )
        )
    return found
