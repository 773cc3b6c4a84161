"""The right side: the open step's question, its state and why, the one next thing to do, and its body."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Static

from companion.core.text import visible
from companion.steps.model import Status
from companion.steps.table import BY_ID, STEP_IDS
from companion.tui.parts.content import STATE_STYLE, content
from companion.tui.parts.foot import is_typed_into

if TYPE_CHECKING:
    from companion.tui.parts.body import Body


class Workspace(Vertical):
    """Head and body of the open step. Bodies are made when a step is first opened, and stay."""

    DEFAULT_CSS = """
    Workspace { padding: 0 1; width: 1fr; }
    Workspace .head { height: auto; margin: 0 0 1 0; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.step_id = STEP_IDS[0]
        self._bodies: dict[str, Body] = {}
        self._status: Status | None = None
        self._changed = False

    def compose(self) -> ComposeResult:
        """Lay out the head; bodies come when they are needed."""
        yield Static(content("Opening the folder …"), classes="head")

    @property
    def body(self) -> Body | None:
        """The open step's body; None while nothing could be opened."""
        return self._bodies.get(self.step_id)

    async def open(self, step_id: str) -> Body:
        """Show a step, making its body if need be."""
        from companion.tui.bodies import body_of

        self.step_id = step_id
        fresh = step_id not in self._bodies
        if fresh:
            self._bodies[step_id] = body_of(BY_ID[step_id].body)(step_id)
        body = self._bodies[step_id]
        for key, other in self._bodies.items():
            other.display = key == step_id
        if fresh:
            await self.mount(body)
            if self._status:
                body.status_came(self._status.step(step_id))
        self._show_head()
        body.freshen()
        return body

    def on_descendant_focus(self) -> None:
        """Name the next key as it works where the focus is."""
        self._show_head()

    def on_descendant_blur(self) -> None:
        """Name the next key as it works where the focus is."""
        self._show_head()

    def status_came(self, status: Status) -> None:
        """Take in the checklist as it is now."""
        self._status = status
        self._show_head()
        for step_id, body in self._bodies.items():
            body.status_came(status.step(step_id))

    def show_changed(self, changed: bool) -> None:
        """Show that the folder has changed since it was looked at, or that what is shown is of now."""
        if changed != self._changed:
            self._changed = changed
            self._show_head()

    async def forget(self) -> None:
        """Take all bodies away so that they are made anew."""
        while self._bodies:
            _, body = self._bodies.popitem()
            await body.remove()

    @property
    def unsaved(self) -> str:
        """Title of a step in which something written is not kept yet, or an empty string."""
        return next((BY_ID[key].title for key, body in self._bodies.items() if body.unsaved), "")

    def _show_head(self) -> None:
        plan, body, status = BY_ID[self.step_id], self.body, self._status
        head = self.query_one(".head", Static)
        if status is None or body is None:
            head.update(content((plan.title, "bold"), f"  {plan.question}\nLooking …"))
            return
        step, before = status.step(self.step_id), status.next_step
        key, words = body.next_thing(step, before if before and before.id != step.id else None)
        if len(key) == 1 and is_typed_into(self.screen.focused):
            key = f"Esc, then {key}"  # alone it would be typed
        state = ((f"{step.state.mark} {step.state.value}", STATE_STYLE[step.state]), f"  {visible(step.because)}\n")
        if self._changed:
            state = (("looking again …", "$warning"), "  The folder has changed.\n")
        head.update(
            content(
                (plan.title, "bold"), f"  {plan.question}\n", *state,
                ("Next  ", "$foreground-muted"), (f"{key}  " if key else "", "bold $primary"), words,
            )
        )  # fmt: skip

    def show_trouble(self, line: str) -> None:
        """Show why nothing can be opened, and what to do."""
        self.query_one(".head", Static).update(
            content(
                ("This folder cannot be opened yet", "bold"), "\n\n", ("✗ ", "bold $error"), line, "\n\n",
                ("Next  ", "$foreground-muted"), ("r  ", "bold $primary"), "Read it again once that is mended.",
            )
        )  # fmt: skip
