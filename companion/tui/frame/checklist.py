"""The left side: what is being released, its ten steps with their states, and how many are proven."""

from pathlib import Path
from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import Static

from companion.core.text import shorten, visible
from companion.steps.model import State, Status
from companion.steps.table import STEPS
from companion.tui.parts.content import STATE_STYLE, content
from companion.tui.parts.foot import step_digit
from companion.tui.parts.listing import Listing

WIDE: Final = 22
_TITLE: Final = max(len(step.title) for step in STEPS) + 1


def step_row(step_id: str, title: str, state: State | None) -> Content:
    """Return a step's row: its digit, mark, title and state in words."""
    digit = (f"{step_digit(step_id):1} ", "$foreground-muted")
    if state is None:
        return content(digit, f"  {title}")
    style = STATE_STYLE[state]
    return content(digit, (f"{state.mark} ", style), f"{title:<{_TITLE}}", (state.value, style))


class Steps(Listing):
    """The ten steps. Moving over a step opens it beside the list; Enter or a click goes to work in it."""

    DEFAULT_CSS = """
    Steps { height: auto; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "select", "Open")]

    def __init__(self) -> None:
        super().__init__(*(step_row(step.id, step.title, None) for step in STEPS), markup=False)


class Rail(Vertical):
    """Title, checklist and tally."""

    DEFAULT_CSS = """
    Rail { width: 24; padding: 0 1; border-right: vkey $border-blurred; }
    Rail .name { height: auto; max-height: 3; text-style: bold; margin: 0 0 1 0; }
    Rail .tally { height: auto; margin: 1 0 0 0; }
    """

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self._folder = folder
        self.steps = Steps()
        self._tally = Content("")

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Static(Content(shorten(visible(self._folder.name or str(self._folder)), WIDE * 2)), classes="name")
        yield self.steps
        yield Static("", markup=False, classes="tally")

    def show(self, status: Status, remark: str = "") -> None:
        """Show the whole checklist. ``remark``: a word on the folder, such as that it is read-only."""
        title = status.title or visible(self._folder.name)
        self.query_one(".name", Static).update(
            content(shorten(title, WIDE * 2), (f"\n{status.version}" if status.version else "", "$foreground-muted"))
        )
        for index, step in enumerate(status.steps):
            self.steps.replace_option_prompt_at_index(index, step_row(step.id, step.title, step.state))
        left = len(status.steps) - status.proven - status.waived
        done = ("■" * status.proven, "$success"), (State.WAIVED.mark * status.waived, "$warning")
        bar = content(*done, ("·" * left, "$foreground-muted"), "\n")
        self._tally = content(f"{status.count}\n", bar, (remark, "$warning") if remark else "")
        self.query_one(".tally", Static).update(self._tally)

    def show_changed(self, changed: bool) -> None:
        """Show that the folder has changed since it was looked at, in place of how many are proven; or the tally."""
        told = content(("The folder has changed.\nLooking …", "$warning"))
        self.query_one(".tally", Static).update(told if changed else self._tally)
