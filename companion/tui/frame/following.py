"""Follows a working folder while the app is open, so that no state on screen outlives a change on disk."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from contextlib import aclosing
from pathlib import Path
from typing import Final

from companion.core.watching import MOST_FOLDERS, folders_to_watch, matters

QUIET_MS: Final = 800
"""So long nothing has to change before a look; what saves one file writes it in several steps."""
LONGEST_S: Final = 20.0
"""A folder that never rests is looked at this often."""


class Following:
    """Tells of changes at once, and asks for a look when they have come to rest.

    changed: called for each burst of changes. settled: called once they rest, however many there were, or every
    ``LONGEST_S`` seconds while they do not. lost: called with the reason, for people, when the folder is not watched
    (any longer). All three on the event loop.
    """

    def __init__(
        self,
        folder: Path,
        changed: Callable[[], object],
        settled: Callable[[], object],
        lost: Callable[[str], object],
        clock: Callable[[], float] = time.monotonic,
        ours: Callable[[set[str]], bool] = lambda _: False,
    ) -> None:
        """``ours``: tells whether changes at these places are the app's own; they give no sign, but are looked at."""
        self._folder, self._changed, self._settled, self._lost = folder, changed, settled, lost
        self._clock, self._ours = clock, ours
        # Whatever changed between the first look and the first watch is not lost: it counts as changed.
        self._since: float | None = clock()

    async def run(self) -> None:
        """Follow until cancelled, or until the folder can be watched no longer."""
        try:
            while await self._watch():
                pass
        except OSError as error:
            self._lost(error.strerror or type(error).__name__)
        except Exception as error:  # the watcher's own kind of error, whatever the system had to say
            self._lost(str(error).partition(" about [")[0] or type(error).__name__)

    async def _watch(self) -> bool:
        """Watch until there is another set of folders to watch; return False when there is nothing to go on with."""
        from watchfiles import awatch  # compiled, and needed by nobody who only types a command

        folders = await asyncio.to_thread(folders_to_watch, self._folder)
        if folders is None:
            self._lost(f"it holds more than {MOST_FOLDERS:,} folders")
            return False
        known = {str(place) for place in folders}
        batches = awatch(
            *folders, watch_filter=None, recursive=False, debounce=400, step=50, rust_timeout=QUIET_MS,
            yield_on_timeout=True,
        )  # fmt: skip
        async with aclosing(batches):
            async for batch in batches:
                paths = {path for _, path in batch if matters(path, self._folder)}
                self.take(bool(paths), ours=self._ours(paths))
                if await asyncio.to_thread(_other_folders, known, paths):
                    return True
        return False

    def take(self, changed: bool, *, ours: bool = False) -> None:
        """Take in what a moment brought: changes, or none. ours: they are the app's own."""
        if changed:
            self._since = self._clock() if self._since is None else self._since
            if not ours:
                self._changed()
        if self._since is not None and (not changed or self._clock() - self._since > LONGEST_S):
            self._since = None
            self._settled()


def _other_folders(known: set[str], paths: set[str]) -> bool:
    """Tell whether a folder came or went."""
    return any((path in known) != (Path(path).is_dir() and not Path(path).is_symlink()) for path in paths)
