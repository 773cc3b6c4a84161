"""A sheet of text over the screen: scrolled by the arrows, left by Esc, q or Enter."""

from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

WIDEST: Final = 84


class ReadingScreen(ModalScreen[None]):
    """Shows one text; subclasses say which."""

    DEFAULT_CSS = f"""
    ReadingScreen VerticalScroll {{
        width: {WIDEST}; max-width: 96%; height: auto; max-height: 96%;
        padding: 1 2; background: $surface; border: round $border;
    }}
    ReadingScreen Static {{ height: auto; }}
    """
    AUTO_FOCUS = "VerticalScroll"  # the arrows scroll it
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,question_mark,q,enter", "app.pop_screen", "Back")]

    def text(self) -> Content:
        """Return the text."""
        raise NotImplementedError

    def compose(self) -> ComposeResult:
        """Lay it out."""
        with VerticalScroll():
            yield Static(self.text())
