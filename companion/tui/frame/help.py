"""Every key in one place: those of the app, and those that each step's body lists."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from companion.steps.table import STEPS
from companion.tui.bodies import body_of
from companion.tui.parts.content import Piece, content

KEYS: Final = (
    (
        "Anywhere",
        (
            ("1 … 9, 0", "open a step and go to work in it"),
            ("↑ ↓", "move over the checklist; the step is shown beside it"),
            ("Enter", "go to work in the step; Tab moves on from there"),
            ("Esc", "out of a field; stop what runs; back to the checklist"),
            ("r", "look again at the open step, after a change in the folder"),
            ("a", "look at every step"),
            ("s", "snapshots: take, compare, restore"),
            ("k", "keep a snapshot at once"),
            ("c", "stop what runs"),
            ("q", "quit"),
        ),
    ),
    (
        "In a step",
        (
            ("t", "its next part: another page of the form, the findings"),
            ("v", "waive the finding or the rule under the cursor; or take it back"),
            ("Enter", "on a rule: show or hide its findings"),
            ("Tab", "from the list to the details below it, to scroll them"),
        ),
    ),
    (
        "In a form",
        (
            ("Enter", "keep what was written; in a field of several lines use the button"),
            ("← →", "choose in a row of choices"),
            ("Esc", "leave the field"),
        ),
    ),
)
"""Areas, and in each the keys with what they do; those of the steps follow from their bodies."""

STATES: Final = (
    "  · open: nobody has looked        ✗ failing: something blocks\n"
    "  ~ stale: content or judge changed ? unknown: looked, could not tell\n"
    "  w waived: accepted, with reasons  ✓ proven"
)


def step_keys() -> Iterator[tuple[str, tuple[tuple[str, str], ...]]]:
    """Yield the title of each step that has keys of its own, with those keys and what they do."""
    for step in STEPS:
        if keys := body_of(step.body).KEYS:
            yield step.title, tuple((key.key, key.help) for key in keys)


class Help(ModalScreen[None]):
    """The keys, the marks, and where the folder is."""

    DEFAULT_CSS = """
    Help VerticalScroll {
        width: 84; max-width: 96%; height: auto; max-height: 96%;
        padding: 1 2; background: $surface; border: round $border;
    }
    Help Static { height: auto; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,question_mark,q,enter", "app.pop_screen", "Back")]

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._folder = folder

    def compose(self) -> ComposeResult:
        """Lay it out."""
        pieces: list[Piece] = [("States\n", "bold $primary"), STATES, "\n"]
        for area, keys in (*KEYS, *step_keys()):
            pieces.append((f"{area}\n", "bold $primary"))
            for key, words in keys:
                pieces += [(f"  {key:<9} ", "bold"), f"{words}\n"]
        pieces += ["Every key can be clicked at the foot. Every action has a plain command: companion --help\n"]
        pieces += [("Folder  ", "$foreground-muted"), str(self._folder), "\n", ("Esc goes back", "$foreground-muted")]
        with VerticalScroll():
            yield Static(content(*pieces))

    def on_mount(self) -> None:
        """Let the arrows scroll."""
        self.query_one(VerticalScroll).focus()
