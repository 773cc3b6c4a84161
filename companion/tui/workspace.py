"""The right side: the open step's question, its state and why, the one next thing to do, and its body."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Static

from companion.core.text import visible
from companion.steps.model import State, Status, StepStatus
from companion.steps.table import BY_ID, STEP_IDS
from companion.tui.checklist import step_key
from companion.tui.shown import said, state_words

if TYPE_CHECKING:
    from companion.tui.app import CompanionApp
    from companion.tui.parts import Body

NEXT_KEYS = {
    "facts": "Enter",
    "contents": "r",
    "paths": "r",
    "sound": "r",
    "controls": "j",
    "away": "n",
    "needs": "e",
    "words": "w",
    "archive": "b",
    "out": "o",
}
"""The key that does a step's own next thing while it is open."""


def next_thing(step: StepStatus, before: StepStatus | None = None) -> tuple[str, str]:
    """Return the key and the words of the one next thing to do in a step.

    before: the first step that is not settled, when that is another one; a settled step points on to it.
    """
    match step.state:
        case State.FAILING | State.UNKNOWN if step.id in ("contents", "paths", "sound", "words"):
            again = "" if step.state is State.UNKNOWN else " Then r looks again."
            return "", f"{step.next}{again}"
        case State.FAILING if step.id == "archive":
            return "", f"{step.next} Then b builds it again."
        case State.FAILING if step.id in ("away", "controls"):
            return NEXT_KEYS[step.id], step.next
        case State.STALE:
            return ("b", "Build it again.") if step.id == "archive" else ("r", step.next)
        case State.PROVEN | State.WAIVED if step.id == "out" and step.findings:
            return "u", "Download your own upload and hold it against the checksum."
        case State.PROVEN | State.WAIVED if before:
            return step_key(before.id), f"On to {before.title}."
        case State.PROVEN | State.WAIVED:
            return "", "Nothing is left to do."
        case _:
            return NEXT_KEYS[step.id], step.next


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

    def compose(self) -> ComposeResult:
        """Lay out the head; bodies come when they are needed."""
        yield Static(said("Opening the folder …"), classes="head")

    @property
    def body(self) -> Body | None:
        """The open step's body; None while nothing could be opened."""
        return self._bodies.get(self.step_id)

    async def open(self, step_id: str) -> Body:
        """Show a step, making its body if need be."""
        from companion.tui.bodies import START, make_body

        self.step_id = step_id
        fresh = step_id not in self._bodies
        if fresh:
            shop = cast("CompanionApp", self.app).workshop
            begin = step_id == "facts" and shop is not None and not shop.has_facts
            self._bodies[step_id] = make_body(START if begin else step_id)
        body = self._bodies[step_id]
        for key, other in self._bodies.items():
            other.display = key == step_id
        if fresh:
            await self.mount(body)
            if self._status:
                body.status_came(self._status.step(step_id))
        self._tell()
        body.freshen()
        return body

    def status_came(self, status: Status) -> None:
        """Take in the checklist as it is now."""
        self._status = status
        self._tell()
        for step_id, body in self._bodies.items():
            body.status_came(status.step(step_id))

    async def forget(self, *step_ids: str) -> None:
        """Take bodies away so that they are made anew (all when none are named)."""
        for step_id in step_ids or tuple(self._bodies):
            if body := self._bodies.pop(step_id, None):
                await body.remove()

    @property
    def unsaved(self) -> str:
        """Title of a step in which something written is not kept yet, or an empty string."""
        return next((BY_ID[key].title for key, body in self._bodies.items() if getattr(body, "unsaved", False)), "")

    def _tell(self) -> None:
        plan = BY_ID[self.step_id]
        head = self.query_one(".head", Static)
        if self._status is None:
            head.update(said((plan.title, "bold"), f"  {plan.question}\nLooking …"))
            return
        step = self._status.step(self.step_id)
        before = self._status.next_step
        key, words = next_thing(step, before if before and before.id != step.id else None)
        head.update(
            said(
                (plan.title, "bold"), f"  {plan.question}\n",
                state_words(step.state), f"  {visible(step.because)}\n",
                ("Next  ", "$foreground-muted"), (f"{key}  " if key else "", "bold $primary"), words,
            )
        )  # fmt: skip

    def trouble(self, line: str) -> None:
        """Say why nothing can be shown, and what to do."""
        self.query_one(".head", Static).update(
            said(
                ("This folder cannot be opened yet", "bold"), "\n\n", ("✗ ", "bold $error"), line, "\n\n",
                ("Next  ", "$foreground-muted"), ("r  ", "bold $primary"), "Read it again once that is mended.",
            )
        )  # fmt: skip
