"""A step's body: one or more parts (a form, a list, the findings), each made when it is first looked at."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, cast

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.message import Message
from textual.widget import Widget

from companion.steps.model import StepStatus
from companion.tui.findings import FindingsView
from companion.tui.segments import Segments, Word
from companion.tui.shown import said

if TYPE_CHECKING:
    from companion.tui.app import CompanionApp

FINDINGS = "findings"


@dataclass(frozen=True)
class Part:
    """One part: its name in the bar, and how to make its widget."""

    id: str
    title: str
    make: Callable[[], Widget]


class PartsBar(Segments, can_focus=True):
    """The names of the parts; left and right move between them."""

    DEFAULT_CSS = """
    PartsBar { height: auto; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1)", "Part before", show=False),
        Binding("right", "move(1)", "Next part", show=False),
        Binding("enter,down", "into", "Into it"),
    ]
    gap = 1

    class Chosen(Message):
        """A part was chosen."""

        def __init__(self, part: str) -> None:
            super().__init__()
            self.part = part

    def __init__(self, titles: dict[str, str]) -> None:
        super().__init__()
        self.titles = titles
        self.current = next(iter(titles))

    def words(self) -> list[Word]:
        """Return the names, the current one marked."""
        strong = "bold reverse" if self.has_focus else "bold underline"
        return [
            Word(key, said((f"▸{title}", strong) if key == self.current else (f" {title}", "$foreground-muted")))
            for key, title in self.titles.items()
        ]

    def chosen(self, key: str) -> None:
        """Choose a part."""
        self.post_message(self.Chosen(key))

    class Into(Message):
        """The person wants to go into the part."""

    def action_into(self) -> None:
        """Go into the part."""
        self.post_message(self.Into())

    def action_move(self, by: int) -> None:
        """Choose the part beside the current one."""
        keys = list(self.titles)
        self.chosen(keys[(keys.index(self.current) + by) % len(keys)])

    def mark(self, current: str | None = None, titles: dict[str, str] | None = None) -> None:
        """Show which part is open, and new names."""
        self.current = current or self.current
        self.titles = titles or self.titles
        self.refresh(layout=True)


class Body(Vertical):
    """The base of every step's body. Subclasses list their parts and say what they can do."""

    DEFAULT_CSS = """
    Body { height: 1fr; padding: 0; }
    Body .part { height: 1fr; }
    Body .note { height: auto; color: $foreground-muted; }
    """
    ACTIONS: ClassVar[frozenset[str]] = frozenset()
    """Names for which a method ``step_NAME`` exists."""

    def __init__(self, step_id: str) -> None:
        super().__init__(id=f"body-{step_id}")
        self.step_id = step_id
        self.step: StepStatus | None = None
        self._parts = {part.id: part for part in self.parts()}
        self._made: dict[str, Widget] = {}
        self.part = next(iter(self._parts))
        self._stale = True

    def parts(self) -> tuple[Part, ...]:
        """Return the parts; the findings alone unless a step has more."""
        return (self.findings_part(),)

    def findings_part(self) -> Part:
        """Return the part that lists the findings."""
        return Part(FINDINGS, "Found", FindingsView)

    def fetch(self) -> None:
        """Ask for what this body shows besides the status; called when it is in view and may be out of date."""

    def went(self) -> None:
        """Act on a change of part; subclasses may add to it."""

    @property
    def companion(self) -> CompanionApp:
        """The app, by its own type."""
        return cast("CompanionApp", self.app)

    @property
    def many(self) -> bool:
        """Whether there is more than one part."""
        return len(self._parts) > 1

    def compose(self) -> ComposeResult:
        """Lay out the bar; the parts follow when they are looked at."""
        if self.many:
            yield PartsBar({part.id: part.title for part in self._parts.values()})

    async def on_mount(self) -> None:
        """Open the first part."""
        await self.go(self.part)

    async def on_parts_bar_chosen(self, event: PartsBar.Chosen) -> None:
        """Open the part that was chosen."""
        event.stop()
        await self.go(event.part)

    def on_parts_bar_into(self, event: PartsBar.Into) -> None:
        """Go into the part that is open."""
        event.stop()
        self.enter()

    async def go(self, part: str) -> Widget:
        """Show a part, making it if need be, and return its widget."""
        if part not in self._made:
            widget = self._parts[part].make()
            widget.add_class("part")
            self._made[part] = widget
            await self.mount(widget)
            if isinstance(widget, FindingsView) and self.step:
                widget.show(self.step)
        for key, widget in self._made.items():
            widget.display = key == part
        self.part = part
        if self.many:
            self.query_one(PartsBar).mark(part)
        self.went()
        self.companion.refresh_bindings()
        return self._made[part]

    def made(self, part: str) -> Widget | None:
        """Return the widget of a part that has been looked at."""
        return self._made.get(part)

    def status_came(self, step: StepStatus) -> None:
        """Take in what is known of the step now."""
        self.step = step
        self._stale = True
        if (view := self._made.get(FINDINGS)) and isinstance(view, FindingsView):
            view.show(step)
        if self.many and FINDINGS in self._parts and self.is_mounted:
            title = f"Found {len(step.findings)}" if step.findings else "Found"
            bar = self.query_one(PartsBar)
            bar.mark(titles={**bar.titles, FINDINGS: title})
        self.freshen()

    def freshen(self) -> None:
        """Fetch what may be out of date, if the body is in view."""
        if self._stale and self.display and self.is_mounted and self.companion.workshop:
            self._stale = False
            self.fetch()

    def offers(self, action: str) -> bool:
        """Tell whether an action can be done now."""
        if action == "part":
            return self.many
        if action == "waive":
            return self.part == FINDINGS and bool(self.step and self.step.findings)
        return action in self.ACTIONS

    async def step_part(self) -> None:
        """Go to the next part."""
        keys = list(self._parts)
        await self.go(keys[(keys.index(self.part) + 1) % len(keys)])
        self.arrive()

    def step_waive(self) -> None:
        """Waive the finding under the cursor."""
        if isinstance(view := self._made.get(FINDINGS), FindingsView):
            view.waive()

    def leave_field(self) -> None:
        """Esc out of a field: to the names of the parts, or to the checklist where there is one part only."""
        if self.many:
            self.query_one(PartsBar).focus()
        else:
            self.companion.focus_checklist()

    def arrive(self) -> None:
        """Put the focus where the keys of the step work; not into a field, where they would be typed."""
        widget = self._made.get(self.part)
        if widget is not None and widget.query("Input, TextArea"):
            self.leave_field()
        else:
            self.enter()

    def enter(self) -> None:
        """Put the focus where the work is: the first thing of the part that takes it."""
        widget = self._made.get(self.part)
        if widget is None:
            return
        for candidate in (widget, *widget.query(Widget)):
            if candidate.focusable and candidate.display:
                candidate.focus()
                return
        if self.many:
            self.query_one(PartsBar).focus()


def quiet(text: str) -> Content:
    """Return a muted remark."""
    return said((text, "$foreground-muted"))
