"""Small questions on top of a screen: for a line of words, and for yes or no."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Button, Input, Static

from companion.core.text import visible
from companion.tui.parts.companion import Companion
from companion.tui.parts.content import content, plain


def place_of(text: str) -> Path | None:
    """Return the place a line names, as typed or pasted with quotes around it; None for an empty line."""
    named = text.strip().strip("\"'")
    with contextlib.suppress(RuntimeError):  # “~name” of nobody who has a home here
        return Path(named).expanduser() if named else None
    return Path(named)


BOX = """
    .box {
        width: 70; max-width: 94%; height: auto; max-height: 94%;
        padding: 1 2; background: $surface; border: round $border;
    }
    .box .head { height: auto; text-style: bold; }
    .box .text { height: auto; margin: 0 0 1 0; }
    .box .wrong { height: auto; color: $error; }
    .box Horizontal { height: 1; margin: 1 0 0 0; }
    .box .keys { width: 1fr; height: 1; color: $foreground-muted; text-align: right; }
    Input { height: 1; border: none; padding: 0 1; background: $panel; }
    Input:focus { border: none; background: $block-cursor-blurred-background; }
"""


class Ask(ModalScreen[str | None]):
    """Ask for a line of words. Returns them, or None when the person goes back."""

    DEFAULT_CSS = "Ask {" + BOX + "}"
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "back", "Back")]

    def __init__(
        self,
        head: str,
        text: str = "",
        *,
        done: str = "Keep",
        needed: str = "",
        preset: str = "",
        hint: str = "",
        replace: bool = False,
    ) -> None:
        """``needed``: the line shown when nothing was written; empty: nothing is needed.

        replace: what is typed first takes the place of ``preset`` rather than being added to it.
        """
        super().__init__()
        self._replace = replace
        self._head, self._text, self._done, self._needed = head, text, done, needed
        self._preset, self._hint = visible(preset), hint

    def compose(self) -> ComposeResult:
        """Lay it out."""
        with Vertical(classes="box"):
            yield Static(content(self._head), classes="head")
            yield Static(content(self._text), classes="text")
            yield Input(self._preset, placeholder=self._hint, select_on_focus=self._replace)
            yield Static("", markup=False, classes="wrong")
            with Horizontal():
                yield Button(plain(self._done), id="done")
                yield Button("Back", id="back")
                yield Static(content("Enter does it, Esc goes back"), classes="keys")

    def on_mount(self) -> None:
        """Write at once."""
        self.query_one(Input).focus()

    def action_back(self) -> None:
        """Leave everything as it is."""
        self.dismiss(None)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the words."""
        event.stop()
        self._take()

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Take the words, or go back."""
        event.stop()
        if event.button.id == "done":
            self._take()
        else:
            self.dismiss(None)

    def _take(self) -> None:
        words = self.query_one(Input).value.strip()
        if self._needed and not words:
            self.query_one(".wrong", Static).update(content(self._needed))
            self.query_one(Input).focus()
        else:
            self.dismiss(words)


class Confirm(ModalScreen[bool]):
    """Ask yes or no. The safe answer has the focus."""

    DEFAULT_CSS = "Confirm {" + BOX + "}"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,n", "answer(False)", "No"),
        Binding("y", "answer(True)", "Yes"),
        Binding("left", "app.focus_previous", "", show=False),
        Binding("right", "app.focus_next", "", show=False),
    ]

    def __init__(self, head: str, text: str, yes: str, no: str = "Back") -> None:
        super().__init__()
        self._head, self._text, self._yes, self._no = head, text, yes, no

    def compose(self) -> ComposeResult:
        """Lay it out."""
        with Vertical(classes="box"):
            yield Static(content(self._head), classes="head")
            yield Static(content(self._text), classes="text")
            with Horizontal():
                yield Button(plain(self._yes), id="yes")
                yield Button(plain(self._no), id="no")
                yield Static(content("y does it, Esc goes back"), classes="keys")

    def on_mount(self) -> None:
        """Let Enter do no harm."""
        self.query_one("#no").focus()

    def action_answer(self, yes: bool) -> None:
        """Answer."""
        self.dismiss(yes)

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Answer by mouse or Enter."""
        event.stop()
        self.dismiss(event.button.id == "yes")


def ask(companion: Companion, question: Ask, then: Callable[[str], object]) -> None:
    """Ask for a line of words; ``then`` gets them, unless the person goes back."""
    companion.push_screen(question, lambda words: None if words is None else then(words))


def confirm(companion: Companion, question: Confirm, then: Callable[[], object]) -> None:
    """Ask yes or no; ``then`` is called on a yes alone."""
    companion.push_screen(question, lambda yes: then() if yes else None)
