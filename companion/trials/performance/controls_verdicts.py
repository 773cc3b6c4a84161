"""What a bounce of the controls tells: which do nothing, or another thing than said, or do not come back. Pure.

What it assumes: one key at one touch shows what a control does, alone or with the others half way. The rest is asked by
hand.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final

import msgspec
import numpy as np

from companion.trials.performance.controls_hearing import PanelHeard
from companion.trials.performance.controls_judged import ControlVerdict
from companion.trials.performance.controls_panel import (
    BRIGHT_SNR_DB,
    CLEAR_DB,
    HEARD,
    LEAST,
    STANDS_OUT,
    UNSTEADY,
    WEIGHTS,
    PanelView,
    Sweep,
)
from companion.trials.performance.controls_plan import MIDDLE
from companion.trials.performance.controls_together import together
from companion.trials.performance.directions import DIRECTIONS, said

LIKE_REPEATS: Final = 1.35
"""And how many times it is at most where there is none."""
QUIET: Final = 0.6
"""A bounce whose repeats lie closer together than this hides nothing that matters."""
FAINT: Final = 0.6
SURELY_NONE: Final = 0.75
"""An unsteady bounce shows a control to be dead where less than this is left of what it is said to do."""
PLAIN: Final = 4.0
"""What a control does instead is told where it is this large."""
CLICK: Final = 8.0
STEP: Final = 0.35
RESTLESS: Final = 0.5
_ELSEWHERE: Final = re.compile(
    r"\b(velocity|touch|legato|glide|portamento|pedal|keys?|random|humani[sz]e|round.robins?|poly\w*|voices|tempo|sync|"
    r"arpeggi\w*|sequence)\b",
    re.IGNORECASE,
)
"""Words that speak of what one repeated key may not show: such a control is not called dead."""


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
    effect = _no_effect(panel, sweep)
    if effect.outcome != "fine":
        return [effect]
    found = [effect, _wrong_effect(panel, sweep)]
    if found[-1].outcome != "fault" and sweep.knob.steady:
        found.append(_steady(panel, sweep))
    return [*found, *_moved(panel, sweep)]


def _no_effect(panel: PanelView, sweep: Sweep) -> ControlVerdict:
    effect, usual = panel.effect(sweep), panel.spread.usual
    hidden = max(HEARD, STANDS_OUT * usual)
    verdict = ControlVerdict(
        rule="control-no-effect",
        outcome="fine",
        control=sweep.place,
        value=effect,
        bound=hidden,
        slots=(*sweep.slots, *(probe.number for probe in sweep.company)),
    )
    if panel.live(sweep):
        return verdict
    reason = ""
    if _ELSEWHERE.search(sweep.knob.effect):
        reason = "its words speak of what one repeated key does not show"
    elif panel.one_sided and (not (promised := said(sweep.knob.effect)) or promised[0] in ("wide", "right")):
        reason = "both channels of the bounce are the same: bounce in stereo"
    elif min(probe.loud for probe in panel.homes) < 20:
        reason = "at rest nothing sounds"
    elif not _surely_none(panel, sweep, effect):
        if usual <= QUIET:
            reason = "something changes, but no more than repeats of one state do"
        else:
            reason = f"none found, but an effect under {hidden:.1f} just noticeable steps would hide in this bounce"
    if reason:
        return msgspec.structs.replace(verdict, outcome="unjudged", reason=reason)
    return msgspec.structs.replace(verdict, outcome="fault")


def _surely_none(panel: PanelView, sweep: Sweep, effect: float) -> bool:
    """Tell whether nothing is left in which an effect might hide: by the whole, or by what it is said to do."""
    usual = panel.spread.usual
    if usual <= QUIET and effect < max(HEARD / 2, LIKE_REPEATS * usual):
        return True
    promised = said(sweep.knob.effect)
    if not promised or effect >= (0.8 * HEARD if usual <= QUIET else 1.1 * usual):
        return False
    change, deviation = panel.change(sweep, promised[0])
    return abs(change) + 2 * deviation <= SURELY_NONE


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
        return verdict
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
        if swapped and abs(foreign) > 1.5 * abs(mine) and abs(kept) < FAINT and abs(lent) > LEAST:
            return other.place
    return None


def _steady(panel: PanelView, sweep: Sweep) -> ControlVerdict:
    """Judge the sweep: on the way up it goes one way, and the middle sounds alike from both sides."""
    rule = "control-not-steady"
    verdict = ControlVerdict(rule=rule, outcome="fine", control=sweep.place, slots=sweep.slots)
    middles = [probe for probe in sweep.probes if probe.state[sweep.place] == MIDDLE]
    spread = panel.spread
    if len(middles) == 2:
        apart = spread.distance(middles[1].vector - middles[0].vector)
        limit = max(spread.strange, 2.5 * panel.own(sweep.place))
        if apart >= limit and any(panel.restless(probe.vector) for probe in middles):
            return unjudged(rule, sweep, "half way the sound moves by itself")
        if apart >= limit:
            return msgspec.structs.replace(
                verdict,
                outcome="fault",
                value=apart,
                bound=limit,
                says="half way it sounds otherwise coming from above than from below",
            )
        if limit > UNSTEADY:
            return unjudged(rule, sweep, "the sound moves too much by itself to tell")
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
    slots = (held.number,)
    jumps = sorted(held.clicks[:-1], reverse=True)
    glide, still = held.clicks[-1], max(held.still)
    common = held.still[3 * len(held.still) // 4]
    clicks = (
        jumps[3] > max(CLICK, 1.3 * common)
        or jumps[2] > max(CLICK, still)
        or jumps[1] > max(CLICK, 1.5 * still)
        or max(jumps[0], glide) > max(1.5 * CLICK, 2.5 * still)
    )
    found = [
        ControlVerdict(
            rule="control-clicks",
            outcome="fault" if clicks else "fine",
            control=sweep.place,
            value=max(held.clicks),
            bound=max(CLICK, still),
            slots=slots,
        )
    ]
    if not sweep.knob.steady:
        return found
    # Between the steps of a staircase nothing moves; where all is in motion, a step may be chance.
    if not held.track or (held.step > STEP and held.spread > RESTLESS):
        return [*found, unjudged("control-jumps", sweep, "a held note does not show its glide")]
    return [
        *found,
        ControlVerdict(
            rule="control-jumps",
            outcome="fault" if held.step > STEP else "fine",
            control=sweep.place,
            value=100 * held.step,
            bound=100 * STEP,
            slots=slots,
        ),
    ]
