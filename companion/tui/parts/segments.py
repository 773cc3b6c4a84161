"""A line of short words that can be clicked: the keys at the foot, the parts of a step, a choice in a form.

One widget draws them all, wrapped to its width. A widget for each word would cost more to lay out than it shows.
"""

from textual import events
from textual.content import Content
from textual.geometry import Size
from textual.widget import Widget

Word = tuple[str, Content]
"""One clickable piece: the key that says which one it is, and its text."""


class Segments(Widget):
    """Words in rows. Subclasses say which in :meth:`words` and what a click does in :meth:`chosen`."""

    DEFAULT_CSS = """
    Segments { height: auto; width: 1fr; text-wrap: nowrap; }
    """
    ALLOW_SELECT = False
    gap = 2

    def words(self) -> list[Word]:
        """Return the pieces as they stand now."""
        raise NotImplementedError

    def chosen(self, key: str) -> None:
        """React to a click on the piece with this key."""
        raise NotImplementedError

    def rows(self, width: int) -> list[list[tuple[int, Word]]]:
        """Return each row as (column, piece) pairs; a piece wider than the whole row stands alone in it."""
        rows: list[list[tuple[int, Word]]] = [[]]
        column = 0
        for word in self.words():
            wide = word[1].cell_length
            if rows[-1] and column + wide > width:
                rows.append([])
                column = 0
            rows[-1].append((column, word))
            column += wide + self.gap
        return rows

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """Return the number of rows at this width."""
        return len(self.rows(width))

    def render(self) -> Content:
        """Draw the rows."""
        width = self.content_size.width
        blank = Content(" " * self.gap)
        return Content("\n").join(blank.join(text for _, (_, text) in row) for row in self.rows(width))

    def on_click(self, event: events.Click) -> None:
        """Find the piece under the pointer."""
        offset = event.get_content_offset(self)
        rows = self.rows(self.content_size.width)
        if offset is None or offset.y >= len(rows):
            return
        for column, (key, text) in rows[offset.y]:
            if column <= offset.x < column + text.cell_length:
                event.stop()
                self.chosen(key)
                return
