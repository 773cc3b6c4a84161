"""Work in threads: started by name, reported, stopped, and handed back on the event loop."""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Final

from textual.app import App
from textual.widget import Widget

from companion.core.errors import CompanionError
from companion.core.progress import Progress, Watch

WORK: Final = "work"
"""Whatever takes long: one at a time, with progress, and never set aside for another."""
WRITE: Final = "write"
"""What a person enters (an answer, a fact, a waiver): done one after the other, none ever dropped."""


@dataclass
class BackgroundJob:
    """One piece of work on its way. ``owner``: the pane that wants the result; gone, so is the wish."""

    group: str
    what: str
    work: Callable[[Watch], Any]
    then: Callable[[Any], Any]
    failed: Callable[[CompanionError], None] | None = None
    owner: Widget | None = None
    watch: Watch = field(default_factory=Watch)


class Jobs:
    """The jobs of one app. Outside :data:`WORK` and :data:`WRITE` a new job stops the one before it in its group.

    On the event loop ``report`` gets how far a job is, and ``end`` its result, or its error (or that it was stopped).
    """

    def __init__(
        self,
        app: App[Any],
        report: Callable[[BackgroundJob, Progress], object],
        end: Callable[[BackgroundJob, Any, CompanionError | None], object],
    ) -> None:
        self._app, self._report, self._end = app, report, end
        self._current: dict[str, BackgroundJob] = {}
        self._waiting: deque[BackgroundJob] = deque()

    @property
    def work(self) -> BackgroundJob | None:
        """The long work that runs now."""
        return self._current.get(WORK)

    @property
    def idle(self) -> bool:
        """Whether nothing runs, not even a fetch."""
        return not self._current

    @property
    def busy(self) -> BackgroundJob | None:
        """What must come to a clean end before the app may quit."""
        return self._current.get(WORK) or self._current.get(WRITE)

    def start(self, job: BackgroundJob) -> None:
        """Run a job in a thread; its ``then`` gets the result, its ``failed`` the error, both on the event loop.

        Raises :class:`CompanionError` when long work is asked for while other long work runs.
        """

        def report(progress: Progress) -> None:
            self._app.call_later(self._report, job, progress)

        job.watch = Watch(report)
        before = self._current.get(job.group)
        if before and job.group == WORK:
            raise CompanionError(f"{before.what} is still going on", do="wait for its end, or stop it with c")
        if before and job.group == WRITE:
            self._waiting.append(job)
            return
        if before:
            before.watch.cancel()
        self._begin(job)

    def _begin(self, job: BackgroundJob) -> None:
        self._current[job.group] = job
        self._app.run_worker(
            partial(self._carry, job), group=job.group, name=job.what, thread=True, exclusive=True, exit_on_error=False
        )

    def _carry(self, job: BackgroundJob) -> None:
        result, failure = None, None
        try:
            result = job.work(job.watch)
        except CompanionError as error:
            failure = error
        except Exception as error:  # whatever it is, the person at the desk hears of it
            failure = CompanionError(
                f"{job.what} failed unexpectedly: {type(error).__name__}: {error}",
                do="try again; if it fails again, the plain command shows more",
            )
            failure.__cause__ = error
        self._app.call_later(self._end, job, result, failure)

    def take(self, job: BackgroundJob) -> bool:
        """Count a job as ended; return False when another has taken its place."""
        if self._current.get(job.group) is not job:
            return False
        del self._current[job.group]
        if job.group == WRITE and self._waiting:
            self._begin(self._waiting.popleft())
        return True

    def stop_all(self) -> None:
        """Ask everything to stop; what waits for its turn is still written."""
        for group, job in self._current.items():
            if group != WRITE:
                job.watch.cancel()
