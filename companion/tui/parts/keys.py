"""The keys of a step: each body lists its own, and from that list come the bindings, the foot and the help."""

from typing import NamedTuple

from companion.steps.table import STEP_IDS


class StepKey(NamedTuple):
    """One key: what it does, under which name, in a word at the foot, and in a few words in the help."""

    key: str
    action: str
    label: str
    help: str


def step_digit(step_id: str) -> str:
    """Return the digit that opens a step: 1 to 9, 0 for the tenth, none for those after it."""
    place = STEP_IDS.index(step_id) + 1
    return str(place % 10) if place <= 10 else ""
