"""Before a restore: what is there is kept first, what would change, and which part of it is wanted where."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, cast

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Button, Input, Static

from companion.core.text import plural, visible
from companion.tui.form import Line
from companion.tui.modals import BOX
from companion.tui.shown import Piece, plain, said

if TYPE_CHECKING:
    from companion.history.model import Restored, Snapshot
    from companion.steps.changes import Changes
    from companion.tui.app import CompanionApp

Wish = tuple[tuple[str, ...], Path | None]
MOST_LINES = 200


def paths_of(text: str) -> tuple[str, ...]:
    """Return the paths that a line names, set off by semicolons; one with blanks in it stays whole."""
    return tuple(part.strip().replace("\\", "/") for part in text.split(";") if part.strip())


def undone(changes: Changes) -> list[str]:
    """Return what a restore would do, the other way round from what changed since."""
    told = [f"comes back: {visible(path)}" for path in changes.removed]
    told += [f"goes back: {visible(path)}" for path in changes.changed]
    told += [f"is taken away: {visible(path)}" for path in changes.added]
    told += [f"is called {visible(old)} again: {visible(new)}" for old, new in changes.renamed]
    return told


class Restore(ModalScreen[Wish | None]):
    """Ask what to restore. Returns the paths (none: all) and the folder (None: this one), or None."""

    DEFAULT_CSS = (
        "Restore {"
        + BOX
        + """
    .box { width: 84; }
    VerticalScroll { height: auto; max-height: 22vh; margin: 0 0 1 0; background: $panel; padding: 0 1; }
    .changes { height: auto; }
    .label { height: auto; }
    }
    """
    )
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "back", "Back"), Binding("y", "take", "Restore")]

    def __init__(self, shot: Snapshot) -> None:
        super().__init__()
        self._shot = shot

    def compose(self) -> ComposeResult:
        """Lay it out."""
        with Vertical(classes="box"):
            yield Static(said(f"Restore snapshot {self._shot.number}: {visible(self._shot.label)}"), classes="head")
            yield Static(
                said("What is there now is kept as a snapshot first, so this can be taken back."), classes="text"
            )
            with VerticalScroll(can_focus=True):
                yield Static(said("Comparing …"), classes="changes")
            yield Static(said(("Only these paths", "bold"), "  ; between them; empty: all of it"), classes="label")
            yield Line(id="only")
            yield Static(said(("Into another folder", "bold"), "  empty: this one"), classes="label")
            yield Line(id="into")
            with Horizontal():
                yield Button("Restore", id="done")
                yield Button("Back", id="back")
                yield Static(said("y restores, Tab moves, Esc goes back"), classes="keys")

    def on_mount(self) -> None:
        """Show what would change; let Enter do no harm yet."""
        self.query_one("#back").focus()
        app = cast("CompanionApp", self.app)
        number = self._shot.number
        if shop := app.workshop:
            app.begin(
                "compare", "Comparing", lambda watch: shop.compare(number, None, watch), self._compared, owner=self,
                failed=lambda error: self.query_one(".changes", Static).update(said(error.line)),
            )  # fmt: skip

    def _compared(self, changes: Changes) -> None:
        told = undone(changes)
        pieces: list[Piece] = [f"{line}\n" for line in told[:MOST_LINES]]
        if len(told) > MOST_LINES:
            pieces.append(f"and {len(told) - MOST_LINES:,} more\n")
        pieces += [(f"{visible(line)}\n", "$foreground-muted") for line in changes.facts]
        shown = said(*pieces) if pieces else plain("Nothing differs from the folder as it is now.")
        self.query_one(".changes", Static).update(shown)

    def action_back(self) -> None:
        """Leave everything as it is."""
        self.dismiss(None)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Restore."""
        event.stop()
        self.action_take()

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Restore, or go back."""
        event.stop()
        if event.button.id == "done":
            self.action_take()
        else:
            self.dismiss(None)

    def action_take(self) -> None:
        """Hand over what is wanted."""
        into = self.query_one("#into", Input).value.strip().strip("\"'")
        only = paths_of(self.query_one("#only", Input).value)
        self.dismiss((only, Path(into).expanduser() if into else None))


def restored_line(done: Restored, into: Path | None) -> str:
    """Return what a restore did, in one line."""
    told = f"{plural(len(done.written), 'file')} brought back"
    if done.removed:
        told += f", {plural(len(done.removed), 'file')} taken away"
    told += f" in {visible(str(into))}." if into else "."
    if done.safety:
        told += f" What was there is snapshot {done.safety.number}."
    if done.failed:
        path, reason = done.failed[0]
        told += f" {plural(len(done.failed), 'file')} stayed as it was: {visible(path)} ({visible(reason)})."
    return told
