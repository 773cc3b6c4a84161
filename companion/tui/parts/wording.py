"""A text by its paragraphs: whose each is, and for the one under the cursor what it rests on."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, Final

from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import OptionList, Static

from companion.core.text import listed, shorten, visible, visible_lines
from companion.tui.parts.content import Piece, content, labelled
from companion.tui.parts.listing import Listing
from companion.tui.parts.page import Detail

if TYPE_CHECKING:
    from companion.steps.looks.wording import Whose, Worded, WordedPart
    from companion.steps.looks.words import Draft, Format

MOST: Final = 600
"""Paragraphs that are listed; the file itself is written whole."""
_LONGEST: Final = 1_200
MARKS: Final[dict[Whose, tuple[str, str]]] = {
    "drafted": ("│ ", "$foreground-muted"),
    "own": ("▌ ", "bold $secondary"),
    "before": ("  ", ""),
}
"""What stands before each line, so that whose it is is told without colour."""
_WHOSE: Final[dict[Whose, str]] = {
    "drafted": "drafted: it changes by itself when what it rests on does",
    "own": "your own words: they stay as they are",
    "before": "stood there before: it stays as it is",
}


def part_content(part: WordedPart, width: int = 0) -> Content:
    """Return a paragraph with whose it is before each of its lines, broken to a width in cells; 0: not broken."""
    mark, style = MARKS[part.whose]
    text = visible_lines(shorten(part.text, _LONGEST)).expandtabs(4)
    pieces: list[Piece] = []
    for line in text.split("\n"):
        broken = Content(line).wrap(width - 2) if width > 12 else [Content(line)]
        for one in broken:
            pieces += ["\n" if pieces else "", (mark, style), (one.plain, "bold" if line.startswith("#") else "")]
    return content(*pieces)


def grounds_content(part: WordedPart, width: int) -> Content:
    """Return whose a paragraph is and what it rests on."""
    from companion.words.grounds import GENERAL

    rests = "; ".join(part.rests) if part.rests else GENERAL if part.whose == "drafted" else ""
    if part.text.lstrip().startswith("#") and not part.rests:
        rests = ""
    return content(labelled("Whose", _WHOSE[part.whose], width), labelled("Rests on", rests, width))


def length_content(came: Worded) -> tuple[str, str]:
    """Return how long a text is, against its limit where there is one."""
    length = len(came.draft.text)
    if came.limit is None:
        return f"{length:,} characters", "$foreground-muted"
    over = length - came.limit
    said = f"{length:,} of {came.limit:,} characters"
    return (f"{said}: {over:,} too many", "bold $error") if over > 0 else (said, "$foreground-muted")


def about_content(draft: Draft, came: Worded) -> Content:
    """Return what is said of a text above it."""
    place = draft.target.name
    exists = "exists already; your own words in it are kept" if came.standing is not None else "not written yet"
    pieces: list[Any] = [(f"{draft.format}  ", "bold"), f"{place}, {exists}; ", length_content(came)]
    if draft.missing:
        names = listed([visible(name) for name in draft.missing], most=6)
        pieces += [("\n✗ missing: ", "bold $error"), names]
    if draft.conflicts:
        how = "; x settles it" if draft.clashes else ""
        told = f"{len(draft.conflicts)}{how}. {shorten(visible(draft.conflicts[0]), 60)}"
        pieces += [("\n! your own words there say something else: ", "$warning"), told]
    return content(*pieces)


class DraftView(Vertical):
    """One text: where it would go, what is missing from it, its paragraphs, and the grounds of one."""

    DEFAULT_CSS = """
    DraftView { height: 1fr; }
    DraftView .about { height: auto; }
    DraftView OptionList { height: 1fr; min-height: 4; }
    DraftView Detail { height: auto; max-height: 30%; }
    """

    def __init__(self) -> None:
        super().__init__(classes="beside -headed")
        self.format: Format = "md"
        self.fresh = False
        self.came: Worded | None = None
        self._width = 0

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Static(content("Drafting …"), classes="about over")
        yield Listing(markup=False)
        yield Detail("")

    def show(self, came: Worded) -> None:
        """Show a text; the cursor stays at its place."""
        self.fresh, self.came = True, came
        self.query_one(".about", Static).update(about_content(came.draft, came))
        self._fill()

    def on_resize(self, event: events.Resize) -> None:
        """Break the paragraphs to the new width."""
        if event.size.width != self._width:
            self._width = event.size.width
            self._fill()

    def _fill(self) -> None:
        came = self.came
        if came is None:
            return
        listing = self.query_one(Listing)
        place = listing.highlighted or 0
        rows = [part_content(part, self._width - 1) for part in came.parts[:MOST]]
        if len(came.parts) > MOST:
            rows.append(content((f"… and {len(came.parts) - MOST:,} more: the file has the rest", "$foreground-muted")))
        listing.set_options(rows)
        listing.highlighted = min(place, len(rows) - 1) if rows else None
        self._show_grounds()

    def refuse(self) -> None:
        """Say that there is no text."""
        self.query_one(".about", Static).update(content("This text cannot be drafted; the reason is shown below."))

    def _show_grounds(self) -> None:
        place = self.query_one(Listing).highlighted
        parts = self.came.parts[:MOST] if self.came else ()
        part = parts[place] if place is not None and place < len(parts) else None
        self.query_one(Detail).show(partial(grounds_content, part) if part else lambda _: Content(""))

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Show what the paragraph under the cursor rests on."""
        event.stop()
        self._show_grounds()
