"""A step's body: one or more parts (a form, a list, the findings), each made when it is first opened."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Final, NamedTuple, TypeVar

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widget import Widget

from companion.core.findings import Finding
from companion.steps.model import State, StepStatus
from companion.tui.parts.choice import PartsBar
from companion.tui.parts.companion import Companion, companion_of
from companion.tui.parts.findings import FindingsView
from companion.tui.parts.foot import step_digit
from companion.tui.parts.form import Form
from companion.tui.parts.page import Build, Detail, Page

if TYPE_CHECKING:
    from companion.core.progress import Watch
    from companion.steps.drawn.which import Sight
    from companion.workshop import Workshop

FINDINGS: Final = "findings"
Result = TypeVar("Result")


@dataclass(frozen=True)
class BodyPart:
    """One part: its name in the bar, and how to make its widget."""

    id: str
    title: str
    make: Callable[[], Widget]


FOUND: Final = BodyPart(FINDINGS, "Found", FindingsView)
AWAY: Final = step_digit("away")
"""The key to the away tests, which tell what no look at the folder can."""


class StepKey(NamedTuple):
    """One key: what it does, under which name, in a word at the foot, and in a few words in the help."""

    key: str
    action: str
    label: str
    help: str


class Body(Vertical):
    """The base of every step's body. Subclasses list their parts and their keys.

    PARTS: the findings alone unless a step has more.
    KEYS: what can be done here; for each there is a method ``step_ACTION``. NEXT: the key of the step's own next thing.
    AGAIN: what to do once everything that blocks is mended; empty where ``NEXT`` is the way to mend it.
    MENDS: the key that helps where a rule holds the step back, if that is another one.
    RUNS: whether looking again runs the step's check; else the folder is only read again.
    """

    DEFAULT_CSS = """
    Body { height: 1fr; padding: 0; }
    Body .part { height: 1fr; }
    """
    PARTS: ClassVar[tuple[BodyPart, ...]] = (FOUND,)
    KEYS: ClassVar[tuple[StepKey, ...]] = ()
    NEXT: ClassVar[str] = "r"
    AGAIN: ClassVar[str] = ""
    MENDS: ClassVar[Mapping[str, str]] = {}
    RUNS: ClassVar[bool] = False

    def __init__(self, step_id: str) -> None:
        super().__init__(id=f"body-{step_id}")
        self.step_id = step_id
        self.step: StepStatus | None = None
        self._parts: dict[str, BodyPart] = {}
        self.made: dict[str, Widget] = {}  # the parts that have been opened
        self.part = ""
        self._stale = True

    def parts(self) -> tuple[BodyPart, ...]:
        """Return the parts as they are in this folder."""
        return self.PARTS

    def fetch(self) -> None:
        """Ask for what this body shows besides the status; called when it is in view and may be out of date."""

    def part_opened(self) -> None:
        """Act on a change of part; subclasses may add to it."""

    @classmethod
    def next_thing(cls, step: StepStatus, before: StepStatus | None = None) -> tuple[str, str]:
        """Return the key and the words of the one next thing to do in a step.

        before: the first step that is not settled, when that is another one; a settled step points on to it.
        """
        from companion.steps.states import held_by  # first paint does without it

        held = held_by(step.findings, step.state)
        if held and held.rule in cls.MENDS:
            return cls.MENDS[held.rule], step.next
        match step.state:
            case State.FAILING if cls.AGAIN:
                return "", f"{step.next} {cls.AGAIN}"
            case State.UNKNOWN if cls.RUNS:
                return "", step.next
            case State.STALE:
                return "r", step.next
            case State.PROVEN | State.WAIVED if before:
                return step_digit(before.id), f"On to {before.title}."
            case State.PROVEN | State.WAIVED:
                return "", "Nothing is left to do."
            case _:
                return cls.NEXT, step.next

    @property
    def companion(self) -> Companion:
        """The app around this body."""
        return companion_of(self)

    @property
    def shop(self) -> Workshop:
        """The open folder."""
        return self.companion.shop

    def ask(self, what: str, work: Callable[[Watch], Result], then: Callable[[Result], Any]) -> None:
        """Fetch something in a thread; asking again overtakes what is on its way, and so does the end of this body."""
        self.companion.begin(self.step_id, what, work, then, owner=self)

    @property
    def many(self) -> bool:
        """Whether there is more than one part."""
        return len(self._parts) > 1

    def compose(self) -> ComposeResult:
        """Lay out the bar; the parts follow when they are opened."""
        self._parts = {part.id: part for part in self.parts()}
        self.part = next(iter(self._parts))
        if self.many:
            yield PartsBar({part.id: part.title for part in self._parts.values()})

    async def on_mount(self) -> None:
        """Open the first part."""
        await self.go(self.part)

    async def on_parts_bar_changed(self, event: PartsBar.Changed) -> None:
        """Open the part that was chosen."""
        event.stop()
        await self.go(self.query_one(PartsBar).value)

    def on_parts_bar_into(self, event: PartsBar.Into) -> None:
        """Go into the part that is open."""
        event.stop()
        self.enter()

    async def on_findings_view_entered(self, event: FindingsView.Entered) -> None:
        """Act on the finding under the cursor."""
        event.stop()
        await self.finding_entered(event.finding)

    async def finding_entered(self, finding: Finding) -> None:
        """Open the picture of a finding; where it has none, go to its details, to scroll them.

        Subclasses lead to where it is mended.
        """
        from companion.steps.drawn.which import has_picture

        if has_picture(finding):
            self.open_picture(finding)
        else:
            self.made[FINDINGS].query_one(Detail).focus()

    def open_picture(self, finding: Finding | None = None, path: str = "") -> None:
        """Open the picture of a finding, of a file, or of the whole instrument."""
        from companion.steps.drawn.which import KIND_OF, Sight
        from companion.tui.parts.picture import PictureScreen
        from companion.tui.parts.tour import Tour

        found = self.step.findings if self.step else ()
        kind = KIND_OF.get(finding.rule) if finding else None
        sight = Sight(finding=finding, path=finding.path if finding else path, kind=kind)
        tour = Tour(sight, found)

        def left(_: object) -> None:
            """Leave the cursor on the finding that was seen last."""
            view = self.made.get(FINDINGS)
            if isinstance(view, FindingsView) and view.is_mounted and tour.sight.finding and self.part == FINDINGS:
                view.go_to(tour.sight.finding)

        self.app.push_screen(PictureScreen(tour), left)

    def draw(self) -> None:
        """Open the picture of what is under the cursor, else that of the whole instrument."""
        from companion.steps.drawn.which import has_picture

        view = self.made.get(FINDINGS)
        finding = view.current if self.part == FINDINGS and isinstance(view, FindingsView) and view.is_mounted else None
        self.open_picture(finding if finding and has_picture(finding) else None, self.file_under_cursor())

    def to_hear(self) -> Sight | None:
        """Return what of the sound under the cursor would be heard; None where there is none."""
        from companion.contents.kinds import natural_kind
        from companion.steps.drawn.which import KIND_OF, Sight

        view = self.made.get(FINDINGS)
        found = view.current if self.part == FINDINGS and isinstance(view, FindingsView) and view.is_mounted else None
        kind = KIND_OF.get(found.rule) if found else None
        if found and kind == "bounce":
            return Sight(finding=found, path=found.path, kind=kind)
        path = found.path if found else self.file_under_cursor()
        if not path or not natural_kind(path).audible:
            return None
        return Sight(finding=found, path=path, kind=kind)

    def file_under_cursor(self) -> str:
        """Return the file under the cursor of a list of files; subclasses that have one say which."""
        return ""

    async def go(self, part: str) -> Widget:
        """Show a part, making it if need be, and return its widget."""
        if part not in self.made:
            widget = self._parts[part].make()
            widget.add_class("part")
            self.made[part] = widget
            await self.mount(widget)
            if isinstance(widget, FindingsView) and self.step:
                widget.show(self.step)
        for key, widget in self.made.items():
            widget.display = key == part
        self.part = part
        if self.many:
            self.query_one(PartsBar).value = part
        self.part_opened()
        self.companion.refresh_bindings()
        return self.made[part]

    def show_page(self, part: str, build: Build) -> None:
        """Show text in a part that is a page, if it has been opened."""
        if isinstance(page := self.made.get(part), Page):
            page.show(build)

    def status_came(self, step: StepStatus) -> None:
        """Take in what is known of the step now."""
        self.step = step
        self._stale = True
        if isinstance(view := self.made.get(FINDINGS), FindingsView):
            view.show(step)
        if self.many and FINDINGS in self._parts and self.is_mounted:
            title = f"Found {len(step.findings)}" if step.findings else "Found"
            self.query_one(PartsBar).rename(FINDINGS, title)
        self.freshen()

    def freshen(self) -> None:
        """Fetch what may be out of date, if the body is in view."""
        if self._stale and self.display and self.is_mounted:
            self._stale = False
            self.fetch()

    @property
    def unsaved(self) -> bool:
        """Whether something written in a form is not kept yet."""
        return any(form.unsaved for form in self.query(Form))

    def offers(self, action: str) -> bool:
        """Return whether an action can be done now."""
        match action:
            case "part":
                return self.many
            case "renew":
                view = self.made.get(FINDINGS)
                return self.part == FINDINGS and isinstance(view, FindingsView) and view.renewable
            case "waive":
                return self.part == FINDINGS and bool(self.step and self.step.findings)
            case _:
                return any(key.action == action for key in self.KEYS)

    async def step_part(self) -> None:
        """Go to the next part."""
        keys = list(self._parts)
        await self.go(keys[(keys.index(self.part) + 1) % len(keys)])
        self.arrive()

    def step_waive(self) -> None:
        """Waive the finding under the cursor."""
        if isinstance(view := self.made.get(FINDINGS), FindingsView):
            view.waive()

    def step_renew(self) -> None:
        """Give the lapsed waiver of the finding under the cursor again."""
        if isinstance(view := self.made.get(FINDINGS), FindingsView):
            view.renew()

    def leave_field(self) -> None:
        """Esc out of a field: to the names of the parts, or to the checklist where there is one part only."""
        if self.many:
            self.query_one(PartsBar).focus()
        else:
            self.companion.focus_checklist()

    def arrive(self) -> None:
        """Put the focus where the keys of the step work; not into a field, where they would be typed."""
        widget = self.made.get(self.part)
        if widget is not None and widget.query("Input, TextArea"):
            self.leave_field()
        else:
            self.enter()

    def enter(self) -> None:
        """Put the focus where the work is: the first thing of the part that takes it."""
        widget = self.made.get(self.part)
        if widget is None:
            return
        for candidate in (widget, *widget.query(Widget)):
            if candidate.focusable and candidate.display:
                candidate.focus()
                return
        if self.many:
            self.query_one(PartsBar).focus()
