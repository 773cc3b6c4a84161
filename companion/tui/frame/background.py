"""The half of the app that runs work in threads and shows how it goes. It knows nothing of steps."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Any, TypeVar

from textual import on
from textual.app import App
from textual.widget import Widget

from companion.core.errors import Cancelled, CompanionError
from companion.core.progress import Watch
from companion.tui.frame.jobs import WORK, WRITE, Jobs
from companion.tui.frame.messages import Failed, Finished, Reported
from companion.tui.parts.foot import JobLine, NoticeLine

Result = TypeVar("Result")
FootLine = TypeVar("FootLine", bound=Widget)


async def await_call(call: Callable[..., Any], *args: Any) -> None:
    """Call what may be a plain function or a coroutine, and wait for it."""
    answer = call(*args)
    if inspect.isawaitable(answer):
        await answer


class BackgroundApp(App[int]):
    """Starts work, shows its progress at the foot of every screen, reports how it ended, and quits cleanly."""

    def __init__(self) -> None:
        super().__init__()
        self.jobs = Jobs(self)
        self.leaving = False

    @property
    def working(self) -> bool:
        """Whether long work runs."""
        return self.jobs.work is not None

    def look_again(self) -> None:
        """Ask for the status; the app proper knows how."""
        raise NotImplementedError

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
        """Run something in a thread; see :meth:`companion.tui.frame.jobs.Jobs.start`. A refusal is shown."""
        try:
            self.jobs.start(group, what, work, then, failed=failed, owner=owner)
        except CompanionError as error:
            self.show_notice(error.line, wrong=True)
            return
        if group == WORK:
            self.show_notice("")
            self.show_work()

    def work(
        self,
        what: str,
        work: Callable[[Watch], Result],
        then: Callable[[Result], Any] | None = None,
        summary: Callable[[Result], str] | None = None,
        wrong: Callable[[Result], bool] = lambda _: False,
    ) -> None:
        """Do long work with progress; afterwards show its ``summary``, marked where it went ``wrong``; look again."""

        async def after(result: Result) -> None:
            self.show_notice(summary(result) if summary else f"{what}: done.", wrong=wrong(result))
            if then:
                await await_call(then, result)
            self.look_again()

        self.begin(WORK, what, work, after)

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

        async def after(result: Result) -> None:
            self.show_notice(summary)
            if then:
                await await_call(then, result)
            self.look_again()

        self.begin(WRITE, what, work, after, failed=failed)

    @on(Reported)
    def _reported(self, message: Reported) -> None:
        job = self.jobs.work
        if job and job.run == message.run and not job.watch.cancelled:
            for line in self._feet(JobLine):
                line.show(message.progress)

    @on(Finished)
    async def _finished(self, message: Finished) -> None:
        job = self.jobs.take(message.run)
        if job is None:
            return
        self._ended()
        if not self.leaving and (job.owner is None or job.owner.is_attached):
            await await_call(job.then, message.result)

    @on(Failed)
    def _failed(self, message: Failed) -> None:
        job = self.jobs.take(message.run)
        if job is None:
            return
        self._ended()
        if self.leaving:
            return
        self.show_notice(message.error.line, wrong=not isinstance(message.error, Cancelled))
        if job.failed:
            job.failed(message.error)
        if job.group == WORK:
            self.look_again()

    def _ended(self) -> None:
        self.show_work()
        if self.leaving and not self.jobs.busy:
            self.exit(0)

    def show_work(self) -> None:
        """Show what runs, or that nothing does."""
        job = self.jobs.work
        for line in self._feet(JobLine):
            line.show(None, job.what if job else "", stopping=bool(job and job.watch.cancelled))
        self.refresh_bindings()

    def stop_work(self) -> None:
        """Ask the long work to stop, and show that."""
        if job := self.jobs.work:
            job.watch.cancel()
            self.show_work()

    def leave(self) -> None:
        """Quit as soon as everything has come to a clean end."""
        self.leaving = True
        self.jobs.stop_all()
        self._ended()

    def show_notice(self, text: str, *, wrong: bool = False) -> None:
        """Show one sentence at the foot of every screen."""
        for line in self._feet(NoticeLine):
            line.show(text, wrong=wrong)

    def _feet(self, kind: type[FootLine]) -> list[FootLine]:
        return [line for screen in self.screen_stack for line in screen.query(kind)]
