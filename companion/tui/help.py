"""Every key in one place."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from companion.tui.shown import Piece, said

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
            ("v", "waive the finding, or all of the rule, under the cursor; or take it back"),
            ("Enter", "on a rule: fold or unfold its findings"),
            ("Tab", "from the findings to what is told of one, to scroll it"),
        ),
    ),
    ("Facts", (("Enter", "keep what was written; in a list use the Keep button"), ("Esc", "leave the field"))),
    ("Controls", (("p  f  n", "pass, fail, note"), ("j", "the next trial not answered"))),
    ("Away", (("n", "record a test"), ("← →", "choose in a row of choices"))),
    ("Needs", (("e", "edit the facts of the engine"),)),
    ("Words", (("m", "show it as md, txt or html"), ("w", "write what is shown"))),
    ("Archive, Out", (("b", "build and prove"), ("o", "record the release"), ("u", "check a downloaded copy"))),
)
"""Areas, and in each the keys with what they do."""

STATES: Final = (
    "  · open: nobody has looked       ✗ failing: something blocks\n"
    "  ~ stale: looked at other content ? unknown: looked, could not tell\n"
    "  w waived: let pass with reasons ✓ proven"
)


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
        for area, keys in KEYS:
            pieces.append((f"{area}\n", "bold $primary"))
            for key, words in keys:
                pieces += [(f"  {key:<9} ", "bold"), f"{words}\n"]
        pieces += ["Every key can be clicked at the foot. Every action has a plain command: companion --help\n"]
        pieces += [("Folder  ", "$foreground-muted"), str(self._folder), "\n", ("Esc goes back", "$foreground-muted")]
        with VerticalScroll():
            yield Static(said(*pieces))

    def on_mount(self) -> None:
        """Let the arrows scroll."""
        self.query_one(VerticalScroll).focus()
