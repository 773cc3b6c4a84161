"""Taking a snapshot from anywhere: a label is asked for, the one that is due offered, and what was kept is reported."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from companion.core.errors import CompanionError
from companion.core.progress import Watch
from companion.core.text import listed, plural, visible
from companion.core.units import decimal_bytes
from companion.tui.parts.companion import Companion
from companion.tui.parts.dialogs import Ask

if TYPE_CHECKING:
    from companion.history.snapshot import Snapshot


def keep(companion: Companion, then: Callable[[Snapshot], Any] | None = None) -> None:
    """Ask for a label and keep the folder as it is; Enter alone takes the label that is offered when one is due."""
    shop, due = companion.shop, companion.status.due if companion.status else None

    def take(label: str, kind: str, watch: Watch) -> Snapshot:
        if problem := shop.history_problem():
            raise CompanionError(f"No snapshots can be kept here: {problem}", str(shop.folder))
        return shop.snapshot(label, watch, kind)

    def answered(label: str) -> None:
        # A label of ours is no word of the maker's: it goes into no changelog, and such snapshots may be forgotten.
        kind = "due" if due and label == due.label else "asked"
        companion.work("Taking a snapshot", partial(take, label, kind), taken_summary, then)

    why = f"{due.because[:1].upper()}{due.because[1:]}. " if due else ""
    text, offered = f"{why}What will you know it by later?", due.label if due else ""
    companion.push_screen(
        Ask("Keep a snapshot", text, "Keep it", answered, needed="Write a few words.", preset=offered)
    )


def _named(files: Sequence[str]) -> str:
    return listed([visible(file) for file in files])


def taken_summary(shot: Snapshot) -> str:
    """Return what was kept, in one line."""
    out = [f"{path} ({reason})" for path, reason in shot.left_out]
    left = f" Left out: {_named(out)}." if out else ""
    moved = f" Changed while being read: {_named(shot.changed_while_read)}." if shot.changed_while_read else ""
    if not shot.new:
        return f"Nothing to keep: snapshot {shot.number} already holds what is there.{left}{moved}"
    return f"Snapshot {shot.number} is kept: {plural(shot.files, 'file')}, {decimal_bytes(shot.bytes)}.{left}{moved}"
