"""The screen of a picture: the drawing, its figures beside or below it, and keys that zoom, move and go on."""

from __future__ import annotations

import os
import threading
from typing import TYPE_CHECKING, ClassVar, Final

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container, VerticalScroll
from textual.content import Content
from textual.geometry import Size
from textual.message import Message
from textual.screen import ModalScreen
from textual.widgets import Static

from companion.core.errors import CompanionError
from companion.core.text import visible
from companion.drawing.cells import Row
from companion.drawing.shapes import Drawing, Figure, Ink, Kind
from companion.drawing.text import drawing_rows, figure_rows, in_ascii, needs_ascii
from companion.steps.drawn.common import figures_of
from companion.tui.parts.companion import Companion, companion_of
from companion.tui.parts.content import content
from companion.tui.parts.foot import Foot
from companion.tui.parts.hearing import KEYS
from companion.tui.parts.plainly import terminal
from companion.tui.parts.tour import Tour

if TYPE_CHECKING:
    from companion.core.progress import Watch
    from companion.steps.drawn.sights import Sights
    from companion.steps.drawn.which import Sight

STYLES: Final[dict[Ink, str]] = {
    "plain": "",
    "muted": "$foreground-muted",
    "wave": "$primary",
    "second": "$secondary",
    "mark": "bold $error",
    "limit": "$warning",
    "good": "$success",
    "head": "bold",
    "cursor": "bold reverse",
}
"""How each ink looks here; all that they tell is told without colour as well."""

Drawn = tuple[Drawing, tuple[Kind, ...], tuple[str, ...]]
"""A drawing, the kinds there are of what it is of, and the files to go through from there."""

_GROUP: Final = "sight"
_COLUMNS: Final = 400


def rows_content(rows: list[Row]) -> Content:
    """Return lines as text on the screen; names in them are made inert by whoever drew them."""
    lines = [Content.assemble(*((span.text, STYLES[span.ink]) for span in row)) for row in rows]
    return Content("\n").join(lines)


class PictureArea(VerticalScroll, can_focus=False):
    """The drawing, laid out anew for every size."""

    DEFAULT_CSS = """
    PictureArea { height: 1fr; width: 1fr; }
    PictureArea Static { height: auto; width: auto; }
    """

    class Resized(Message):
        """There is more or less room for the drawing than before."""

    _room: Size | None = None

    def on_resize(self) -> None:
        """Tell that there is other room, whatever took or gave it: the terminal, or the figures below."""
        if self.outer_size != self._room:
            self._room = self.outer_size
            self.post_message(self.Resized())

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Static("", markup=False)

    def put(self, rows: list[Row] | Content) -> None:
        """Show lines; the one a cursor stands in is brought into view."""
        self.query_one(Static).update(rows if isinstance(rows, Content) else rows_content(rows))
        at = (
            []
            if isinstance(rows, Content)
            else [n for n, row in enumerate(rows) if any(s.ink == "cursor" for s in row)]
        )
        if at and not self.scroll_offset.y <= at[0] < self.scroll_offset.y + self.size.height:
            self.scroll_to(y=max(0, at[0] - self.size.height // 2), animate=False)


class PictureScreen(ModalScreen[None]):
    """Pictures of findings and files, one at a time."""

    DEFAULT_CSS = """
    PictureScreen { background: $background; align: left top; }
    PictureScreen .head { height: auto; padding: 0 1; text-style: bold; }
    PictureScreen .both { height: 1fr; padding: 0 1; layout: vertical; }
    PictureScreen .under { height: auto; padding: 0 1; color: $foreground-muted; }
    PictureScreen .figures { height: auto; max-height: 30%; border-top: solid $border-blurred; }
    PictureScreen .figures:focus { border-top: solid $border; }
    PictureScreen .figures Static { height: auto; }
    PictureScreen.-wide .both, PictureScreen.-huge .both { layout: horizontal; }
    PictureScreen.-wide .figures, PictureScreen.-huge .figures {
        width: 44; height: 1fr; max-height: 100%; border-top: none; border-left: solid $border-blurred;
        padding: 0 0 0 1;
    }
    PictureScreen.-huge .figures { width: 60; }
    PictureScreen.-wide .figures:focus, PictureScreen.-huge .figures:focus {
        border-top: none; border-left: solid $border;
    }
    """
    AUTO_FOCUS = ""  # keys are the screen's; Tab goes to the figures, to scroll them
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (110, "-wide"), (170, "-huge")]  # noqa: RUF012
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("plus,equals_sign", "zoom('in')", "Closer", tooltip="see half as much, from nearer"),
        Binding("minus", "zoom('out')", "Farther", tooltip="see twice as much"),
        Binding("0", "whole", "All", tooltip="see all of it"),
        Binding("left", "move(-1,0)", "Left", tooltip="move left in it, or on the map"),
        Binding("right", "move(1,0)", "Right", tooltip="move right in it, or on the map"),
        Binding("up", "move(0,-1)", "Up", show=False),
        Binding("down", "move(0,1)", "Down", show=False),
        Binding("pageup", "page(-1)", "", show=False),
        Binding("pagedown", "page(1)", "", show=False),
        Binding("enter", "enter", "Open it", tooltip="on a map or a list: to the file under the cursor"),
        Binding("n", "finding(1)", "Next", tooltip="the next finding that has a picture"),
        Binding("p", "finding(-1)", "Before", tooltip="the finding before"),
        Binding("right_square_bracket", "file(1)", "Next file", tooltip="the next file"),
        Binding("left_square_bracket", "file(-1)", "File before", tooltip="the file before"),
        Binding("t", "another", "Other picture", tooltip="another picture of the same"),
        *KEYS,
        Binding("x", "leave_out", "Leave out", tooltip="leave the file under the cursor out of what ships"),
        Binding("escape,q", "back", "Back", tooltip="back to where you came from"),
        Binding("ctrl+p", "app.command_palette", "Find", show=False),
        Binding("question_mark", "app.help", "Help", show=False),
    ]

    def __init__(self, tour: Tour) -> None:
        super().__init__()
        self.tour = tour
        self._sights: Sights | None = None
        self._problem = ""
        self._gone = self._anew = False
        self._lock = threading.Lock()

    @property
    def companion(self) -> Companion:
        """The app around it."""
        return companion_of(self)

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Static("", markup=False, classes="head")
        with Container(classes="both"):
            yield PictureArea()
            with VerticalScroll(classes="figures", can_focus=True):
                yield Static("", markup=False)
        yield Static("", markup=False, classes="under")
        yield Foot()

    def on_mount(self) -> None:
        """Ask for the first picture."""
        self.companion.show_work()
        self.fetch(self.tour.sight)

    def on_unmount(self) -> None:
        """Stop what is on its way, and end the process that reads sound, without waiting for it."""
        self._gone = True
        app = self.companion
        if app.leaving:
            self._close()
        else:
            app.begin(_GROUP, "Closing the picture", lambda _: self._close(), lambda _: None)

    def _close(self) -> None:
        with self._lock:
            before, self._sights = self._sights, None
            if before:
                before.close()

    def on_resize(self, _: events.Resize) -> None:
        """Draw anew for the new size."""
        self.call_after_refresh(self._show)

    def on_picture_area_resized(self) -> None:
        """Draw anew where the figures below have taken room, or given it back."""
        self._show()

    # -- drawing --------------------------------------------------------------------------------------------------

    def fetch(self, sight: Sight) -> None:
        """Ask for a picture, in a thread; a later one overtakes it."""
        shop = self.companion.shop

        def draw(watch: Watch) -> Drawn:
            with self._lock:  # a picture that was overtaken ends first: of two looks one would be lost
                watch.check()
                if self._sights and self._anew:
                    self._sights.close()
                    self._sights = None
                if self._sights is None:
                    self._sights, self._anew = shop.sights(watch), False
                drawing = self._sights.draw(sight, watch)
                return drawing, self._sights.kinds(sight), self._sights.files(sight)

        self.companion.begin(_GROUP, "Drawing", draw, self._came, owner=self, failed=self._failed)
        if self.tour.drawing is None:
            self._show()

    def _came(self, found: Drawn) -> None:
        self._problem = ""
        self.tour.came(*found)
        self._show()

    def _failed(self, error: CompanionError) -> None:
        self.companion.show_notice("")  # it stands in the picture's own place
        self._problem, self.tour.drawing = error.line, None
        self._show()

    def _show(self) -> None:
        """Lay out what there is for the size there is."""
        if self._gone or not self.is_mounted:
            return
        tour, canvas = self.tour, self.query_one(PictureArea)
        drawing = tour.drawing
        title = drawing.title if drawing else tour.sight.place or "Picture"
        place = f"   {tour.place}" if tour.place else ""
        self.query_one(".head", Static).update(content(visible(title), (place, "$foreground-muted")))
        width, height = max(20, canvas.size.width - 1), canvas.size.height
        if drawing is None:
            words = (self._problem, "$error") if self._problem else ("Looking …", "$foreground-muted")
            canvas.put(content(words))
        else:
            ascii_only = needs_ascii(terminal().encoding, os.environ.get("TERM", ""))
            at = tour.cursor if tour.key_map or tour.bars else None
            shown = in_ascii(drawing) if ascii_only else drawing
            canvas.put(drawing_rows(shown, width, height, ascii_only=ascii_only, at=at))
        self._show_figures(drawing.figures if drawing else figures_of(tour.sight.finding))
        under = self.query_one(".under", Static)
        under.display = bool(tour.cell_line)
        under.update(content(tour.cell_line))
        self.refresh_bindings()

    def _show_figures(self, figures: tuple[Figure, ...]) -> None:
        pane = self.query_one(".figures", VerticalScroll)
        told = Drawing(kind="waveform", title="", figures=figures)
        width = max(20, (pane.size.width or self.size.width) - 2)
        pane.query_one(Static).update(rows_content(figure_rows(told, width)))

    # -- keys -----------------------------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what leads somewhere."""
        match action, parameters:
            case "zoom", (way,):
                return self.tour.offers(f"zoom_{way}")
            case "move", (right, down):
                return bool(down) or self.tour.offers("left" if right == -1 else "right")
            case "finding", _:
                return self.tour.offers("next")
            case "file", _:
                return self.tour.offers("next_file")
            case "hear", _:
                return self.companion.plays or self.tour.offers(action)
            case ("leave_out", _):
                return self.tour.offers(action) and self.companion.shop.writable and not self.companion.working
            case _:
                return self.tour.offers(action)

    def action_zoom(self, way: str) -> None:
        """See more or less."""
        self.fetch(self.tour.zoom("in" if way == "in" else "out"))

    def action_whole(self) -> None:
        """See all."""
        self.fetch(self.tour.whole())

    def action_move(self, right: int, down: int) -> None:
        """Move the view, or the cursor."""
        if down and not self.tour.offers("down"):
            self.query_one(PictureArea).scroll_relative(y=down, animate=False)
        elif sight := self.tour.move(right, down):
            self.fetch(sight)
        else:
            self._show()

    def action_page(self, by: int) -> None:
        """Scroll a picture that is taller than the screen."""
        area = self.query_one(PictureArea)
        area.scroll_relative(y=by * max(1, area.size.height - 2), animate=False)

    def action_finding(self, by: int) -> None:
        """Go to another finding."""
        self.fetch(self.tour.finding(by))

    def action_file(self, by: int) -> None:
        """Go to another file."""
        self.fetch(self.tour.file(by))

    def action_hear(self) -> None:
        """Play what is in view, or stop."""
        if self.tour.offers("hear"):
            self.companion.hear(*self.tour.heard)
        else:
            self.companion.hush()

    def action_another(self) -> None:
        """Go to another picture of the same."""
        self.fetch(self.tour.another())

    def action_enter(self) -> None:
        """Go to the file under the cursor."""
        self.fetch(self.tour.enter())

    def action_leave_out(self) -> None:
        """Leave the file under the cursor out of what ships, and draw what ships then."""
        shop, path = self.companion.shop, self.tour.path

        def again(_: object) -> None:
            if self.is_attached:
                self._sights_anew()

        self.companion.write(
            "Keeping the answer",
            lambda watch: shop.decide((), [path], watch),
            f"{visible(path)}: it stays at home.",
            then=again,
        )

    def _sights_anew(self) -> None:
        """Look at the folder again, since what ships has changed."""
        self._anew = True
        self.fetch(self.tour.sight)

    def action_back(self) -> None:
        """Back to the map one came from, else out."""
        if sight := self.tour.back():
            self.fetch(sight)
        else:
            self.dismiss(None)
