"""The drawer of snapshots, open from everywhere: take one, see what changed since, bring one back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, cast

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import OptionList, Static

from companion.core.text import visible
from companion.core.units import decimal_bytes
from companion.tui.foot import Foot
from companion.tui.keeping import keep
from companion.tui.shots import Shots, Trees
from companion.tui.shown import Piece, said

if TYPE_CHECKING:
    from companion.history.model import Size
    from companion.history.snapshot import Snapshot
    from companion.steps.account.changes import Changes
    from companion.steps.account.moved import Moved
    from companion.tui.app import CompanionApp

MOST_LINES = 400
HINT = """\
Enter shows what changed since. m marks one, to compare two.
Each tells what changed since the one before it; “its own” are the bytes that forgetting it would win back."""


def changes_shown(changes: Changes) -> Content:
    """Return what changed, from which to what."""
    to = f"snapshot {changes.b}" if changes.b is not None else "the folder as it is now"
    head = (f"From snapshot {changes.a} to {to}\n", "bold")
    if not changes.lines:
        return said(head, "Nothing differs.")
    shown = [f"  {visible(line)}\n" for line in changes.lines[:MOST_LINES]]
    more = len(changes.lines) - MOST_LINES
    pieces: list[Piece] = [head, *shown, f"  and {more:,} more\n" if more > 0 else ""]
    return said(*pieces)


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
    Drawer VerticalScroll { height: 1fr; border-top: solid $border-blurred; }
    Drawer VerticalScroll:focus { border-top: solid $border; }
    Drawer .none { height: auto; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("t", "take", "Take one"),
        Binding("m", "mark", "Mark"),
        Binding("r", "restore", "Restore"),
        Binding("c", "stop", "Stop"),
        Binding("escape", "back", "Back"),
        Binding("q,s", "back", "Back", show=False),
    ]

    def __init__(self) -> None:
        super().__init__()
        self.shots = Shots()
        self._problem = ""
        self._looked = False
        self._telling = self._weighing = False

    @property
    def companion(self) -> CompanionApp:
        """The app, by its own type."""
        return cast("CompanionApp", self.app)

    def compose(self) -> ComposeResult:
        """Lay it out."""
        with Vertical(classes="drawer"):
            yield Static(said("Snapshots"), classes="head")
            yield Static(said("Reading the snapshots …"), classes="none")
            yield self.shots
            with VerticalScroll(can_focus=True):
                yield Static(said(HINT), classes="changes")
            yield Foot()

    def on_mount(self) -> None:
        """Read the list, and look at the folder: what is said of it here must be true now."""
        self.shots.focus()
        self.companion.show_work()
        self.companion.looked.subscribe(self, self._status_came)
        self.fetch()
        if self.companion.jobs.work is None:  # else the end of that work looks
            self.companion.look_again()

    def fetch(self) -> None:
        """Ask for the list, or for why there can be none."""
        shop = self.companion.workshop
        if shop is None:
            return

        def look(_: Any) -> tuple[str, list[Snapshot]]:
            problem = shop.history_problem(looking=True)  # a read-only folder's snapshots can be looked at
            return problem, [] if problem else shop.snapshots()

        self.companion.begin("snapshots", "Reading the snapshots", look, self._came, owner=self, failed=self._failed)

    def _failed(self, error: Any) -> None:
        self.query_one(".none", Static).update(said(error.line))

    def _came(self, found: tuple[str, list[Snapshot]]) -> None:
        self._problem, shots = found
        self._weighing = False
        self.shots.show(shots)
        # What was told of the folder may be so no more.
        self.query_one(".changes", Static).update(said(HINT if shots else ""))
        self._note()
        self.refresh_bindings()
        self.call_after_refresh(self._tell)

    def _status_came(self, _: object) -> None:
        self._looked = True
        self._note()

    def _note(self) -> None:
        """Say why there are no snapshots, or what none of them holds."""
        note = self.query_one(".none", Static)
        unkept = self.companion.status.unkept if self.companion.status and self._looked else None
        if self._problem:
            text = said(
                ("No snapshots can be kept here: ", "bold"), f"{self._problem}\n",
                "Everything else works; keep copies of the folder yourself until that is mended.",
            )  # fmt: skip
        elif not self.shots.shots:
            text = said("No snapshot yet. Press t to keep the folder as it is now.")
        elif unkept and unkept.snapshot:
            told = f"Not kept yet: {unkept.told}." if unkept.told else "All that is in the folder now is kept."
            text = said((told, "$foreground-muted"))
        else:
            text = Content("")
        note.display = bool(text.plain)
        note.update(text)

    # -- what the rows tell, worked out for those in view -----------------------------------------------------------

    @on(Shots.Scrolled)
    def _scrolled(self) -> None:
        self.shots.fill()
        self._tell()

    def _tell(self) -> None:
        """Ask how far the snapshots in view moved; once that is known, what each alone costs."""
        shop, listing = self.companion.workshop, self.shots
        if shop is None or self._telling:
            return
        if pairs := listing.not_known():
            self._telling = True
            self.companion.begin(
                "moves", "Comparing the snapshots", lambda watch: shop.moves(pairs, watch), self._moved, owner=self,
                failed=lambda _: self._moved(dict.fromkeys(pairs)),
            )  # fmt: skip
        elif listing.shots and not self._weighing:
            self._weighing = True
            self.companion.begin("sizes", "Weighing the snapshots", shop.history_size, self._weighed, owner=self)

    def _moved(self, moves: dict[Trees, Moved | None]) -> None:
        self._telling = False
        self.shots.known.moves.update(moves)
        self.shots.fill()
        self._tell()

    def _weighed(self, size: Size) -> None:
        self.shots.known.alone.update(size.alone)
        self.query_one(".head", Static).update(said(f"Snapshots  {decimal_bytes(size.total)} on disk"))
        self.shots.fill()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what can be done now."""
        work, some = self.companion.jobs.work, bool(self.shots.shots)
        match action:
            case "take":
                shop = self.companion.workshop
                return not self._problem and work is None and shop is not None and shop.writable
            case "mark":
                return some
            case "restore":
                return some and work is None
            case "stop":
                return work is not None
            case _:
                return True

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Enter or a click compares."""
        event.stop()
        self.action_compare()

    def action_compare(self) -> None:
        """Compare with the marked snapshot, else with the folder as it is."""
        shop, shot = self.companion.workshop, self.shots.current
        if shop is None or shot is None:
            return
        a, b = shot.number, None
        marked = self.shots.marked
        if marked is not None and marked != shot.number:
            a, b = sorted((marked, shot.number))
        self.query_one(".changes", Static).update(said("Comparing …"))
        self.companion.begin(
            "compare", "Comparing", lambda watch: shop.compare(a, b, watch), self._compared, owner=self,
            failed=lambda error: self.query_one(".changes", Static).update(said(error.line)),
        )  # fmt: skip

    def _compared(self, changes: Changes) -> None:
        self.query_one(".changes", Static).update(changes_shown(changes))

    def action_mark(self) -> None:
        """Mark the snapshot under the cursor, or take its mark away."""
        listing = self.shots
        if shot := listing.current:
            listing.marked = None if listing.marked == shot.number else shot.number
            listing.fill()
            told = f"Snapshot {listing.marked} is marked: Enter on another compares the two." if listing.marked else ""
            self.companion.say(told)

    def action_take(self) -> None:
        """Ask for a label and keep the folder as it is."""
        keep(self.companion, lambda _: self.fetch())

    def action_restore(self) -> None:
        """Show first what a restore would change."""
        from companion.tui.restoring import Restore

        if shot := self.shots.current:
            number = shot.number  # that one, though the list may come anew meanwhile and move the cursor
            self.app.push_screen(Restore(shot), lambda wish: self._restore(number, wish))

    def _restore(self, number: int, wish: tuple[tuple[str, ...], Any] | None) -> None:
        from companion.tui.restoring import restored_line

        shop = self.companion.workshop
        if wish is None or shop is None:
            return
        only, into = wish
        self.companion.work(
            f"Restoring snapshot {number}",
            lambda watch: shop.restore(number, only, into, watch),
            lambda _: self.fetch(),
            told=lambda done: restored_line(done, into),
            wrong=lambda done: bool(done.failed),
        )

    def action_stop(self) -> None:
        """Stop what runs."""
        self.companion.stop_work()

    def action_back(self) -> None:
        """Stop what runs, else close the drawer."""
        if self.companion.jobs.work:
            self.companion.stop_work()
        else:
            self.dismiss(None)
