"""The list of what ships, what stays and what is asked about, and why beside each file."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import OptionList, Static

from companion.core.text import plural, shorten, visible
from companion.core.units import decimal_bytes
from companion.tui.parts.content import content, labelled, short_path
from companion.tui.parts.listing import ListingBesideDetail
from companion.tui.parts.page import Detail
from companion.tui.parts.ship_rows import ShipRow, ShipSection, sections, ship_rows

if TYPE_CHECKING:
    from companion.contents.ships import Fate
    from companion.tui.parts.body import Body

_MARK: Final[dict[Fate, str]] = {"asked": "?", "ships": "✓", "stays": "·"}
_WORD: Final[dict[Fate, str]] = {"asked": "asked", "ships": "ships", "stays": "stays"}
_STYLE: Final[dict[Fate, str]] = {"asked": "bold $warning", "ships": "$success", "stays": "$foreground-muted"}


def ship_row(row: ShipRow, width: int) -> Content:
    """Return a row at a width in cells."""
    section = row.section
    style = _STYLE[section.fate]
    if row.more:
        return content((f"      and {row.more:,} more: companion contents --all lists them", "$foreground-muted"))
    if row.file:
        size = decimal_bytes(row.file.bytes)
        where = short_path(row.file.path, max(12, width - len(size) - 8))
        return content("    ", (_MARK[section.fate], style), " ", where, (f"  {size}", "$foreground-muted"))
    fold = "▾" if row.open else "▸"
    title = shorten(visible(section.title), max(12, width - len(_WORD[section.fate]) - 6))
    return content(f"{fold} ", (f"{_MARK[section.fate]} {_WORD[section.fate]}", style), f"  {title}")


def ship_detail(row: ShipRow, width: int) -> Content:
    """Return what becomes of the file under the cursor and why; of a section what its files have in common."""
    file, section = row.file, row.section
    asked = "y lets it ship, n leaves it at home" if section.fate == "asked" else ""
    if file is None:
        later = "; files that come there later follow." if section.answer.endswith("/") else "."
        return content(
            (f"{_WORD[section.fate]}  {plural(len(section.files), 'file')}, {decimal_bytes(section.bytes)}\n", "bold"),
            labelled("Why", section.files[0].why if section.fate != "ships" else "", width),
            labelled("Answer", f"{asked}{later}" if asked else "", width),
        )
    return content(
        (f"{_MARK[file.fate]} {_WORD[file.fate]}", _STYLE[file.fate]), f"  {file.kind.value}\n",
        labelled("Where", visible(file.path), width),
        labelled("Why", file.why, width),
        labelled("Answer", asked and f"{asked}.", width),
    )  # fmt: skip


def show_ships(body: Body) -> None:
    """Fill the list in a body, if it has been opened; the rows are made in a thread."""
    view, shop = body.made.get("ships"), body.shop
    if isinstance(view, ShipsView):
        body.ask("Listing what ships", lambda watch: sections(shop.contents(watch)), view.show)


class ShipsView(Vertical):
    """The list, and the detail of what is under the cursor."""

    DEFAULT_CSS = """
    ShipsView { height: 1fr; }
    ShipsView .sum { height: auto; }
    ShipsView OptionList { height: 1fr; min-height: 4; }
    """

    def __init__(self) -> None:
        super().__init__(classes="beside -headed")
        self._sections: tuple[ShipSection, ...] = ()
        self._toggled: set[str] = set()
        self._rows: tuple[ShipRow, ...] = ()
        self._width = 0

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Static(content("Looking through the folder …"), classes="sum over")
        yield ListingBesideDetail(markup=False, classes="list")
        yield Detail("")

    def show(self, parts: tuple[ShipSection, ...]) -> None:
        """Show the list; the cursor stays on the file or the section it was on."""
        self._sections = parts
        count = {fate: sum(len(part.files) for part in parts if part.fate == fate) for fate in _MARK}
        size = sum(part.bytes for part in parts if part.fate == "ships")
        asked = f"{count['asked']:,} asked about, " if count["asked"] else ""
        ships = "1 file ships" if count["ships"] == 1 else f"{count['ships']:,} files ship"
        stays = f"{count['stays']:,} {'stays' if count['stays'] == 1 else 'stay'}"
        self.query_one(".sum", Static).update(
            content((f"{asked}{ships}, {decimal_bytes(size)}; {stays} at home", "bold"))
        )
        self._fill()

    def on_resize(self, event: events.Resize) -> None:
        """Cut the rows to the new width."""
        if event.size.width != self._width:
            self._width = event.size.width
            self._fill()

    def _fill(self) -> None:
        if self._width == 0:
            return  # not laid out yet; the first resize fills it
        listing, before = self.query_one(OptionList), self.current
        place = listing.highlighted or 0
        self._rows = ship_rows(self._sections, self._toggled)
        listing.set_options(ship_row(row, self._width - 1) for row in self._rows)
        keys = [row.key for row in self._rows]
        if before and before.key in keys:
            place = keys.index(before.key)
        listing.highlighted = min(place, len(keys) - 1) if keys else None
        self._show_detail()

    @property
    def current(self) -> ShipRow | None:
        """The row under the cursor."""
        place = self.query_one(OptionList).highlighted
        return self._rows[place] if place is not None and place < len(self._rows) else None

    def _show_detail(self) -> None:
        row = self.current
        self.query_one(Detail).show(partial(ship_detail, row) if row else lambda _: Content(""))

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Show the detail of the row the cursor is on."""
        event.stop()
        self._show_detail()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Fold or unfold a section."""
        event.stop()
        row = self.current
        if row and not row.file and not row.more:
            self._toggled ^= {row.section.key}
            self._fill()
