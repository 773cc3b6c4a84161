"""A small table in a form: controls or layers, one a row; rows are added, changed, moved and taken out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding, BindingType
from textual.message import Message
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from companion.tui.parts.content import content
from companion.tui.parts.listing import Listing
from companion.tui.parts.rows import ONE, items_from, lines_of, text_of_items

if TYPE_CHECKING:
    from companion.tui.parts.rows import Item, Shape


WIDEST: Final = 400
"""Cells of a row; the list cuts it to its own width."""


class TableInput(Listing):
    """The rows, with their heads above and a line that adds one below. ``value`` is all of it as one text."""

    DEFAULT_CSS = """
    TableInput { width: 100%; height: auto; max-height: 14; background: $panel; }
    TableInput { border: none; border-left: blank; padding: 0; }
    TableInput:focus { border: none; border-left: outer $primary; background: $block-cursor-blurred-background; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "row(-1)", "Up", show=False),
        Binding("down", "row(1)", "Down", show=False),
        Binding("enter", "select", "Change"),
        Binding("plus", "add", "Add"),
        Binding("x,delete", "remove", "Take out"),
        Binding("left_square_bracket", "shift(-1)", "Up a row"),
        Binding("right_square_bracket", "shift(1)", "Down a row"),
        Binding("tab", "app.focus_next", "Next field"),
        Binding("escape", "app.escape", "Leave it"),
    ]

    @dataclass
    class Wanted(Message):
        """A row is to be asked for. place: which; beyond the last one for a new one."""

        table: TableInput
        place: int

    @dataclass
    class Edited(Message):
        """Rows were changed by hand."""

        table: TableInput

    def __init__(self, shape: Shape, text: str) -> None:
        super().__init__(markup=False)
        self.shape = shape
        self.items = items_from(shape, text)

    @property
    def value(self) -> str:
        """All rows as one text."""
        return text_of_items(self.items)

    @value.setter
    def value(self, text: str) -> None:
        self.items = items_from(self.shape, text)
        self._fill()

    def on_mount(self) -> None:
        """Show the rows."""
        self._fill()

    def _fill(self) -> None:
        if not self.is_attached:
            return
        head, *rows = lines_of(self.shape, self.items, WIDEST)
        place = self.highlighted
        add = Option(content((f"+ Add a {ONE[self.shape]}", "$foreground-muted")))
        heads = [Option(content((head, "$foreground-muted")), disabled=True)]
        self.set_options([*heads, *(Option(content(row)) for row in rows), add])
        self.highlighted = min(max(1, place if place is not None else 1), len(rows) + 1)

    @property
    def place(self) -> int:
        """The row under the cursor, from 0; the number of rows where it stands on the line that adds one."""
        return max(0, (self.highlighted or 1) - 1)

    def put(self, place: int, item: Item) -> None:
        """Put an item into a row, or behind the last."""
        self.items[place : place + 1] = [item]
        self.highlighted = place + 1
        self._changed()

    def _changed(self) -> None:
        self._fill()
        self.post_message(self.Edited(self))

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Ask for the row."""
        event.stop()
        self.post_message(self.Wanted(self, self.place))

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Nobody else needs to know."""
        event.stop()

    def action_row(self, by: int) -> None:
        """Move the cursor; beyond the ends, to the field before or the one behind."""
        place = self.place + by
        if 0 <= place <= len(self.items):
            self.highlighted = place + 1
        elif by < 0:
            self.screen.focus_previous()
        else:
            self.screen.focus_next()

    def action_add(self) -> None:
        """Ask for a new row."""
        self.post_message(self.Wanted(self, len(self.items)))

    def action_remove(self) -> None:
        """Take the row under the cursor out."""
        if self.place < len(self.items):
            del self.items[self.place]
            self._changed()

    def action_shift(self, by: int) -> None:
        """Move the row under the cursor up or down."""
        here, there = self.place, self.place + by
        if here < len(self.items) and 0 <= there < len(self.items):
            self.items[here], self.items[there] = self.items[there], self.items[here]
            self.highlighted = there + 1
            self._changed()
