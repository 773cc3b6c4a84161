"""The ten steps, the states they can be in, and what a look at one brings back."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Any, Final

import msgspec

from companion.core.findings import Finding


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


class Step(msgspec.Struct, frozen=True, kw_only=True):
    """One step of the checklist. ``live``: judged anew at every look, since that costs nothing."""

    id: str
    title: str
    question: str
    proven_by: str
    next: str
    live: bool = False


STEPS: Final = (
    Step(
        id="facts",
        title="Facts",
        question="Who made what, for which engine, under which licence?",
        proven_by="a complete and consistent release.toml",
        next="Fill in what is missing.",
        live=True,
    ),
    Step(
        id="contents",
        title="Contents",
        question="Does everything the patch needs ship, and nothing else?",
        proven_by="the inventory, the references, the strays, and names that every system accepts",
        next="Look through the folder.",
    ),
    Step(
        id="paths",
        title="Paths",
        question="Would it find its samples on another computer?",
        proven_by="a path scan of every patch and script",
        next="Scan the patches for paths.",
    ),
    Step(
        id="sound",
        title="Sound",
        question="Is every sample fit to ship?",
        proven_by="measurements of every sample, layer and impulse response",
        next="Measure the samples.",
    ),
    Step(
        id="controls",
        title="Controls",
        question="Does every control do what it says, alone and together?",
        proven_by="a trial of each control, in several orders",
        next="Try the controls and answer each trial.",
        live=True,
    ),
    Step(
        id="away",
        title="Away",
        question="Does it open and play where the maker is not?",
        proven_by="away tests: originals hidden, another computer, another player, a piece of music",
        next="Run an away test and record how it went.",
        live=True,
    ),
    Step(
        id="needs",
        title="Needs",
        question="What must a player have?",
        proven_by="a minimum engine version backed by evidence, with systems, memory and disk",
        next="State the minimum and test on it.",
        live=True,
    ),
    Step(
        id="words",
        title="Words",
        question="Do changelog, readme and page say what is true?",
        proven_by="drafts that agree with the facts, the evidence and each other",
        next="Draft the changelog, the readme and the page, then check them.",
    ),
    Step(
        id="archive",
        title="Archive",
        question="Is the archive whole and portable?",
        proven_by="an archive built, then opened as a stranger would, byte for byte",
        next="Build the archive and prove it.",
    ),
    Step(
        id="out",
        title="Out",
        question="Is it released, and what came back?",
        proven_by="the release record, its snapshot and a verified upload",
        next="Record the release once the nine steps before it are proven.",
        live=True,
    ),
)

STEP_IDS: Final = tuple(step.id for step in STEPS)
BY_ID: Final = {step.id: step for step in STEPS}


class Look(msgspec.Struct, frozen=True, kw_only=True):
    """What running a step brings back: findings, and details worth showing again (plain JSON values)."""

    findings: tuple[Finding, ...] = ()
    details: dict[str, Any] = {}


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
        """How many steps are settled."""
        return sum(step.state.settled for step in self.steps)

    @property
    def blocked(self) -> bool:
        """Whether a finding stands in the way of a release; that nothing is released yet is not one."""
        return blocked(self.steps)


def blocked(steps: Iterable[StepStatus]) -> bool:
    """Tell whether a finding of these steps blocks. That nothing is released yet stands in nobody's way."""
    return any(finding.blocks and finding.rule != "release-unrecorded" for step in steps for finding in step.findings)
