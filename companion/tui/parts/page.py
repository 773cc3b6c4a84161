"""A page of text that scrolls, laid out anew for every width."""

from collections.abc import Callable
from typing import Final

from textual import events
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Static

from companion.tui.parts.content import content

LEAST_ROWS: Final = 4
"""Lines that a list keeps over a detail that takes what is free."""
Build = Callable[[int], Content]
"""Returns a text for a width in cells."""


class Page(VerticalScroll, can_focus=True):
    """Shows what it was given to build."""

    def __init__(self, text: str = "Looking …") -> None:
        super().__init__()
        self._build: Build = lambda _: content(text)
        self._text = Static(content(text))

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield self._text

    def show(self, build: Build) -> None:
        """Show another text."""
        self._build = build
        self._text.update(build(max(0, self.size.width - 1)))

    def on_resize(self, event: events.Resize) -> None:
        """Break the lines anew."""
        self._text.update(self._build(max(0, event.size.width - 1)))


class Detail(Page):
    """The lower half of a pane, set off by a line: about what is under the cursor in the list above it."""

    DEFAULT_CSS = """
    Detail { height: auto; max-height: 50%; border-top: solid $border-blurred; }
    Detail:focus { border-top: solid $border; }
    """

    def show(self, build: Build) -> None:
        """Show another text."""
        super().show(build)
        self.scroll_home(animate=False)

    def make_room(self, height: int, rows: int) -> None:
        """Take what a list of ``rows`` leaves free in a pane of ``height`` lines, where that is more than its share."""
        free = height - max(rows, LEAST_ROWS)
        beside = self.screen.has_class("-huge")  # it stands at the list's side then
        self.styles.max_height = free if free > height // 2 and not beside else None
