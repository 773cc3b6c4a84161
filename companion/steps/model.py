"""What a step of the checklist is, the states it can be in, and what a look at one brings back. The steps themselves
stand in :mod:`companion.steps.table`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import msgspec

from companion.core.findings import Finding

if TYPE_CHECKING:
    from companion.core.evidence import Evidence

D = TypeVar("D")
"""What a step looks from: :class:`companion.steps.desk.Desk`."""


class State(StrEnum):
    """What is known of a step for exactly the content that would ship now."""

    OPEN = "open"
    FAILING = "failing"
    UNKNOWN = "unknown"
    STALE = "stale"
    WAIVED = "waived"
    PROVEN = "proven"

    @property
    def mark(self) -> str:
        """One character that tells the state without colour."""
        return {"open": "·", "failing": "✗", "unknown": "?", "stale": "~", "waived": "w", "proven": "✓"}[self.value]

    @property
    def settled(self) -> bool:
        """Whether a release may go out with a step in this state."""
        return self in (State.PROVEN, State.WAIVED)


class Look(msgspec.Struct, frozen=True, kw_only=True):
    """What running a step brings back: findings, and details worth showing again (plain JSON values).

    stale: why what was answered before does not count any more, where nothing has been answered since; else empty.
    """

    findings: tuple[Finding, ...] = ()
    details: dict[str, Any] = {}
    stale: str = ""


Before = Callable[[], Mapping[str, State]]
"""Gives the states of the steps before one, by id; asked only by a step that rests on them."""


class Step(msgspec.Struct, Generic[D], frozen=True, kw_only=True):
    """One step of the checklist, whole.

    next: the one next thing to do; again: the same once its content has changed. live: judged anew at every look, since
    that costs nothing; the others are read from their evidence. body: the name of its body in the app. mark: gives the
    fingerprint of what it judges. look: judges it; None where there is nothing to look at yet. judges: ids of further
    steps or rules by which it judges, beside the rules of its own. rests_on: steps whose evidence it takes in.
    away_settles: whether a passed away test settles what it could not tell. gone: why evidence that is found no longer
    counts, such as an archive that was taken away; empty when it does. adds: what is to be said beside the evidence,
    such as since when the archive was not read.
    """

    id: str
    title: str
    question: str
    proven_by: str
    next: str
    again: str = "Look again"
    live: bool = False
    body: str
    mark: Callable[[D], str]
    look: Callable[[D, Before], Look | None]
    judges: tuple[str, ...] = ()
    rests_on: tuple[str, ...] = ()
    away_settles: bool = False
    gone: Callable[[D, Evidence], str] | None = None
    adds: Callable[[D, Evidence], str] | None = None


class StepStatus(msgspec.Struct, frozen=True, kw_only=True):
    """A step as it stands. ``because`` says in a few words why; ``findings`` have their waivers applied."""

    id: str
    title: str
    question: str
    state: State
    because: str
    next: str
    fingerprint: str
    findings: tuple[Finding, ...] = ()
    details: dict[str, Any] = {}


class Status(msgspec.Struct, frozen=True, kw_only=True):
    """The whole checklist."""

    title: str
    version: str
    steps: tuple[StepStatus, ...]

    def step(self, step_id: str) -> StepStatus:
        """Return one step's status. Raises KeyError for an id that is none."""
        return {step.id: step for step in self.steps}[step_id]

    @property
    def next_step(self) -> StepStatus | None:
        """The first step, in the order of the work, that is not settled."""
        return next((step for step in self.steps if not step.state.settled), None)

    @property
    def proven(self) -> int:
        """How many steps are proven; what was waived is counted apart."""
        return sum(step.state is State.PROVEN for step in self.steps)

    @property
    def waived(self) -> int:
        """How many steps are settled by a waiver: nothing proves them."""
        return sum(step.state is State.WAIVED for step in self.steps)

    @property
    def count(self) -> str:
        """How far the release is, in words: ``7 of 10 proven, 2 waived``."""
        waived = f", {self.waived} waived" if self.waived else ""
        return f"{self.proven} of {len(self.steps)} proven{waived}"


def blocked(steps: Iterable[StepStatus]) -> bool:
    """Tell whether a finding of these steps stands in the way of a release; that nothing is released yet is not one."""
    return any(finding.blocks and finding.rule != "release-unrecorded" for step in steps for finding in step.findings)
