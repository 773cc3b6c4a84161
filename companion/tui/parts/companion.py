"""The app as its parts know it: what bodies, lists and dialogs may ask of it. The app itself stands above them."""

from __future__ import annotations

import inspect
from collections import deque
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar, cast

from textual import events
from textual.app import App
from textual.filter import LineFilter
from textual.signal import Signal
from textual.widget import Widget

from companion.core.errors import Cancelled, CompanionError
from companion.core.progress import Progress, Watch
from companion.tui.parts.foot import FootLine, JobLine, NoticeLine
from companion.tui.parts.jobs import WORK, WRITE, BackgroundJob, Jobs
from companion.tui.parts.plainly import PlainFilter, terminal

if TYPE_CHECKING:
    from companion.steps.account.due import Standing
    from companion.steps.drawn.which import Sight
    from companion.workshop import Workshop

Result = TypeVar("Result")
Line = TypeVar("Line", bound=FootLine)


async def await_call(call: Callable[..., Any], *args: Any) -> None:
    """Call what may be a plain function or a coroutine, and wait for it."""
    answer = call(*args)
    if inspect.isawaitable(answer):
        await answer


class Companion(App[int]):
    """Runs work in threads, shows its progress at the foot of every screen, reports how it ended, and quits cleanly.

    What it knows of the folder and its steps is left to the app proper.
    """

    workshop: Workshop | None = None
    """The folder; None until it is open."""
    status: Standing | None = None
    """The checklist as it was at the last look; None before the first."""
    step_keys: tuple[str, ...] = ()
    """What the keys of the open step do, in their order."""

    def __init__(self) -> None:
        super().__init__()
        self.jobs = Jobs(self, self._reported, self.job_ended)
        self.leaving = False
        self._notices: deque[tuple[str, bool]] = deque(maxlen=3)
        self._keyed = False
        self.looked: Signal[Standing] = Signal(self, "looked")

    def get_line_filters(self) -> Sequence[LineFilter]:
        """Return what lines pass through on their way to the terminal."""
        filters = super().get_line_filters()
        return filters if terminal().whole else [*filters, PlainFilter()]

    @property
    def shop(self) -> Workshop:
        """The open folder. What asks for it is made only once there is one."""
        assert self.workshop is not None
        return self.workshop

    @property
    def plays(self) -> bool:
        """Whether anything is heard."""
        raise NotImplementedError

    def hear(self, sight: Sight, beside: Sequence[str] = ()) -> None:
        """Play what is in sight, with the files it may be compared with; where just that plays, stop."""
        raise NotImplementedError

    def hush(self) -> None:
        """Stop what plays."""
        raise NotImplementedError

    def look_again(self) -> None:
        """Ask for the state of all steps."""
        raise NotImplementedError

    async def open_step(self, step_id: str, *, enter: bool = False, arrive: bool = False, part: str = "") -> None:
        """Open a step, one of its parts if named. enter: go to work in it; arrive: where its keys work."""
        raise NotImplementedError

    def open_snapshots(self) -> None:
        """Open the drawer of snapshots."""
        raise NotImplementedError

    def focus_checklist(self) -> None:
        """Go back to the checklist."""
        raise NotImplementedError

    async def start_anew(self) -> None:
        """Make every body anew: the folder has just got its facts."""
        raise NotImplementedError

    @property
    def working(self) -> bool:
        """Whether long work runs."""
        return self.jobs.work is not None

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
        """Fetch something in a thread. A later fetch of its ``group`` overtakes it; it is dropped with ``owner``."""
        self._start(BackgroundJob(group, what, work, then, failed, owner))

    def work(
        self,
        what: str,
        work: Callable[[Watch], Result],
        summary: Callable[[Result], str],
        then: Callable[[Result], Any] | None = None,
        wrong: Callable[[Result], bool] = lambda _: False,
        *,
        failed: Callable[[CompanionError], None] | None = None,
        group: str = WORK,
    ) -> None:
        """Do long work with progress; afterwards show its ``summary``, marked where it went ``wrong``; look again."""

        async def after(result: Result) -> None:
            self.show_notice(summary(result), wrong=wrong(result))
            if then:
                await await_call(then, result)
            self.look_again()

        self._start(BackgroundJob(group, what, work, after, failed))

    def write(
        self,
        what: str,
        work: Callable[[Watch], Result],
        summary: str,
        *,
        then: Callable[[Result], Any] | None = None,
        failed: Callable[[CompanionError], None] | None = None,
    ) -> None:
        """Keep something a person entered; afterwards show ``summary`` and look at the folder again."""
        self.work(what, work, lambda _: summary, then, failed=failed, group=WRITE)

    def _start(self, job: BackgroundJob) -> None:
        try:
            self.jobs.start(job)
        except CompanionError as error:
            self.show_notice(error.line, wrong=True)
            return
        if job.group == WORK:
            self.show_notice("")
            self.show_work()

    def _reported(self, job: BackgroundJob, progress: Progress) -> None:
        if job is self.jobs.work and not job.watch.cancelled:
            for line in self._feet(JobLine):
                line.show(progress)

    async def job_ended(self, job: BackgroundJob, result: Any, error: CompanionError | None) -> None:
        """Hand over what a job brought, or show why it failed; nothing of one whose place another has taken."""
        if not self.jobs.take(job):
            return
        self.show_work()
        self._leave_when_idle()
        if self.leaving:
            return
        if error:
            self.show_notice(error.line, wrong=not isinstance(error, Cancelled))
            if job.failed:
                job.failed(error)
            if job.group == WORK:
                self.look_again()
        elif job.owner is None or job.owner.is_attached:
            await await_call(job.then, result)

    def on_unmount(self) -> None:
        """Let nothing go on that nobody will see the end of, by whatever way the app ends."""
        self.jobs.stop_all()

    def _leave_when_idle(self) -> None:
        if self.leaving and not self.jobs.busy:
            self.exit(0)

    def show_work(self) -> None:
        """Show what runs, or that nothing does."""
        job = self.jobs.work
        for line in self._feet(JobLine):
            line.show(None, job.what if job else "", stopping=bool(job and job.watch.cancelled))
        self.refresh_bindings()

    def action_stop(self) -> None:
        """Ask the long work to stop, and show that."""
        if job := self.jobs.work:
            job.watch.cancel()
            self.show_work()

    def leave(self) -> None:
        """Quit as soon as everything has come to a clean end."""
        self.leaving = True
        self.jobs.stop_all()
        self.show_work()
        self._leave_when_idle()

    def show_notice(self, text: str, *, wrong: bool = False) -> None:
        """Show one sentence at the foot of every screen, below those since the last key; nothing takes all away."""
        if not text or self._keyed:
            self._notices.clear()
        self._keyed = False
        if text:
            self._notices.append((text, wrong))
        for line in self._feet(NoticeLine):
            line.show(self._notices)

    def step_left(self) -> None:
        """Take away what was reported of the step that is left, but for what went wrong: that stays."""
        wrong = [notice for notice in self._notices if notice[1]]
        self._notices.clear()
        self._notices.extend(wrong)
        for line in self._feet(NoticeLine):
            line.show(self._notices)

    async def on_event(self, event: events.Event) -> None:
        """Count what stood at the foot as read once a key is pressed."""
        self._keyed = self._keyed or isinstance(event, events.Key)
        await super().on_event(event)

    def _feet(self, kind: type[Line]) -> list[Line]:
        return [line for screen in self.screen_stack for line in screen.query(kind)]


def companion_of(widget: Widget) -> Companion:
    """Return the app that ``widget`` is part of."""
    return cast("Companion", widget.app)
