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
from companion.tui.foot import JobLine, NoticeLine
from companion.tui.jobs import WORK, WRITE, Jobs
from companion.tui.messages import Failed, Finished, Reported

Result = TypeVar("Result")
Line = TypeVar("Line", bound=Widget)


async def _called(then: Callable[[Any], Any], result: Any) -> None:
    """Call what wanted the result, waiting for it where it is a coroutine."""
    answer = then(result)
    if inspect.isawaitable(answer):
        await answer


class Running(App[int]):
    """Starts work, shows its progress at the foot of every screen, says how it ended, and goes cleanly."""

    def __init__(self) -> None:
        super().__init__()
        self.jobs = Jobs(self)
        self.leaving = False

    def look_again(self) -> None:
        """Ask for the status; the app proper says how."""
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
        """Run something in a thread; see :meth:`companion.tui.jobs.Jobs.start`. What is refused is said."""
        try:
            self.jobs.start(group, what, work, then, failed=failed, owner=owner)
        except CompanionError as error:
            self.say(error.line, wrong=True)
            return
        if group == WORK:
            self.say("")
            self.show_work()

    def work(
        self,
        what: str,
        work: Callable[[Watch], Result],
        then: Callable[[Result], Any] | None = None,
        told: Callable[[Result], str] | None = None,
        wrong: Callable[[Result], bool] = lambda _: False,
    ) -> None:
        """Do long work with progress; afterwards say ``told``, marked where it went ``wrong``, and look again."""

        async def after(result: Result) -> None:
            self.say(told(result) if told else f"{what}: done.", wrong=wrong(result))
            if then:
                await _called(then, result)
            self.look_again()

        self.begin(WORK, what, work, after)

    def write(
        self,
        what: str,
        work: Callable[[Watch], Result],
        told: str,
        *,
        then: Callable[[Result], Any] | None = None,
        failed: Callable[[CompanionError], None] | None = None,
    ) -> None:
        """Keep something a person said; afterwards say ``told`` and look at the folder again."""

        async def after(result: Result) -> None:
            self.say(told)
            if then:
                await _called(then, result)
            self.look_again()

        self.begin(WRITE, what, work, after, failed=failed)

    @on(Reported)
    def _reported(self, message: Reported) -> None:
        job = self.jobs.work
        if job and job.run == message.run and not job.watch.cancelled:
            for line in self._feet(JobLine):
                line.tell(message.progress)

    @on(Finished)
    async def _finished(self, message: Finished) -> None:
        job = self.jobs.take(message.run)
        if job is None:
            return
        self._ended()
        if not self.leaving and (job.owner is None or job.owner.is_attached):
            await _called(job.then, message.result)

    @on(Failed)
    def _failed(self, message: Failed) -> None:
        job = self.jobs.take(message.run)
        if job is None:
            return
        self._ended()
        if self.leaving:
            return
        self.say(message.error.line, wrong=not isinstance(message.error, Cancelled))
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
            line.tell(None, job.what if job else "", stopping=bool(job and job.watch.cancelled))
        self.refresh_bindings()

    def stop_work(self) -> None:
        """Ask the long work to stop, and say so."""
        if job := self.jobs.work:
            job.watch.cancel()
            self.show_work()

    def leave(self) -> None:
        """Go as soon as everything has come to a clean end."""
        self.leaving = True
        self.jobs.stop_all()
        self._ended()

    def say(self, text: str, *, wrong: bool = False) -> None:
        """Show one sentence at the foot of every screen."""
        for line in self._feet(NoticeLine):
            line.tell(text, wrong=wrong)

    def _feet(self, kind: type[Line]) -> list[Line]:
        return [line for screen in self.screen_stack for line in screen.query(kind)]
