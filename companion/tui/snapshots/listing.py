"""The list of snapshots, newest first."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding, BindingType
from textual.content import Content
from textual.message import Message

from companion.core.text import shorten, visible
from companion.core.units import decimal_bytes
from companion.tui.parts.content import age, content
from companion.tui.parts.listing import Listing

if TYPE_CHECKING:
    from companion.history.snapshot import Snapshot
    from companion.steps.account.moved import Moved

LINES: Final = 2
KINDS: Final = {
    "asked": "kept by you",
    "before-restore": "before a restore",
    "release": "by a release",
    "due": "kept when due",
}

Trees = tuple[str, str]
"""Ids of two trees, the one before and the one after."""


class Shots(Listing):
    """The snapshots on two lines each, the second filled in once what it says has been worked out.

    moves: how far one tree moved to another (None: cannot be read). alone: the bytes that each snapshot alone holds.
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "select", "Compare")]

    class Scrolled(Message):
        """Other rows have come into view."""

    def __init__(self) -> None:
        super().__init__(markup=False)
        self.shots: list[Snapshot] = []
        self.moves: dict[Trees, Moved | None] = {}
        self.alone: dict[int, int] = {}
        self.marked: int | None = None

    @property
    def current(self) -> Snapshot | None:
        """The snapshot under the cursor."""
        place = self.highlighted
        return self.shots[place] if place is not None and place < len(self.shots) else None

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer Enter only where there is something to compare."""
        return bool(self.shots) if action == "select" else True

    def show(self, shots: list[Snapshot]) -> None:
        """Show these, newest first, with the cursor where it was."""
        self.shots = shots
        before = self.highlighted
        self.set_options(self._row(index) for index in range(len(shots)))
        if shots:
            self.highlighted = min(before or 0, len(shots) - 1)

    def fill(self) -> None:
        """Write the rows in view anew; the others are when they come into view."""
        for index in self.in_view():
            self.replace_option_prompt_at_index(index, self._row(index))

    def in_view(self) -> range:
        """Return the places of the rows in view."""
        top = self.scroll_offset.y
        return range(min(top // LINES, len(self.shots)), min(-(-(top + self.size.height) // LINES), len(self.shots)))

    def not_known(self) -> list[Trees]:
        """Return the trees, side by side, of which the rows in view do not know yet how far they moved."""
        pairs = [(self.shots[i + 1].tree, self.shots[i].tree) for i in self.in_view() if i + 1 < len(self.shots)]
        return [pair for pair in pairs if all(pair) and pair not in self.moves]

    def _row(self, index: int) -> Content:
        """Return a snapshot's number, label, size, own bytes and age; below that why it was taken and what changed."""
        shot = self.shots[index]
        mark = ("● ", "bold $accent") if shot.number == self.marked else "  "
        own = f", {decimal_bytes(self.alone[shot.number])} its own" if shot.number in self.alone else ""
        size = f"{decimal_bytes(shot.bytes)}{own}, {age(shot.at)}"
        room = max(40, self.scrollable_content_region.width) - 6
        place = max(8, room - len(size) - 2)
        label = shorten(visible(shot.label) or "no label", place)
        kind = f"released as {visible(shot.version)}" if shot.version else KINDS.get(shot.kind, visible(shot.kind))
        why = f"{kind}{self._changed(index)}"
        return content(
            mark, (f"{shot.number:>3} ", "bold"), f"{label:<{place}}  ", (size, "$foreground-muted"), "\n      ",
            (why if len(why) <= room else f"{why[: room - 1]}…", "$foreground-muted"),
        )  # fmt: skip

    def _changed(self, index: int) -> str:
        """Return what changed against the snapshot before, with what sets it off from the kind."""
        if index + 1 == len(self.shots):
            return ", the first"
        trees = (self.shots[index + 1].tree, self.shots[index].tree)
        if all(trees) and trees not in self.moves:
            return " …"
        moved = self.moves.get(trees)
        return f": {moved.text or 'the same files'}" if moved else "; what changed cannot be read"

    def watch_scroll_y(self, old_value: float, new_value: float) -> None:
        """Report that other rows are in view."""
        super().watch_scroll_y(old_value, new_value)
        if round(old_value) != round(new_value):
            self.post_message(self.Scrolled())

    def on_resize(self) -> None:
        """Break the lines anew."""
        for index in range(len(self.shots)):
            self.replace_option_prompt_at_index(index, self._row(index))
        self.post_message(self.Scrolled())
