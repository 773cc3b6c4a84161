"""What a bounce of the controls tells: which do nothing, or another thing than said, or do not come back. Pure.

What it assumes: one key at one touch shows what a control does, alone or with the others half way. The rest is asked by
hand.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import msgspec
import numpy as np

from companion.trials.performance.controls_hearing import PanelHeard, Probe
from companion.trials.performance.controls_judged import ControlVerdict
from companion.trials.performance.controls_panel import (
    BRIGHT_SNR_DB,
    CLEAR_DB,
    LEAST,
    SHARE,
    SURE,
    SURE_SHARE,
    SURELY_ALIKE,
    UNSTEADY,
    WEIGHTS,
    PanelView,
    Sweep,
)
from companion.trials.performance.controls_plan import MIDDLE
from companion.trials.performance.controls_together import rung_into, together
from companion.trials.performance.directions import DIRECTIONS, said
from companion.trials.performance.features import JNDS, NAMES
from companion.trials.performance.moving import Held
from companion.trials.performance.none_verdicts import no_effect

FAINT: Final = 0.6
RINGS_DB: Final = 15.0
FAINTLY_DB: Final = 6.0
PLAIN: Final = 4.0
"""What a control does instead is told where it is this large."""
CLICK: Final = 8.0
ALIKE: Final = ((6.0, 1.15), (6.5, 1.3))
"""A click at the same moment of three jumps: how far it stands out at least, and how many times what chance brings."""
ALONE: Final = 2.0
"""One alone must stand out this many times as far."""
ROUGH: Final = 11.0
"""A sound less than so many times its own residual hides the clicks of even the hardest jumps,"""
HIDES: Final = 2.0
"""and so does one less than so many times what stands out of it by chance."""
CLICKS_ITSELF: Final = 10.0
STEP: Final = 0.4
NEARLY: Final = 0.7
"""A host that glides for 80 ms itself softens a jump of half the way to no more than this share of it."""
TWO: Final = 0.75
"""A staircase so steep is gone up in hardly more than two steps."""
RESTLESS: Final = 0.5
OUTDONE: Final = 3.0
"""A control that moves the sound so many times as far along what another is said to do, and not along its own, may be
wired in its place."""


def judge_controls(heard: PanelHeard) -> list[ControlVerdict]:
    """Return every verdict on the controls: what is a fault, what is fine, what could not be judged."""
    panel = PanelView(heard)
    found: list[ControlVerdict] = []
    for sweep in panel.sweeps:
        found += _judge_one(panel, sweep)
    return [*found, *together(panel)]


def unjudged(rule: str, sweep: Sweep, reason: str) -> ControlVerdict:
    return ControlVerdict(rule=rule, outcome="unjudged", control=sweep.place, reason=reason, slots=sweep.slots)


def _judge_one(panel: PanelView, sweep: Sweep) -> list[ControlVerdict]:
    if not sweep.complete or len(panel.homes) < 2:
        return [unjudged("control-no-effect", sweep, "its part of the performance is not in the bounce")]
    effect = no_effect(panel, sweep)
    if effect.outcome != "fine":
        return [effect]
    found = [effect, _wrong_effect(panel, sweep)]
    if found[-1].outcome != "fault" and sweep.knob.steady:
        found.append(_steady(panel, sweep))
    return [*found, *_moved(panel, sweep)]


def _does(panel: PanelView, sweep: Sweep) -> list[tuple[str, int, float]]:
    """Return what a control surely does: (direction, +1 or −1, size), the largest first."""
    found = [(name, panel.sure(sweep, name, 4.0), abs(panel.change(sweep, name)[0])) for name in DIRECTIONS]
    return sorted((one for one in found if one[1]), key=lambda one: -one[2])


def _named(direction: str, sign: int) -> str:
    return DIRECTIONS[direction].more if sign > 0 else DIRECTIONS[direction].less


def _wrong_effect(panel: PanelView, sweep: Sweep) -> ControlVerdict:
    rule = "control-wrong-effect"
    promised = said(sweep.knob.effect)
    if not promised:
        return unjudged(rule, sweep, "its words name no direction that is measured")
    direction, sign = promised
    if direction == "wide" and panel.far_aside:
        return unjudged(rule, sweep, "at rest all comes from one side")
    change, deviation = panel.change(sweep, direction)
    verdict = ControlVerdict(
        rule=rule,
        outcome="fine",
        control=sweep.place,
        value=sign * change,
        bound=LEAST,
        says=_named(direction, 1 if change > 0 else -1),
        slots=sweep.slots,
    )
    found = panel.sure(sweep, direction)
    if found == sign and _stronger_twin(panel, sweep) is None:
        instead = _may_be(panel, sweep)
        if instead is None:
            return verdict
        return unjudged(rule, sweep, f"what it does may as well be what “{instead.knob.name}” is said to do")
    if found == -sign:
        return msgspec.structs.replace(verdict, outcome="fault")
    twin = _stronger_twin(panel, sweep) if found else _twin(panel, sweep)
    if twin is not None:
        knob = panel.sweeps[twin].knob
        other = said(knob.effect)
        assert other is not None
        return msgspec.structs.replace(
            verdict, outcome="fault", others=(twin,), says=f"{_named(*other)}, which “{knob.name}” is said to make it"
        )
    does = [one for one in _does(panel, sweep) if one[0] != direction]
    if direction == "bright" and sweep.faintest < BRIGHT_SNR_DB:
        return unjudged(rule, sweep, "too near to the noise to tell brightness")
    clear = abs(change) < FAINT / 2 and 4 * deviation < LEAST and sweep.faintest >= CLEAR_DB and direction != "wet"
    if does and does[0][2] >= PLAIN and clear and not _related(direction, does):
        return msgspec.structs.replace(verdict, outcome="fault", says=f"{_named(*does[0][:2])}, and nothing of that")
    return unjudged(rule, sweep, f"it changes the sound, but whether it is {_named(direction, sign)} is not clear")


_KIN: Final = (
    frozenset({"long", "wet"}),
    frozenset({"vibrato", "tremolo", "high", "noisy", "bright"}),
    frozenset({"loud", "bright", "noisy"}),
    frozenset({"wide", "right", "wet"}),
    frozenset({"slow", "loud"}),
)
"""Directions whose words are used for one another, or that follow from one another."""


def _related(direction: str, does: Sequence[tuple[str, int, float]]) -> bool:
    return any({direction, does[0][0]} <= kin for kin in _KIN)


def _others(panel: PanelView, sweep: Sweep, own: str) -> Iterator[tuple[Sweep, tuple[str, int]]]:
    """Yield every other control heard whole that is said to do something else, and what it is said to do."""
    for other in panel.sweeps:
        theirs = said(other.knob.effect)
        if other is not sweep and theirs and theirs[0] != own and other.complete:
            yield other, theirs


def _may_be(panel: PanelView, sweep: Sweep) -> Sweep | None:
    """Return the control whose effect this one may have instead of its own, both being alike, or None.

    It has that one’s too, and that one shows no other than it; or that one does far more of what this one should.
    """
    own = said(sweep.knob.effect)
    assert own is not None
    mine = abs(panel.change(sweep, own[0])[0])
    for other, theirs in _others(panel, sweep, own[0]):
        idle = panel.sure(other, theirs[0]) != theirs[1]
        if idle and panel.sure(other, own[0]) == own[1] and abs(panel.change(other, own[0])[0]) >= OUTDONE * mine:
            return other
        like = any({own[0], theirs[0]} <= kin for kin in _KIN)
        apart = panel.sure(other, theirs[0]) == theirs[1] and panel.sure(other, own[0]) != own[1]
        # Too near to the noise nothing is said to be brighter, but it may be.
        faint = theirs[0] == "bright" and sweep.faintest < BRIGHT_SNR_DB
        has = panel.sure(sweep, theirs[0]) or (int(np.sign(_by(panel, sweep, "bright"))) if faint else 0)
        if like and has == theirs[1] and not apart:
            return other
    return None


def _by(panel: PanelView, sweep: Sweep, direction: str) -> float:
    """Return by how much a control moves the sound along a direction, 0 where that is chance."""
    change, deviation = panel.change(sweep, direction)
    return change if abs(change) >= max(LEAST, SURE * deviation) else 0.0


def _twin(panel: PanelView, sweep: Sweep) -> int | None:
    """Return the control whose effect this one has, and which has this one's, or None."""
    own = said(sweep.knob.effect)
    assert own is not None
    for other, theirs in _others(panel, sweep, own[0]):
        # Each does the other's work, and not its own.
        swapped = panel.sure(sweep, theirs[0]) == theirs[1] and panel.sure(other, own[0]) == own[1]
        if swapped and panel.sure(sweep, own[0]) != own[1] and panel.sure(other, theirs[0]) != theirs[1]:
            return other.place
    return None


def _stronger_twin(panel: PanelView, sweep: Sweep) -> int | None:
    """Return the control whose effect this one has above all, while that one has this one's and nothing of its own."""
    own = said(sweep.knob.effect)
    assert own is not None
    for other, theirs in _others(panel, sweep, own[0]):
        mine, foreign = panel.change(sweep, own[0])[0], panel.change(sweep, theirs[0])[0]
        lent, kept = panel.change(other, own[0])[0], panel.change(other, theirs[0])[0]
        swapped = panel.sure(sweep, theirs[0]) == theirs[1] and panel.sure(other, own[0]) == own[1]
        hardly = abs(kept) < max(FAINT, abs(lent) / 4)  # a slow attack sways a little, as a tremolo does
        if swapped and abs(foreign) > 1.5 * abs(mine) and hardly and abs(lent) > LEAST:
            return other.place
    return None


def _remembers(panel: PanelView, sweep: Sweep, up: Probe, down: Probe) -> ControlVerdict | None:
    """Judge whether the middle sounds otherwise coming from above; None where it surely does not."""
    rule, spread = "control-not-steady", panel.spread
    apart = spread.distance(down.vector - up.vector)
    limit = max(spread.strange, 2.5 * panel.own(sweep.place))
    # Half way is a matter of the control's own effect: along it repeats lie far closer together than in all numbers.
    share, hides = panel.along_own(sweep, down.vector - up.vector)
    fault = ControlVerdict(
        rule=rule,
        outcome="fault",
        control=sweep.place,
        value=apart,
        bound=limit,
        says="half way it sounds otherwise coming from above than from below",
        slots=sweep.slots,
    )
    if rung_into(down, RINGS_DB) and down.loud > FAINTLY_DB:
        return unjudged(rule, sweep, "half way what was played before still rings")
    strays = hides <= SHARE and abs(share) > max(SHARE, SURE_SHARE * hides)
    if (apart >= limit and (panel.restless(up.vector) or panel.restless(down.vector))) or (
        strays and panel.sways(sweep)
    ):
        return unjudged(rule, sweep, "half way the sound moves by itself")
    if apart >= limit or strays:
        return fault
    unsure = hides > SHARE or abs(share) > SURELY_ALIKE * SHARE
    if unsure and (limit > UNSTEADY or apart > SURELY_ALIKE * limit):
        return unjudged(rule, sweep, "the sound moves too much by itself to tell")
    return None


def _steady(panel: PanelView, sweep: Sweep) -> ControlVerdict:
    """Judge the sweep: on the way up it goes one way, and the middle sounds alike from both sides."""
    rule = "control-not-steady"
    verdict = ControlVerdict(rule=rule, outcome="fine", control=sweep.place, slots=sweep.slots)
    middles = [probe for probe in sweep.probes if probe.state[sweep.place] == MIDDLE]
    spread = panel.spread
    if len(middles) == 2:
        found = _remembers(panel, sweep, middles[0], middles[1])
        if found is not None:
            return found
    promised = said(sweep.knob.effect)
    if not promised or not panel.sure(sweep, promised[0]):
        return unjudged(rule, sweep, "the direction that it should keep is not clear")
    weights = WEIGHTS[promised[0]] * promised[1]
    curve = np.array([float(vector @ weights) for _, vector in sweep.means()])
    back = float(np.max(np.maximum.accumulate(curve) - curve))
    deviation = spread.along(weights)
    limit = max(2.0, 4.0 * deviation, 0.25 * abs(float(curve[-1] - curve[0])))
    if back >= limit:
        return msgspec.structs.replace(
            verdict, outcome="fault", value=back, bound=limit, says="on its way up it turns back"
        )
    return msgspec.structs.replace(verdict, value=max(back, 0.0), bound=limit)


def _moved(panel: PanelView, sweep: Sweep) -> list[ControlVerdict]:
    """Judge what is heard while a control moves: clicks, and steps where it should glide."""
    held = panel.heard.helds.get(sweep.place)
    if held is None:
        return [
            unjudged(rule, sweep, "its held note is not in the bounce") for rule in ("control-clicks", "control-jumps")
        ]
    return [_clicks(sweep, held, _falls(sweep)), *([_jumps(sweep, held)] if sweep.knob.steady else [])]


def _falls(sweep: Sweep) -> float:
    """Return by how many decibels a note of this control dies away in a second; 0 where it does not."""
    place = NAMES.index("falls")
    return max(0.0, -float(np.median([probe.vector[place] * JNDS[place] for probe in sweep.probes])))


def _clicks(sweep: Sweep, held: Held, falls: float) -> ControlVerdict:
    """Judge the clicks. falls: decibels by which the note dies away in a second: so much later it jumps, or more."""
    still, alone = max(held.still, default=0.0), max(held.clicks)
    verdict = ControlVerdict(
        rule="control-clicks",
        outcome="fault",
        control=sweep.place,
        value=alone,
        bound=max(CLICK, still),
        slots=(held.number,),
    )
    if alone > ALONE * max(CLICK, still):
        return verdict
    for (found, chance), (least, over) in zip(held.alike, ALIKE, strict=True):
        if found > max(least, over * chance):
            return msgspec.structs.replace(verdict, value=found, bound=chance)
    chance = max(over * chance for (_, chance), (_, over) in zip(held.alike, ALIKE, strict=True))
    clear = held.clear * 10 ** (-falls / 20)
    if clear < ROUGH:
        hides = "as rough as this one" if held.clear < ROUGH else "that dies away so soon"
        return unjudged("control-clicks", sweep, f"a sound {hides} hides clicks")
    if clear < (HIDES if chance < CLICKS_ITSELF else 2.5 * HIDES) * chance:
        return unjudged("control-clicks", sweep, "the sound clicks by itself while nothing moves")
    return msgspec.structs.replace(verdict, outcome="fine")


def _jumps(sweep: Sweep, held: Held) -> ControlVerdict:
    glide = held.glide
    verdict = ControlVerdict(
        rule="control-jumps",
        outcome="fine",
        control=sweep.place,
        value=100 * glide.step,
        bound=100 * STEP,
        slots=(held.number,),
    )
    if not glide.track:
        return unjudged("control-jumps", sweep, "a held note does not show its glide")
    # Between the steps of a staircase nothing moves; where all is in motion, a step may be chance.
    steady = 4 * glide.noise <= STEP / 2
    if steady and glide.step > STEP and glide.two > TWO and glide.spread <= RESTLESS:
        return msgspec.structs.replace(verdict, outcome="fault")
    if not steady or glide.step > NEARLY * STEP:
        return unjudged("control-jumps", sweep, "the held note moves too much by itself to show a step")
    return verdict
