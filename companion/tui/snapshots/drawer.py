"""The drawer of snapshots, open from everywhere: take one, see what changed since, bring one back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import OptionList, Static

from companion.core.text import visible
from companion.core.units import decimal_bytes
from companion.tui.parts.companion import Companion, companion_of
from companion.tui.parts.content import Piece, content
from companion.tui.parts.foot import Foot
from companion.tui.parts.page import Detail
from companion.tui.snapshots.keep import keep
from companion.tui.snapshots.listing import Shots, Trees
from companion.tui.snapshots.restore import Restore, Wish, restored_summary

if TYPE_CHECKING:
    from companion.history.model import Size
    from companion.history.snapshot import Snapshot
    from companion.steps.account.changes import Changes
    from companion.steps.account.moved import Moved

MOST_LINES = 400
HINT = """\
Enter shows what has changed since. To compare two, mark one with m and press Enter on the other.
Each line says what changed since the snapshot before; “its own” is the space that forgetting it would free."""


def changes_content(changes: Changes) -> Content:
    """Return what changed, from which to what."""
    to = f"snapshot {changes.b}" if changes.b is not None else "the folder as it is now"
    head = (f"From snapshot {changes.a} to {to}\n", "bold")
    if not changes.lines:
        return content(head, "Nothing differs.")
    lines = [f"  {visible(line)}\n" for line in changes.lines[:MOST_LINES]]
    more = len(changes.lines) - MOST_LINES
    pieces: list[Piece] = [head, *lines, f"  and {more:,} more\n" if more > 0 else ""]
    return content(*pieces)


class Drawer(ModalScreen[None]):
    """The list, newest first, and beneath it what the one under the cursor differs in."""

    DEFAULT_CSS = """
    Drawer { align: right middle; }
    Drawer .drawer {
        width: 100; max-width: 100%; height: 100%; padding: 0 1;
        background: $surface; border-left: thick $border-blurred;
    }
    Drawer .head { height: auto; text-style: bold; margin: 0 0 1 0; }
    Drawer OptionList { height: 1fr; min-height: 5; background: $surface; }
    Drawer Detail { height: 1fr; max-height: 100%; }
    Drawer .none { height: auto; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("t", "take", "Take one"),
        Binding("m", "mark", "Mark"),
        Binding("r", "restore", "Restore"),
        Binding("d", "draw", "Draw"),
        Binding("c", "app.stop", "Stop"),
        Binding("escape", "back", "Back"),
        Binding("q,s", "back", "Back", show=False),
    ]

    def __init__(self) -> None:
        super().__init__()
        self.shots = Shots()
        self._problem = ""
        self._looked = False
        self._comparing = self._weighing = False

    @property
    def companion(self) -> Companion:
        """The app around the drawer."""
        return companion_of(self)

    def compose(self) -> ComposeResult:
        """Lay it out."""
        with Vertical(classes="drawer"):
            yield Static(content("Snapshots"), classes="head")
            yield Static(content("Reading the snapshots …"), classes="none")
            yield self.shots
            yield Detail(HINT)
            yield Foot()

    def on_mount(self) -> None:
        """Read the list, and look at the folder: what is shown of it here must be true now."""
        self.shots.focus()
        self.companion.show_work()
        self.companion.looked.subscribe(self, self._status_came)
        self.fetch()
        if not self.companion.working:  # else the end of that work looks
            self.companion.look_again()

    def fetch(self) -> None:
        """Ask for the list, or for why there can be none."""
        shop = self.companion.shop

        def look(_: Any) -> tuple[str, list[Snapshot]]:
            problem = shop.history_problem(looking=True)  # a read-only folder's snapshots can be looked at
            return problem, [] if problem else shop.snapshots()

        self.companion.begin(
            "snapshots", "Reading the snapshots", look, self._show, owner=self,
            failed=lambda error: self.query_one(".none", Static).update(content(error.line)),
        )  # fmt: skip

    def _show(self, found: tuple[str, list[Snapshot]]) -> None:
        self._problem, shots = found
        self._weighing = False
        self.shots.show(shots)
        self._show_changes(content(HINT if shots else ""))  # what stood there of the folder may be so no more
        self._show_note()
        self.refresh_bindings()
        self.call_after_refresh(self._work_out)

    def _status_came(self, _: object) -> None:
        self._looked = True
        self._show_note()

    def _show_note(self) -> None:
        """Show why there are no snapshots, or what none of them holds."""
        note = self.query_one(".none", Static)
        unkept = self.companion.status.unkept if self.companion.status and self._looked else None
        writable = self.companion.shop.writable
        if self._problem:
            text = content(
                ("No snapshots can be kept here: ", "bold"), f"{self._problem}\n",
                "Everything else works; keep copies of the folder yourself until that is mended.",
            )  # fmt: skip
        elif not self.shots.shots:
            take = ". Press t to keep the folder as it is now." if writable else ", and this folder is read-only."
            text = content(f"No snapshot yet{take}")
        elif unkept and unkept.snapshot:
            state = f"Not kept yet: {unkept.text}." if unkept.text else "All that is in the folder now is kept."
            text = content((state, "$foreground-muted"))
        else:
            text = Content("")
        note.display = bool(text.plain)
        note.update(text)

    # -- what the rows say, worked out for those in view -----------------------------------------------------------

    @on(Shots.Scrolled)
    def _scrolled(self) -> None:
        self.shots.fill()
        self._work_out()

    def _work_out(self) -> None:
        """Ask how far the snapshots in view moved; once that is known, what each alone costs."""
        shop, listing = self.companion.shop, self.shots
        if self._comparing:
            return
        if pairs := listing.not_known():
            self._comparing = True
            self.companion.begin(
                "moves", "Comparing the snapshots", lambda watch: shop.moves(pairs, watch), self._moved, owner=self,
                failed=lambda _: self._moved(dict.fromkeys(pairs)),
            )  # fmt: skip
        elif listing.shots and not self._weighing:
            self._weighing = True
            self.companion.begin("sizes", "Weighing the snapshots", shop.history_size, self._weighed, owner=self)

    def _moved(self, moves: dict[Trees, Moved | None]) -> None:
        self._comparing = False
        self.shots.moves.update(moves)
        self.shots.fill()
        self._work_out()

    def _weighed(self, size: Size) -> None:
        self.shots.alone.update(size.alone)
        self.query_one(".head", Static).update(content(f"Snapshots  {decimal_bytes(size.total)} on disk"))
        self.shots.fill()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what can be done now."""
        working, some = self.companion.working, bool(self.shots.shots)
        match action:
            case "take":
                return not self._problem and not working and self.companion.shop.writable
            case "mark" | "draw":
                return some
            case "restore":
                return some and not working
            case _:
                return True

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Compare, by Enter or a click, with the marked snapshot, else with the folder as it is."""
        event.stop()
        shop, shot = self.companion.shop, self.shots.current
        if shot is None:
            return
        a, b = shot.number, None
        marked = self.shots.marked
        if marked is not None and marked != shot.number:
            a, b = sorted((marked, shot.number))
        self._show_changes(content("Comparing …"))
        self.companion.begin(
            "compare", "Comparing", lambda watch: shop.compare(a, b, watch),
            lambda changes: self._show_changes(changes_content(changes)), owner=self,
            failed=lambda error: self._show_changes(content(error.line)),
        )  # fmt: skip

    def _show_changes(self, text: Content) -> None:
        self.query_one(Detail).show(lambda _: text)

    def action_mark(self) -> None:
        """Mark the snapshot under the cursor, or take its mark away."""
        listing = self.shots
        if shot := listing.current:
            listing.marked = None if listing.marked == shot.number else shot.number
            listing.fill()
            marked = f"Snapshot {listing.marked} is marked: Enter on another compares the two."
            self.companion.show_notice(marked if listing.marked else "")

    def action_draw(self) -> None:
        """Show the history as a line."""
        from companion.steps.drawn.which import Sight
        from companion.tui.parts.picture import PictureScreen
        from companion.tui.parts.tour import Tour

        self.app.push_screen(PictureScreen(Tour(Sight(kind="history"))))

    def action_take(self) -> None:
        """Ask for a label and keep the folder as it is."""
        keep(self.companion, lambda _: self.fetch())

    def action_restore(self) -> None:
        """Show first what a restore would change."""
        if shot := self.shots.current:
            number = shot.number  # that one, though the list may come anew meanwhile and move the cursor
            writable = self.companion.shop.writable
            self.app.push_screen(Restore(shot, lambda wish: self._restore(number, wish), writable=writable))

    def _restore(self, number: int, wish: Wish) -> None:
        shop, (only, into) = self.companion.shop, wish
        self.companion.work(
            f"Restoring snapshot {number}",
            lambda watch: shop.restore(number, only, into, watch),
            lambda done: restored_summary(done, into),
            then=lambda _: self.fetch(),
            wrong=lambda done: bool(done.failed),
        )

    def action_back(self) -> None:
        """Stop what runs, else close the drawer."""
        if self.companion.working:
            self.companion.action_stop()
        else:
            self.dismiss(None)
