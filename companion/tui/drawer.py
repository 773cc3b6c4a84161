"""The drawer of snapshots, open from everywhere: take one, see what changed since, bring one back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, cast

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from companion.core.text import plural, shorten, visible
from companion.core.units import decimal_bytes
from companion.tui.foot import Foot
from companion.tui.modals import Ask
from companion.tui.shown import Piece, age, said

if TYPE_CHECKING:
    from companion.history.model import Snapshot
    from companion.steps.changes import Changes
    from companion.tui.app import CompanionApp

MOST_LINES = 400
KINDS = {
    "asked": "kept by you",
    "before-restore": "before a restore",
    "release": "released",
    "due": "kept by itself",
}


def snapshot_row(shot: Snapshot, width: int, *, marked: bool = False) -> Content:
    """Return a snapshot on one line: number, label, age, kind, files and size."""
    kind = f"released as {visible(shot.version)}" if shot.version else KINDS.get(shot.kind, visible(shot.kind))
    rest = f"{age(shot.at)}, {kind}, {plural(shot.files, 'file')}, {decimal_bytes(shot.bytes)}"
    room = max(12, width - len(rest) - 9)
    label = shorten(visible(shot.label) or "no label", room)
    mark = ("● ", "bold $accent") if marked else "  "
    return said(mark, (f"{shot.number:>3} ", "bold"), f"{label:<{room}}  ", (rest, "$foreground-muted"))


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


class Shots(OptionList):
    """The snapshots; Enter says what it does here."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "select", "Compare with now")]


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
        self._shots: list[Snapshot] = []
        self._marked: int | None = None
        self._problem = ""

    @property
    def companion(self) -> CompanionApp:
        """The app, by its own type."""
        return cast("CompanionApp", self.app)

    def compose(self) -> ComposeResult:
        """Lay it out."""
        with Vertical(classes="drawer"):
            yield Static(said("Snapshots"), classes="head")
            yield Static(said("Reading the snapshots …"), classes="none")
            yield Shots(markup=False)
            with VerticalScroll(can_focus=True):
                yield Static(said("Enter shows what changed since. m marks one, to compare two."), classes="changes")
            yield Foot()

    def on_mount(self) -> None:
        """Read the list."""
        self.query_one(Shots).focus()
        self.companion.show_work()
        self.fetch()

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
        self._problem, self._shots = found
        listing = self.query_one(Shots)
        before = listing.highlighted
        note = self.query_one(".none", Static)
        if self._problem:
            note.update(
                said(
                    ("No snapshots can be kept here: ", "bold"), f"{self._problem}\n",
                    "Everything else works; keep copies of the folder yourself until that is mended.",
                )
            )  # fmt: skip
        else:
            note.update(said("No snapshot yet. Press t to keep the folder as it is now."))
        note.display = not self._shots
        listing.clear_options()
        listing.add_options(self._rows())
        if self._shots:
            listing.highlighted = min(before or 0, len(self._shots) - 1)
        self.refresh_bindings()

    def _rows(self) -> list[Option]:
        width = max(40, self.query_one(Shots).size.width)
        return [Option(snapshot_row(shot, width, marked=shot.number == self._marked)) for shot in self._shots]

    @property
    def current(self) -> Snapshot | None:
        """The snapshot under the cursor."""
        place = self.query_one(Shots).highlighted
        return self._shots[place] if place is not None and place < len(self._shots) else None

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what can be done now."""
        work = self.companion.jobs.work
        match action:
            case "take":
                return not self._problem and work is None
            case "mark":
                return bool(self._shots)
            case "restore":
                return bool(self._shots) and work is None
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
        shop, shot = self.companion.workshop, self.current
        if shop is None or shot is None:
            return
        a, b = shot.number, None
        if self._marked is not None and self._marked != shot.number:
            a, b = sorted((self._marked, shot.number))
        self.query_one(".changes", Static).update(said("Comparing …"))
        self.companion.begin(
            "compare", "Comparing", lambda watch: shop.compare(a, b, watch), self._compared, owner=self,
            failed=lambda error: self.query_one(".changes", Static).update(said(error.line)),
        )  # fmt: skip

    def _compared(self, changes: Changes) -> None:
        self.query_one(".changes", Static).update(changes_shown(changes))

    def action_mark(self) -> None:
        """Mark the snapshot under the cursor, or take its mark away."""
        if shot := self.current:
            self._marked = None if self._marked == shot.number else shot.number
            listing = self.query_one(Shots)
            for index, row in enumerate(self._rows()):
                listing.replace_option_prompt_at_index(index, row.prompt)
            told = f"Snapshot {self._marked} is marked: Enter on another compares the two." if self._marked else ""
            self.companion.say(told)

    def action_take(self) -> None:
        """Ask for a label and keep the folder as it is."""
        shop = self.companion.workshop
        if shop is None:
            return

        def answered(label: str | None) -> None:
            if label is not None:
                self.companion.work(
                    "Taking a snapshot", lambda watch: shop.snapshot(label, watch), lambda _: self.fetch(), told=_taken
                )

        self.app.push_screen(
            Ask(
                "Take a snapshot",
                "What will tell you later what this was?",
                done="Take it",
                needed="Write a few words.",
            ),
            answered,
        )

    def action_restore(self) -> None:
        """Show first what a restore would change."""
        from companion.tui.restoring import Restore

        if shot := self.current:
            self.app.push_screen(Restore(shot), self._restore)

    def _restore(self, wish: tuple[tuple[str, ...], Any] | None) -> None:
        from companion.tui.restoring import restored_line

        shop, shot = self.companion.workshop, self.current
        if wish is None or shop is None or shot is None:
            return
        only, into = wish
        number = shot.number
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


def _taken(shot: Snapshot) -> str:
    if not shot.new:
        return f"Nothing has changed since snapshot {shot.number}: it already holds all of it."
    left = f" Left out: {plural(len(shot.left_out), 'file')}." if shot.left_out else ""
    moved = (
        f" {plural(len(shot.changed_while_read), 'file')} changed while it was read." if shot.changed_while_read else ""
    )
    return f"Snapshot {shot.number} is kept: {plural(shot.files, 'file')}, {decimal_bytes(shot.bytes)}.{left}{moved}"
