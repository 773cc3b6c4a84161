"""How the app keeps up with the folder: the checklist is read after each work, and anew when the folder changes."""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any, Final

import msgspec
from textual import events, on

from companion.tui.frame.checklist import Rail
from companion.tui.frame.playing import Playing
from companion.tui.frame.workspace import Workspace
from companion.tui.parts.foot import DueLine
from companion.tui.parts.jobs import WORK, WRITE, BackgroundJob

if TYPE_CHECKING:
    from companion.core.errors import CompanionError
    from companion.core.progress import Watch
    from companion.steps.account.due import Standing
    from companion.workshop import Workshop

EVERY_MINUTE: Final = 60
OWN_S: Final = 3.0
"""So long after the app has written the watcher may still tell of that."""


class Looking(Playing):
    """Shows the checklist of one folder, and never an old one as though it were of now."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.folder = folder
        self.rail = Rail(folder)
        self.workspace = Workspace()
        self._changes = 0
        self._wrote = -OWN_S
        self._unwatched = False

    def look_again(self) -> None:
        """Read the facts again, which another program may have written, and ask for the status of all steps."""
        self.look("Looking at the folder")

    def look(self, what: str) -> None:
        """Do so, and call it ``what``; nothing of a folder that is not open."""
        if shop := self.workshop:
            changes = self._changes
            self.begin(
                "status", what, lambda watch: _reread(shop, watch),
                lambda came: self._status_came(came, settled=changes == self._changes),
            )  # fmt: skip

    async def _status_came(self, status: Standing, *, settled: bool = True) -> None:
        first, shop = self.status is None, self.shop
        self.status = status
        self.rail.show(status, "" if shop.writable else "read-only")
        self._show_changed(not settled)
        self.workspace.status_came(status)
        self.show_due()
        self.looked.publish(status)
        if first:
            await self.open_step((status.next_step or status.steps[-1]).id, enter=not shop.has_facts)
        self.refresh_bindings()

    def follow(self) -> None:
        """Follow the folder until the app is left."""
        from companion.tui.frame.following import Following

        following = Following(
            self.folder, self.folder_changed, self.folder_settled, self._unfollowed, ours=self.own_writes
        )
        self.run_worker(following.run(), group="follow", exit_on_error=False)

    async def job_ended(self, job: BackgroundJob, result: Any, error: CompanionError | None) -> None:
        """Note when the app last wrote, beside what is done at the end of a job."""
        if job.group in (WORK, WRITE):
            self._wrote = monotonic()
        await super().job_ended(job, result, error)

    def own_writes(self, paths: Collection[str]) -> bool:
        """Tell whether changes are most likely the app's own, which ended with a look: where it writes, just after."""
        from companion.core.watching import may_be_ours

        recent = self.jobs.busy is not None or monotonic() - self._wrote < OWN_S
        return recent and all(may_be_ours(path, self.folder) for path in paths)

    def folder_changed(self) -> None:
        """Say at once that what is shown is of before; not of what runs, which writes itself and ends with a look."""
        self._changes += 1
        if not self.working:
            self._show_changed(True)

    def folder_settled(self) -> None:
        """Look anew, quietly: nobody asked. What runs looks at the folder at its end anyway."""
        if not self.working and not self.leaving:
            self.look_again()

    def _unfollowed(self, reason: str) -> None:
        self._unwatched = True
        self.show_notice(f"This folder cannot be watched: {reason}. After a change, r looks again.")

    @on(events.AppFocus)
    def _back_from_elsewhere(self) -> None:
        """Look again where no change is told of: a maker who comes back has most likely been in the host."""
        if self._unwatched:
            self.folder_settled()

    def due_by_now(self) -> None:
        """Offer a snapshot that has become due by the hour, with nothing changed since the last look."""
        from companion.steps.account.due import due_of

        status = self.status
        if status and status.unkept and not status.due and self.shop.writable:
            self.status = msgspec.structs.replace(status, due=due_of(status.unkept, datetime.now(UTC)))
            self.show_due()

    def _show_changed(self, changed: bool) -> None:
        self.rail.show_changed(changed)
        self.workspace.show_changed(changed)

    def show_due(self) -> None:
        """Show on the first screen whether a snapshot is due; not while work runs, for none can be taken then."""
        due = self.status.due if self.status and not self.working else None
        for line in self.screen_stack[0].query(DueLine):
            line.show(due.because if due else "", due.since if due else "")

    def show_work(self) -> None:
        """Show what runs, or that nothing does."""
        super().show_work()
        self.show_due()


def _reread(shop: Workshop, watch: Watch) -> Standing:
    shop.reload()
    return shop.status(watch)
