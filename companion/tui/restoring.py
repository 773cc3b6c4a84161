"""Before a restore: what is there is kept first, what would change, and which part of it is wanted where."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, cast

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Button, Input, Static

from companion.core.text import plural, visible
from companion.core.units import decimal_bytes
from companion.tui.form import Line
from companion.tui.modals import BOX
from companion.tui.shown import Piece, plain, said

if TYPE_CHECKING:
    from companion.history.model import Restored
    from companion.history.snapshot import Snapshot
    from companion.steps.changes import Changes
    from companion.steps.preview import Preview
    from companion.tui.app import CompanionApp

Wish = tuple[tuple[str, ...], Path | None]
MOST_LINES = 200
KEPT_FIRST = "What is there now is kept as a snapshot first, so this can be taken back."


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
    VerticalScroll { height: 1; max-height: 22vh; margin: 0 0 1 0; background: $panel; padding: 0 1; }
    .changes { height: auto; }
    .label { height: auto; }
    }
    """
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", priority=True),  # a field would only be left by it
        Binding("y", "take", "Restore"),
    ]

    def __init__(self, shot: Snapshot) -> None:
        super().__init__()
        self._shot = shot
        self._preview: Preview | None = None

    def compose(self) -> ComposeResult:
        """Lay it out."""
        with Vertical(classes="box"):
            yield Static(said(f"Restore snapshot {self._shot.number}: {visible(self._shot.label)}"), classes="head")
            yield Static(said(KEPT_FIRST), classes="text does")
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
                "preview", "Comparing", lambda watch: shop.preview(number, watch), self._previewed, owner=self,
                failed=lambda error: self.query_one(".changes", Static).update(said(error.line)),
            )  # fmt: skip

    def _previewed(self, preview: Preview) -> None:
        self._preview = preview
        self._tell()
        changes = preview.changes
        told = undone(changes)
        pieces: list[Piece] = [f"{line}\n" for line in told[:MOST_LINES]]
        if len(told) > MOST_LINES:
            pieces.append(f"and {len(told) - MOST_LINES:,} more\n")
        pieces += [(f"{visible(line)}\n", "$foreground-muted") for line in changes.facts]
        shown = said(*pieces) if pieces else plain("Nothing differs from the folder as it is now.")
        self.query_one(".changes", Static).update(shown)
        # Said, not left to “auto”: the box around it would then be as high as all of it, whatever is shown.
        self.query_one(VerticalScroll).styles.height = max(1, len(shown.plain.splitlines()))

    @property
    def wish(self) -> Wish:
        """What is wanted, as it stands in the fields."""
        into = self.query_one("#into", Input).value.strip().strip("\"'")
        return paths_of(self.query_one("#only", Input).value), _place(into) if into else None

    def _tell(self) -> None:
        """Say how much would be written and taken away by what stands in the fields."""
        only, into = self.wish
        self.query_one(".does", Static).update(said(does_line(self._shot, self._preview, only, into)))

    def on_input_changed(self, event: Input.Changed) -> None:
        """Count anew."""
        event.stop()
        self._tell()

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
        self.dismiss(self.wish)


def _place(text: str) -> Path:
    with contextlib.suppress(RuntimeError):  # “~name” of nobody who has a home here
        return Path(text).expanduser()
    return Path(text)


def does_line(shot: Snapshot, preview: Preview | None, only: tuple[str, ...], into: Path | None) -> str:
    """Return what a restore would write and take away, and what becomes of what is there now."""
    if into:
        what = "the chosen paths" if only else f"{plural(shot.files, 'file')} ({decimal_bytes(shot.bytes)})"
        return f"Writes {what} into that folder, which must be empty or new.\nNothing here is touched."
    if preview is None:
        return KEPT_FIRST
    does = preview.of(only)
    if not (does.written or does.removed):
        return f"{KEPT_FIRST}\nNothing to write and nothing to take away."
    written = (
        f"Writes {plural(does.written, 'file')} ({decimal_bytes(does.bytes)})" if does.written else "Writes nothing"
    )
    away = f"takes away {does.removed:,}" if does.removed else "takes none away"
    return f"{KEPT_FIRST}\n{written}, {away}."


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
