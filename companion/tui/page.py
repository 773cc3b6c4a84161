"""A page of text that scrolls, laid out anew for every width."""

from __future__ import annotations

from collections.abc import Callable

from textual import events
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Static

from companion.tui.shown import said


class Page(VerticalScroll, can_focus=True):
    """Shows what ``build(width)`` returns; width in cells."""

    def __init__(self, text: str = "Looking …") -> None:
        super().__init__()
        self._build: Callable[[int], Content] = lambda _: said(text)
        self._shown = Static(said(text))

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield self._shown

    def show(self, build: Callable[[int], Content]) -> None:
        """Show other text."""
        self._build = build
        self._shown.update(build(max(0, self.size.width - 1)))

    def on_resize(self, event: events.Resize) -> None:
        """Break the lines anew."""
        self._shown.update(self._build(max(0, event.size.width - 1)))
