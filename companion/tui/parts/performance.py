"""The performance: what it covers, where it lies, and a picture of its bounce with what each slot bounce."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.message import Message
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from companion.core.text import listed, plural, visible
from companion.core.units import duration
from companion.tui.parts.content import Piece, content, labelled
from companion.tui.parts.listing import Listing
from companion.tui.parts.page import Page

if TYPE_CHECKING:
    from companion.steps.looks.bounces import PerformanceView
    from companion.steps.looks.judging import JudgedBounce, JudgedSlot
    from companion.steps.looks.performance import Performed

_MARKS: Final = {"fault": ("✗", "$error"), "unheard": ("?", "$warning"), "": ("·", "$success")}


def performed_line(performed: Performed) -> str:
    """Return in one sentence what was written."""
    seconds = sum(file.seconds for file in performed.files)
    files = plural(len(performed.files), "MIDI file")
    return f"{files}, {duration(seconds)}: {visible(performed.files[0].file)}. {performed.caution}"


def judged_line(bounce: JudgedBounce) -> str:
    """Return in one sentence what a bounce bounce."""
    if not bounce.kept:
        return f"{visible(bounce.file)}: {bounce.findings[0].measured}. Nothing was judged."
    found = plural(len(bounce.findings), "finding") if bounce.findings else "nothing found"
    ear = f"; {plural(len(bounce.by_ear), 'question')} left to your ear" if bounce.by_ear else ""
    return f"{visible(bounce.file)}: {bounce.judged:,} of {plural(len(bounce.slots), 'slot')} judged, {found}{ear}."


def _kind(slot: JudgedSlot) -> str:
    return "fault" if slot.rules else "unheard" if slot.unheard else ""


def view_content(view: PerformanceView, width: int) -> Content:
    """Return what the performance covers and where it lies, and the picture of each bounce judged."""
    pieces: list[Piece] = []
    if view.outline is None:
        pieces.append((f"{view.problem}\n", "$warning"))
    else:
        lies = listed([visible(name) for name in view.files], 4) if view.files else "not written yet: press m"
        files = view.outline.files
        pieces += [
            *(labelled(file.part.title(), f"{duration(file.seconds)}: {file.covers}", width) for file in files),
            labelled("By hand", listed(view.outline.by_hand, 4), width) if view.outline.by_hand else "",
            labelled("", f"{view.outline.give_one}.", width) if view.outline.give_one else "",
            labelled("Lies in", visible(view.folder), width) if view.files else "",
            labelled("Files", lies, width),
            labelled("Care", view.outline.caution, width),
        ]
    if view.waiting:
        pieces.append((f"\nWaiting to be judged: {visible(view.waiting[0])}. Press b.\n", "bold"))
    elif not view.outcomes:
        pieces.append("\nLoad each MIDI file into the host, bounce it from start to end, then press b.\n")
    if view.stale:
        pieces.append((f"\n~ Judge again: {view.stale}.\n", "$warning"))
    for bounce in view.outcomes:
        pieces += [("\n" + judged_line(bounce) + "\n", "bold"), *_picture(bounce, width)]
    return content(*pieces)


def _picture(bounce: JudgedBounce, width: int) -> list[Piece]:
    """Return the slots in a row as marks, in lines that fit; each line begins with its time in the bounce."""
    across = max(10, width - 8)
    pieces: list[Piece] = []
    for first in range(0, len(bounce.slots), across):
        line = bounce.slots[first : first + across]
        pieces.append((f"{int(line[0].seconds) // 60:2d}:{int(line[0].seconds) % 60:02d}  ", "$foreground-muted"))
        pieces += [_MARKS[_kind(slot)] for slot in line]
        pieces.append("\n")
    return pieces


class PerformancePane(Vertical):
    """What is known of the performance, above the slots of its bounces that are not as they should be."""

    DEFAULT_CSS = """
    PerformancePane { height: 1fr; }
    PerformancePane Page { height: 1fr; }
    PerformancePane OptionList { height: auto; max-height: 40%; display: none; }
    PerformancePane OptionList.some { display: block; }
    """

    class Chosen(Message):
        """A slot was chosen whose finding is to be shown."""

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Page()
        yield Listing(markup=False)

    def show(self, view: PerformanceView) -> None:
        """Show what is known."""
        self.query_one(Page).show(lambda width: view_content(view, width))
        slots = [slot for bounce in view.outcomes for slot in bounce.slots if slot.rules]
        listing = self.query_one(OptionList)
        listing.clear_options()
        listing.add_options([Option(self._row(slot)) for slot in slots])
        listing.set_class(bool(slots), "some")

    def _row(self, slot: JudgedSlot) -> Content:
        mark, style = _MARKS["fault"]
        return content((f"{mark} ", style), f"{slot.seconds:6.1f} s  {slot.title}", (f"  {listed(slot.rules)}", style))

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Lead to the finding."""
        event.stop()
        self.post_message(self.Chosen())
