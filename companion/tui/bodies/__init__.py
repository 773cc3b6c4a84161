"""The bodies of the ten steps, one small module each, imported when a step is first opened."""

from __future__ import annotations

from importlib import import_module
from typing import Final, cast

from companion.tui.parts import Body

START: Final = "start"
"""The body of Facts in a folder that has none yet."""

_WHERE: Final = {
    START: ("facts", "StartBody"),
    "facts": ("facts", "FactsBody"),
    "contents": ("run", "RunBody"),
    "paths": ("run", "RunBody"),
    "sound": ("run", "RunBody"),
    "controls": ("controls", "ControlsBody"),
    "away": ("away", "AwayBody"),
    "needs": ("needs", "NeedsBody"),
    "words": ("words", "WordsBody"),
    "archive": ("archive", "ArchiveBody"),
    "out": ("out", "OutBody"),
}


def make_body(step_id: str) -> Body:
    """Return a new body for a step."""
    module, name = _WHERE[step_id]
    made = getattr(import_module(f"companion.tui.bodies.{module}"), name)("facts" if step_id == START else step_id)
    return cast("Body", made)
