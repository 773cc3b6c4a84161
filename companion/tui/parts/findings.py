"""The findings of a step: a list by rule, and beside each one why a player would suffer and how to mend it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.message import Message
from textual.widgets import OptionList, Static

from companion.core.describe import rule_words
from companion.core.findings import Finding
from companion.core.text import visible
from companion.steps.model import State, StepStatus
from companion.steps.table import BY_ID
from companion.tui.parts.companion import companion_of
from companion.tui.parts.content import content, finding_detail, finding_line, finding_mark, labelled
from companion.tui.parts.groups import FindingRow, RuleGroup, group_key, grouped, rows
from companion.tui.parts.listing import Listing
from companion.tui.parts.page import Detail
from companion.tui.parts.waivers import ask_group_waiver, ask_waiver, renew_waiver


def row_content(row: FindingRow, width: int) -> Content:
    """Return a row at a width in cells."""
    if row.finding:
        return finding_line(row.finding, width, limit=not row.group.limit)
    group = row.group
    if row.more:
        return content((f"    and {row.more:,} more: companion check --json lists them all", "$foreground-muted"))
    mark, word, style = finding_mark(group.first)
    fold = "▾" if group.open else "▸"
    limit = f"; limit: {group.limit}" if group.limit else ""
    about = visible(f"  {word}, {len(group.findings):,}{limit}")
    named = rule_words(group.first.rule)
    room = max(20, width - len(named) - 4)
    about = about if len(about) <= room else f"{about[: room - 1]}…"
    return content(f"{fold} ", (f"{mark} {named}", style), (about, "$foreground-muted"))


def group_detail(group: RuleGroup, width: int) -> Content:
    """Return what all findings of a rule have in common, laid out for a width in cells."""
    first = group.first
    return content(
        (f"{first.rule}, {len(group.findings):,}\n", "bold"),
        labelled("Limit", group.limit, width),
        labelled("Why", first.why, width),
        labelled("Mend", first.mend, width),
    )


def no_findings(step: StepStatus) -> str:
    """Return the line that stands where there are no findings."""
    if step.state is State.PROVEN:
        return f"Nothing found. This step is proven by {BY_ID[step.id].proven_by}."
    if step.state is State.STALE:
        return "What was found before no longer counts. Press r to look again."
    if step.state is State.OPEN:
        return "Nobody has looked yet."
    return "No findings."


class FindingList(Listing):
    """The rows. A click folds a rule or moves to a finding; Enter acts on the finding as well."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "enter", "Into it")]

    class Entered(Message):
        """The person pressed Enter on a row."""

    def action_enter(self) -> None:
        """Report it."""
        self.post_message(self.Entered())


class FindingsView(Vertical):
    """The list and the detail of what is under the cursor."""

    DEFAULT_CSS = """
    FindingsView { height: 1fr; }
    FindingsView OptionList { height: 1fr; min-height: 4; }
    FindingsView .none { height: auto; color: $foreground-muted; }
    FindingsView.-empty Detail { display: none; }
    """

    @dataclass
    class Entered(Message):
        """The person wants to act on a finding."""

        finding: Finding

    def __init__(self) -> None:
        super().__init__(classes="beside")
        self._step: StepStatus | None = None
        self._toggled: set[str] = set()
        self._rows: tuple[FindingRow, ...] = ()
        self._width = 0
        self._wanted: Finding | None = None
        self.add_class("-empty")

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Static("", markup=False, classes="none")
        yield FindingList(markup=False, classes="list")
        yield Detail("")

    def show(self, step: StepStatus) -> None:
        """Show the findings of a step, once laid out; the cursor stays on the finding it was on."""
        same = self._step is not None and self._step.findings == step.findings
        self._step = step
        if not self.is_mounted:
            return
        self.query_one(".none", Static).update(content(no_findings(step)) if not step.findings else "")
        self.query_one(".none", Static).display = not step.findings
        self.set_class(not step.findings, "-empty")
        if not same or not self._rows:
            self._fill()

    def on_resize(self, event: events.Resize) -> None:
        """Cut the rows to the new width."""
        self.query_one(Detail).make_room(event.size.height, len(self._rows))
        if event.size.width != self._width:
            self._width = event.size.width
            self._fill()
            if self._wanted:
                self.go_to(self._wanted)

    def _fill(self) -> None:
        listing = self.query_one(OptionList)
        before, index = self._row(), listing.highlighted or 0
        if self._width == 0:
            return  # not laid out yet; the first resize fills it
        self._rows = rows(grouped(self._step.findings if self._step else (), self._toggled))
        listing.set_options(row_content(row, self._width - 1) for row in self._rows)
        keys = [row.key for row in self._rows]
        first = next((index for index, row in enumerate(self._rows) if row.finding), 0)
        place = keys.index(before.key) if before and before.key in keys else first
        if before and before.finding and self._rows and not before.finding.waived:
            now = self._rows[place].finding
            if now is None or now.waived:  # it has just been waived, and went down: the cursor stays where it was
                place = min(index, len(keys) - 1)
        listing.highlighted = place if keys else None
        self.query_one(Detail).make_room(self.size.height, len(keys))
        self._show_detail()

    def go_to(self, finding: Finding) -> None:
        """Put the cursor on a finding, unfolding its rule where need be; once laid out, if it is not yet."""
        self._wanted = finding if self._width == 0 else None
        for group in grouped(self._step.findings if self._step else (), self._toggled):
            if finding in group.findings and not group.open:
                self._toggled ^= {group_key(finding)}
                self._fill()
        place = next((index for index, row in enumerate(self._rows) if row.finding == finding), None)
        listing = self.query_one(FindingList)
        listing.focus()
        if place is not None:
            listing.highlighted = place

    def _row(self) -> FindingRow | None:
        place = self.query_one(OptionList).highlighted
        return self._rows[place] if place is not None and place < len(self._rows) else None

    @property
    def current(self) -> Finding | None:
        """The finding under the cursor; for the head of a group of one, that one."""
        row = self._row()
        if row is None:
            return None
        return row.finding or (row.group.first if len(row.group.findings) == 1 else None)

    def _show_detail(self) -> None:
        row, finding = self._row(), self.current
        if finding:
            self.query_one(Detail).show(partial(finding_detail, finding))
        else:
            self.query_one(Detail).show(partial(group_detail, row.group) if row else lambda _: Content(""))

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Show the detail of the row the cursor is on."""
        event.stop()
        self._show_detail()
        companion_of(self).refresh_bindings()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Fold or unfold a rule."""
        event.stop()
        row = self._row()
        if row and not row.finding and not row.more:
            self._toggled ^= {row.key}
            self._fill()

    def on_finding_list_entered(self, event: FindingList.Entered) -> None:
        """Hand over the finding under the cursor; at a rule, fold or unfold it."""
        event.stop()
        row = self._row()
        if row and row.finding:
            self.post_message(self.Entered(row.finding))
        else:
            self.query_one(FindingList).action_select()

    @property
    def renewable(self) -> bool:
        """Whether the finding under the cursor was waived before, and the waiver has lapsed."""
        return bool((finding := self.current) and finding.lapsed)

    def renew(self) -> None:
        """Give the lapsed waiver of the finding under the cursor again."""
        if (finding := self.current) and finding.lapsed:
            renew_waiver(companion_of(self), finding)

    def waive(self) -> None:
        """Ask for the reason to waive the finding under the cursor, or to take its waiver back; at a rule, for all."""
        app, row = companion_of(self), self._row()
        finding = self.current
        if finding is not None:
            ask_waiver(app, finding)
        elif row is None or row.more:
            app.show_notice("Move to a finding, or to its rule, first.", wrong=True)
        else:
            ask_group_waiver(app, row.group)
