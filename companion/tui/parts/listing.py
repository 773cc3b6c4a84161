"""A list to move through, whose cursor is seen in any colours and in none."""

from rich.style import Style
from textual.strip import Strip
from textual.widgets import OptionList


class Listing(OptionList):
    """Turns the row under the cursor over: each word's own colour becomes its ground, in what the theme says."""

    def render_line(self, y: int) -> Strip:
        """Return a line; of the cursor's row, while the list has the focus, with letters and ground exchanged."""
        strip = super().render_line(y)
        if not self.has_focus:
            return strip
        cursor = self.get_component_rich_style("option-list--option-highlighted").bgcolor
        if not any(segment.style and segment.style.bgcolor == cursor for segment in strip):
            return strip
        return strip.apply_style(Style(reverse=True))


class ListingBesideDetail(Listing):
    """A list over the detail of its row. Where a taller detail leaves it fewer lines, the row stays in view."""

    def on_resize(self) -> None:
        """Bring the row under the cursor back into view."""
        self.scroll_to_highlight()
