"""Every key in one place: those of the app, and those that each step's body lists."""

from collections.abc import Iterable
from pathlib import Path
from typing import Final

from textual.binding import Binding
from textual.content import Content

from companion.steps.meaning import meaning_of
from companion.steps.table import BY_ID, STEPS
from companion.tui.bodies import body_of
from companion.tui.parts.content import Piece, content
from companion.tui.parts.foot import SHOWN_KEYS
from companion.tui.parts.reading import WIDEST, ReadingScreen

AREAS: Final = {
    "In the checklist": (
        ("1 … 9, 0", "open a step and go to work in it"),
        ("↑ ↓", "move; the step is shown beside it"),
        ("Enter", "go to work in the step; Tab moves on from there"),
    ),
    "In a step": (
        ("Enter", "on a rule: show or hide its findings; on a finding: its picture, where it has one"),
        ("Tab", "from the list to the details below it, to scroll them"),
    ),
    "In a picture": (
        ("+ −", "see it from nearer, down to single samples, or farther; 0 shows all of it"),
        ("← →", "move in it; on a map of keys ↑ and ↓ as well, and Enter leads to the sample"),
        ("n p", "the next finding, the one before; ] and [ go through files"),
        ("t", "another picture of the same"),
        ("x", "where files are weighed: leave the one under the cursor out"),
        ("Tab", "to the figures, to scroll them; Page Up and Down scroll the picture"),
    ),
    "To hear it": (
        ("Space", "play what is under the cursor or in view, or stop; it begins softly"),
        (", .", "softer, louder"),
        ("h", "while it plays: the take it is compared with, or the file as an older snapshot has it"),
    ),
    "In a form": (
        ("Enter", "keep what was written; in a field of several lines use the button"),
        ("← →", "choose in a row of choices"),
        ("Esc", "leave the field"),
    ),
}
"""Keys that belong to no step and to no action of the app, by area, with what they do."""

_COLUMN: Final = 12
_AROUND: Final = 7
"""Cells that keys take in a line, and that frame, padding and scrollbar take around all of them."""
STATES: Final = (
    "  · open: nobody has looked        ✗ failing: something blocks\n"
    "  ~ stale: content or judge changed ? unknown: looked, could not tell\n"
    "  w waived: accepted, with reasons  ✓ proven"
)


def _meaning(step_id: str) -> list[Piece]:
    """Return what proven means of the step that is open, and what not; nothing while none is."""
    if step_id not in BY_ID:
        return []
    said = meaning_of(step_id)
    return [
        (f"{said.title}: {said.question}\n", "bold $primary"),
        ("  Proven means: ", "bold"),
        f"{said.means}\n",
        ("  It does not mean: ", "bold"),
        f"{said.means_not}\n",
    ]


class Help(ReadingScreen):
    """The keys, the marks, and where the folder is."""

    def __init__(self, folder: Path, keys: Iterable[Binding], step_id: str) -> None:
        """``step_id``: the step that is open; its keys come first."""
        super().__init__()
        self._folder, self._step_id = folder, step_id
        self._keys = tuple((SHOWN_KEYS.get(key.key, key.key), key.tooltip) for key in keys if key.tooltip)

    def text(self) -> Content:
        """Return the text."""
        of_steps = {
            step.id: (step.title, tuple((key.key, key.help) for key in keys))
            for step in STEPS
            if (keys := body_of(step.body).KEYS)
        }
        here = {f"Here, in {title}": keys for title, keys in [of_steps.pop(self._step_id, ("", ()))] if keys}
        pieces: list[Piece] = []
        room = max(24, min(WIDEST, self.app.size.width * 96 // 100) - _AROUND - _COLUMN)
        areas = {**here, "States": (), **AREAS, "Anywhere": self._keys, **dict(of_steps.values())}
        for area, lines in areas.items():
            pieces += _meaning(self._step_id) if area == "States" else []
            pieces += [(f"{area}\n", "bold $primary"), f"{STATES}\n" if area == "States" else ""]
            for key, words in lines:
                broken = content(words).wrap(room)
                pieces += [(f"  {key:<9} ", "bold"), Content("\n" + " " * _COLUMN).join(broken), "\n"]
        pieces += ["Every key can be clicked at the foot. Every action has a plain command: companion --help\n"]
        pieces += [("Folder  ", "$foreground-muted"), str(self._folder), "\n", ("Esc goes back", "$foreground-muted")]
        return content(*pieces)
