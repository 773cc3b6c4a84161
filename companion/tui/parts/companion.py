"""What bodies, lists and dialogs may ask of the app around them. The app itself stands above and is not known here."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Protocol, TypeVar, cast

from textual.screen import Screen
from textual.widget import Widget

from companion.core.errors import CompanionError
from companion.core.progress import Watch

if TYPE_CHECKING:
    from textual.signal import Signal

    from companion.steps.account.due import Standing
    from companion.workshop import Workshop

Result = TypeVar("Result")


class Companion(Protocol):
    """The app, as its parts see it. They exist only while a folder is open."""

    looked: Signal[Standing]
    """Published whenever the folder has been looked at."""

    @property
    def shop(self) -> Workshop:
        """The open folder."""

    @property
    def status(self) -> Standing | None:
        """The checklist as it was at the last look; None before the first."""

    @property
    def working(self) -> bool:
        """Whether long work runs."""

    def begin(
        self,
        group: str,
        what: str,
        work: Callable[[Watch], Result],
        then: Callable[[Result], Any],
        *,
        failed: Callable[[CompanionError], None] | None = None,
        owner: Widget | None = None,
    ) -> None:
        """Fetch something in a thread; a later one of its ``group`` overtakes it; it is dropped with ``owner``."""

    def work(
        self,
        what: str,
        work: Callable[[Watch], Result],
        then: Callable[[Result], Any] | None = None,
        summary: Callable[[Result], str] | None = None,
        wrong: Callable[[Result], bool] = ...,
    ) -> None:
        """Do long work with progress, one at a time; then show its ``summary`` and look at the folder again."""

    def write(
        self,
        what: str,
        work: Callable[[Watch], Result],
        summary: str,
        *,
        then: Callable[[Result], Any] | None = None,
        failed: Callable[[CompanionError], None] | None = None,
    ) -> None:
        """Keep something a person entered, in the order it was entered; then show ``summary`` and look again."""

    def show_notice(self, text: str, *, wrong: bool = False) -> None:
        """Show one sentence at the foot of every screen."""

    def show_work(self) -> None:
        """Show what runs, or that nothing does."""

    def stop_work(self) -> None:
        """Ask the long work to stop."""

    def look_again(self) -> None:
        """Ask for the state of all steps."""

    async def open_step(self, step_id: str, *, enter: bool = False, part: str = "") -> None:
        """Open a step, one of its parts if named; enter: go to work in it."""

    def focus_checklist(self) -> None:
        """Go back to the checklist."""

    async def start_anew(self) -> None:
        """Make every body anew: the folder has just got its facts."""

    def push_screen(self, screen: Screen[Result], callback: Callable[[Result | None], Any] | None = None) -> Any:
        """Show a screen on top; ``callback`` gets what it returns."""

    def refresh_bindings(self) -> None:
        """Find out anew what the keys can do."""


def companion_of(widget: Widget) -> Companion:
    """Return the app that ``widget`` is part of."""
    return cast("Companion", widget.app)
