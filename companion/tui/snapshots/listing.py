"""The list of snapshots: two lines each, the second filled in once what it says has been worked out."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar, Final

from textual.binding import Binding, BindingType
from textual.content import Content
from textual.message import Message
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from companion.core.text import shorten, visible
from companion.core.units import decimal_bytes
from companion.tui.parts.content import age, content

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


@dataclass
class WorkedOut:
    """What has been worked out so far: how far trees moved (None: cannot be read), bytes each snapshot alone holds."""

    moves: dict[Trees, Moved | None] = field(default_factory=dict)
    alone: dict[int, int] = field(default_factory=dict)


def snapshot_content(
    shot: Snapshot, before: Snapshot | None, known: WorkedOut, width: int, *, marked: bool = False
) -> Content:
    """Return a snapshot on two lines: number, label, size, its own bytes and age; why it was taken and what changed."""
    mark = ("● ", "bold $accent") if marked else "  "
    own = f", {decimal_bytes(known.alone[shot.number])} its own" if shot.number in known.alone else ""
    size = f"{decimal_bytes(shot.bytes)}{own}, {age(shot.at)}"
    room = width - 6
    place = max(8, room - len(size) - 2)
    label = shorten(visible(shot.label) or "no label", place)
    kind = f"released as {visible(shot.version)}" if shot.version else KINDS.get(shot.kind, visible(shot.kind))
    why = f"{kind}{changed(shot, before, known)}"
    return content(
        mark, (f"{shot.number:>3} ", "bold"), f"{label:<{place}}  ", (size, "$foreground-muted"), "\n      ",
        (why if len(why) <= room else f"{why[: room - 1]}…", "$foreground-muted"),
    )  # fmt: skip


def changed(shot: Snapshot, before: Snapshot | None, known: WorkedOut) -> str:
    """Return what changed against the snapshot before, with what sets it off from the kind."""
    if before is None:
        return ", the first"
    trees = (before.tree, shot.tree)
    if not all(trees):
        return "; what changed cannot be read"
    if trees not in known.moves:
        return " …"
    moved = known.moves[trees]
    if moved is None:
        return "; what changed cannot be read"
    return f": {moved.text or 'the same files'}"


class Shots(OptionList):
    """The snapshots, with Enter named at the foot for what it does here."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "select", "Compare")]

    class Scrolled(Message):
        """Other rows have come into view."""

    def __init__(self) -> None:
        super().__init__(markup=False)
        self.shots: list[Snapshot] = []
        self.known = WorkedOut()
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
        self.clear_options()
        self.add_options([Option(self._row(index)) for index in range(len(shots))])
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
        return [pair for pair in pairs if all(pair) and pair not in self.known.moves]

    def _row(self, index: int) -> Content:
        shot = self.shots[index]
        before = self.shots[index + 1] if index + 1 < len(self.shots) else None
        width = max(40, self.scrollable_content_region.width)
        return snapshot_content(shot, before, self.known, width, marked=shot.number == self.marked)

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
