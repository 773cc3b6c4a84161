"""What a bounce told of the controls, as plain values: no array is needed to read it."""

from __future__ import annotations

from typing import Final, Literal

import msgspec

from companion.core.rules import Measure
from companion.trials.performance.controls_plan import Panel

CONTROLS_HEARING: Final = Measure("controls-hearing", 3)
"""Raised whenever the same bounce of the controls may be heard otherwise."""

SILENT: Final = "silent"
OVERLOADED: Final = "overloaded"
"""What a pair of ends may be, in words."""

Outcome = Literal["fault", "fine", "unjudged"]


class ControlVerdict(msgspec.Struct, frozen=True, kw_only=True):
    """One judgement on a control, or on several together.

    rule: the rule's id. control: its place among the panel's; −1 for all together. outcome: a fault, fine (measured,
    and proven for this content), or unjudged with a ``reason``: then it is asked by hand. others: places of others it
    names. value, bound: in the rule's unit. says: what was heard, in words. slots: those it is made from, by number.
    """

    rule: str
    outcome: Outcome
    control: int = -1
    others: tuple[int, ...] = ()
    value: float = 0.0
    bound: float = 0.0
    says: str = ""
    reason: str = ""
    slots: tuple[int, ...] = ()


class MeasuredControls(msgspec.Struct, frozen=True, kw_only=True):
    """A panel as it was played, and what its bounce told."""

    panel: Panel
    verdicts: tuple[ControlVerdict, ...] = ()
