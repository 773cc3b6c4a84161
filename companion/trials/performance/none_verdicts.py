"""Whether a control does anything at all, as far as a bounce shows it. Pure."""

from __future__ import annotations

import re
from typing import Final

import msgspec

from companion.trials.performance.controls_judged import ControlVerdict
from companion.trials.performance.controls_panel import (
    BRIGHT_SNR_DB,
    HEARD,
    LEAST,
    NO_MORE,
    STANDS_OUT,
    PanelView,
    Sweep,
)
from companion.trials.performance.directions import said

LIKE_REPEATS: Final = 1.35
"""Where a control does nothing, its ends lie so many times as far apart as two notes of one state, at the most."""
QUIET: Final = 0.85
"""A bounce whose repeats lie closer together than this hides nothing that matters."""
NO_LONGER: Final = 1.6
"""What stands out so far inside a note may be something."""
SURELY_NONE: Final = 0.75
"""An unsteady bounce shows a control to be dead where less than this is left of what it is said to do."""
AT_ENDS: Final = ("slow", "long")
"""Directions that only show where notes begin and end;"""
AN_END: Final = 3.0
HALF_AN_END: Final = 2.0
"""so much of them, and so much where it is what is said, may hide: from end to end they are 6 and more."""
HARDLY: Final = 1.5
"""And so much of another direction inside a note."""
_ELSEWHERE: Final = re.compile(
    r"\b(velocity|touch|legato|glide|portamento|pedal|keys?|random|humani[sz]e|round.robins?|poly\w*|voices|tempo|sync|"
    r"arpeggi\w*|sequence)\b",
    re.IGNORECASE,
)
"""Words that speak of what one repeated key may not show: such a control is not called dead."""


def no_effect(panel: PanelView, sweep: Sweep) -> ControlVerdict:
    """Judge whether a control changes the sound."""
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
    reason, promised = "", said(sweep.knob.effect)
    if _ELSEWHERE.search(sweep.knob.effect):
        reason = "its words speak of what one repeated key does not show"
    elif panel.one_sided and (not promised or promised[0] in ("wide", "right")):
        reason = "both channels of the bounce are the same: bounce in stereo"
    elif panel.far_aside and (not promised or promised[0] == "wide"):
        reason = "at rest all comes from one side"
    elif min(probe.loud for probe in panel.homes) < 20:
        reason = "at rest nothing sounds"
    elif not _surely_none(panel, sweep, effect):
        if usual <= QUIET and effect >= _like_repeats(usual):
            reason = "something changes, but no more than repeats of one state do"
        else:
            reason = f"none found, but an effect under {hidden:.1f} just noticeable steps would hide in this bounce"
    if reason:
        return msgspec.structs.replace(verdict, outcome="unjudged", reason=reason)
    return msgspec.structs.replace(verdict, outcome="fault")


def _surely_none(panel: PanelView, sweep: Sweep, effect: float) -> bool:
    """Tell whether nothing is left in which an effect might hide: by the whole, or by what it is said to do."""
    usual, inside = panel.spread.usual, panel.inside(sweep)
    if inside and inside.apart >= NO_LONGER:
        return False
    promised = said(sweep.knob.effect)
    if usual <= QUIET and effect < _like_repeats(usual):
        # Of all numbers together hardly anything is heard; nor may much hide in the one that it is said to move.
        named = promised[0] if promised and promised[0] != "wet" else None
        return named is None or _within(panel.change(sweep, named)) <= SURELY_NONE
    if usual > QUIET and _nothing_anywhere(panel, sweep, effect, promised):
        return True
    if not promised or effect >= (0.8 * HEARD if usual <= QUIET else 1.1 * usual):
        return False
    if promised[0] == "wet" or (promised[0] == "bright" and sweep.faintest < BRIGHT_SNR_DB):
        return False  # a hall says little on one tone, nor has noise a colour
    # Nor may it do another control's work: wires get crossed.
    others = {theirs[0] for other in panel.sweeps if (theirs := said(other.knob.effect))} - {promised[0]}
    most = {promised[0]: SURELY_NONE, **dict.fromkeys(others, LEAST)}
    changes = {name: panel.change(sweep, name) for name in most}
    return all(abs(change) + 2 * deviation <= most[name] for name, (change, deviation) in changes.items())


def _nothing_anywhere(panel: PanelView, sweep: Sweep, effect: float, promised: tuple[str, int] | None) -> bool:
    """Tell whether a control that is said to do something surely does nothing, though no two notes are alike.

    Nothing inside a held note, where moving it back and forth is held against itself; and at the ends of notes far less
    than an attack or a release that is moved from end to end.
    """
    inside = panel.inside(sweep)
    if promised is None or promised[0] == "wet" or inside is None or inside.apart >= NO_MORE:
        return False  # a hall says little on one tone
    if promised[0] == "bright" and sweep.faintest < BRIGHT_SNR_DB:
        return False
    if effect > LIKE_REPEATS * panel.spread.usual:
        return False
    within = {name: _within(panel.change(sweep, name)) for name in (*AT_ENDS, promised[0])}
    if any(within[name] > (HALF_AN_END if name == promised[0] else AN_END) for name in AT_ENDS):
        return False
    if promised[0] in AT_ENDS:
        return True
    heard = inside.along(promised[0])
    sways = promised[0] in ("vibrato", "tremolo")
    return heard is not None and _within(heard) <= HARDLY and (not sways or within[promised[0]] <= LEAST)


def _like_repeats(usual: float) -> float:
    return max(HEARD / 2, LIKE_REPEATS * usual)


def _within(heard: tuple[float, float]) -> float:
    """Return what a change surely does not exceed."""
    return abs(heard[0]) + 2 * heard[1]
