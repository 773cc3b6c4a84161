"""Small questions on top of a screen: for a line of words, and for yes or no."""

from collections.abc import Callable
from typing import ClassVar, Generic, TypeVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Button, Input, Static

from companion.core.text import visible
from companion.tui.parts.content import content
from companion.tui.parts.form import LineInput

Answer = TypeVar("Answer")


class Dialog(ModalScreen[None], Generic[Answer]):
    """A box with a heading, what a subclass asks in it, and two buttons: to do it, and to go back.

    ``then`` gets the answer once the box is gone; it is not called when the person goes back.
    """

    DEFAULT_CSS = """
    Dialog .box {
        width: 70; max-width: 94%; height: auto; max-height: 94%;
        padding: 1 2; background: $surface; border: round $border;
    }
    Dialog .head { height: auto; text-style: bold; }
    Dialog .text { height: auto; margin: 0 0 1 0; }
    Dialog .wrong { height: auto; color: $error; }
    Dialog Horizontal { height: 1; margin: 1 0 0 0; }
    Dialog .keys { width: 1fr; height: 1; color: $foreground-muted; text-align: right; }
    """
    AUTO_FOCUS = "#back"  # Enter does no harm, unless there is something to write
    KEYS_LINE: ClassVar[str]

    def __init__(self, head: str, text: str, done: str, then: Callable[[Answer], object]) -> None:
        super().__init__()
        self._head, self._text, self._done, self._then = head, text, done, then

    def compose(self) -> ComposeResult:
        """Lay it out."""
        with Vertical(classes="box"):
            yield Static(content(self._head), classes="head")
            yield Static(content(self._text), classes="text")
            yield from self.questions()
            with Horizontal():
                yield Button(content(self._done), id="done", action="screen.done")
                yield Button("Back", id="back", action="screen.back")
                yield Static(content(self.KEYS_LINE), classes="keys")

    def questions(self) -> ComposeResult:
        """Lay out what stands between the text and the buttons."""
        yield from ()

    def action_done(self) -> None:
        """Do it."""
        raise NotImplementedError

    def answer(self, answer: Answer) -> None:
        """Close the box and hand over the answer."""
        self.dismiss()
        self._then(answer)

    def action_back(self) -> None:
        """Leave everything as it is."""
        self.dismiss()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Do it, by Enter in a field."""
        event.stop()
        self.action_done()


class Ask(Dialog[str]):
    """Ask for a line of words."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "back", "Back", priority=True)]
    KEYS_LINE = "Enter does it, Esc goes back"
    AUTO_FOCUS = "LineInput"

    def __init__(
        self,
        head: str,
        text: str,
        done: str,
        then: Callable[[str], object],
        *,
        needed: str,
        preset: str = "",
        hint: str = "",
    ) -> None:
        """``needed``: the line shown when nothing was written; empty where nothing need be.

        preset: stands there to begin with; what is typed first takes its place.
        """
        super().__init__(head, text, done, then)
        self._needed, self._preset, self._hint = needed, visible(preset), hint

    def questions(self) -> ComposeResult:
        """Lay out the field and the line for what is wrong with it."""
        yield LineInput(self._preset, placeholder=self._hint, select_on_focus=True)
        yield Static("", markup=False, classes="wrong")

    def action_done(self) -> None:
        """Hand over the words."""
        words = self.query_one(Input).value.strip()
        if words or not self._needed:
            self.answer(words)
        else:
            self.query_one(".wrong", Static).update(content(self._needed))
            self.query_one(Input).focus()


class Confirm(Dialog[None]):
    """Ask yes or no. The safe answer has the focus."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,n", "back", "No"),
        Binding("y", "done", "Yes"),
        Binding("left", "app.focus_previous", "", show=False),
        Binding("right", "app.focus_next", "", show=False),
    ]
    KEYS_LINE = "y does it, Esc goes back"

    def action_done(self) -> None:
        """Answer yes."""
        self.answer(None)
