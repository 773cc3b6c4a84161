"""One of a few: all of them in sight, the chosen one marked; left and right change it."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message

from companion.tui.parts.content import content
from companion.tui.parts.segments import Segments, Word


class Choice(Segments, can_focus=True):
    """A row of choices: (value, label) pairs."""

    DEFAULT_CSS = """
    Choice { height: auto; padding: 0 1; background: $panel; }
    Choice:focus { background: $block-cursor-blurred-background; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1)", "Before", show=False),
        Binding("right,space", "move(1)", "Next", show=False),
        Binding("up", "app.focus_previous", "Up", show=False),
        Binding("down", "app.focus_next", "Down", show=False),
    ]

    class Changed(Message):
        """Another choice was made."""

    def __init__(self, choices: tuple[tuple[str, str], ...], value: str = "") -> None:
        super().__init__()
        self._choices = choices
        values = [key for key, _ in choices]
        self.value = value if value in values else values[0]

    def words(self) -> list[Word]:
        """Return the choices, the chosen one marked."""
        return [
            Word(key, content((f"● {label}", "bold") if key == self.value else (f"○ {label}", "$foreground-muted")))
            for key, label in self._choices
        ]

    def chosen(self, key: str) -> None:
        """Choose by click."""
        self.focus()
        self.choose(key)

    def choose(self, key: str) -> None:
        """Choose by value."""
        if key != self.value:
            self.value = key
            self.refresh()
            self.post_message(self.Changed())

    def action_move(self, by: int) -> None:
        """Choose the one beside it."""
        keys = [key for key, _ in self._choices]
        self.choose(keys[(keys.index(self.value) + by) % len(keys)])
