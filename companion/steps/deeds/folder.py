"""A working folder, open: its facts and its cache, a desk to look at it from, and its locks."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Self

from companion.core.cache import Cache
from companion.core.errors import Busy, CompanionError
from companion.core.facts import Facts
from companion.core.files import write_safely
from companion.core.folder import Places
from companion.core.lock import held
from companion.core.progress import QUIET, Watch
from companion.core.text import listed, visible
from companion.steps.deeds import facts_file, hidden
from companion.steps.deeds.hidden import BroughtBack
from companion.steps.table import BY_ID

if TYPE_CHECKING:
    from companion.core.evidence import Evidence
    from companion.history.history import History
    from companion.history.model import Restored
    from companion.steps.desk import Desk


class OpenFolder:
    """One working folder, open; every method may raise :class:`CompanionError`.

    writable: whether anything may be written here. refusal: why not, where a stranger's link is why, or newer: that a
    newer companion has written here.
    recovered: the restore that a killed run left half done and that was finished on opening. unfinished: why one could
    not be; it is tried again at the next opening. brought_back: originals that were hidden for an away test, and that
    opening the folder brought back.
    """

    def __init__(self, folder: Path) -> None:
        self.places = Places(folder)
        self._memory: dict[tuple[str, str], Evidence] = {}
        self.facts = Facts()
        self.newer = self.places.newer()
        self.refusal = self.places.refusal()
        self.writable = os.access(folder, os.W_OK) and not self.refusal
        self.brought_back = self._bring_back_hidden()
        self.unfinished: CompanionError | None = None
        self.recovered = self._recover()
        self.cache = Cache(self.places.cache if self.writable and self.places.facts.is_file() else None)
        if self.recovered:
            from companion.steps.account.unkept import note_restored

            note_restored(self.cache, self.recovered)
        self.reload()

    @classmethod
    def open(cls, folder: Path) -> Self:
        """Open a folder. Raises :class:`CompanionError` when there is none, or its facts cannot be read."""
        try:
            folder = folder.resolve()  # a shell has read “~” already; a folder may be called so
            if not folder.exists():
                raise CompanionError("There is no such folder", str(folder), "check the name, or make it first")
            if not folder.is_dir():
                what = "pipe or device" if not folder.is_file() else "file"
                raise CompanionError(
                    f"That is a {what}, not a folder", str(folder), "name the folder the patch lies in"
                )
        except (OSError, RuntimeError) as error:
            raise CompanionError(f"The folder cannot be opened: {error}", str(folder), "check the name") from error
        return cls(folder)

    def _bring_back_hidden(self) -> BroughtBack | None:
        """Bring back originals that are hidden; where another process hides or brings them back, leave it to that."""
        if not self.writable or not hidden.is_hidden(self.places):
            return None
        try:
            with held(self.places.lock, "bringing the originals back"):
                return hidden.bring_back(self.places)
        except Busy:
            return None

    def _recover(self) -> Restored | None:
        """Finish a restore that was killed half way; where another process does just that, leave it to that one."""
        if not self.places.restore_begun:
            return None
        cut = "A restore was cut off and is not finished"
        if problem := self.history_problem():
            self.unfinished = CompanionError(f"{cut}: {problem}", str(self.folder), "some files are still the old ones")
            return None
        try:
            with self.history as history:
                return history.recover()
        except Busy:
            return None
        except CompanionError as error:
            self.unfinished = CompanionError(f"{cut}: {error.what}", error.where, error.do)
            return None

    @property
    def recovery(self) -> list[str]:
        """What opening the folder did about a restore that was cut off, in lines; empty where there was none."""
        done = self.recovered
        if self.unfinished:
            return [self.unfinished.line]
        if done is None:
            return []
        what = f"{len(done.written):,} written, {len(done.removed):,} taken away"
        kept = f"; what was there before is kept as snapshot {done.safety.number}" if done.safety else ""
        how = "what could be done of it is done now" if done.failed else "is finished now"
        lines = [f"Restoring snapshot {done.number} had been cut off, and {how}: {what}{kept}."]
        if done.edited:
            some = listed([visible(path) for path in done.edited], 3)
            verb = "was" if len(done.edited) == 1 else "were"
            back = f"companion restore FOLDER {done.number} --only PATH"
            lines.append(f"{some} {verb} changed since, and left alone. Bring back what you do not need with: {back}")
        return lines + [f"  not restored: {visible(path)} ({visible(reason)})" for path, reason in done.failed]

    @property
    def folder(self) -> Path:
        """The working folder, absolute."""
        return self.places.folder

    @property
    def has_facts(self) -> bool:
        """Whether the folder has a ``release.toml``."""
        return self.places.facts.is_file()

    def reload(self) -> None:
        """Read the facts again. Where they cannot be read, those read before stand, and the error says why."""
        read = facts_file.read_facts(self.places.facts, newer=self.newer is not None) if self.has_facts else Facts()
        self.facts = read

    def close(self) -> None:
        """Close the cache."""
        self.cache.close()

    def desk(self, watch: Watch = QUIET, *, rehash: bool = False, changing: frozenset[str] = frozenset()) -> Desk:
        """Return a new look at the folder; ``rehash`` and ``changing`` as for :class:`Desk`.

        Raises :class:`CompanionError` while originals are hidden: everything would be missing.
        """
        from companion.steps.desk import Desk

        hidden.refuse_hidden(self.places)
        return Desk(
            self.places,
            self.facts,
            self.cache,
            watch,
            steps=BY_ID,
            rehash=rehash,
            changing=changing,
            memory=self._memory,
        )

    @property
    def history(self) -> History:
        """The kept versions of this folder: a new way in each time, to be closed by whoever asked (``with``)."""
        from companion.history.history import History

        hidden.refuse_hidden(self.places)
        return History(self.places.folder)

    def history_problem(self, *, looking: bool = False) -> str:
        """Return why no snapshots can be kept here, or with ``looking`` why none can be looked at; or nothing."""
        read_only = self.refusal.line if self.refusal else "the folder is read-only"
        return "" if self.writable or looking else read_only

    def _edit(self, change: Callable[[str], str]) -> None:
        if not self.has_facts:
            raise CompanionError("The folder has no facts yet", str(self.places.facts), "run: companion start FOLDER")
        with self._writing("editing the facts"):
            before = facts_file.read_text(self.places.facts)
            after = change(before)
            if after != before:
                write_safely(self.places.facts, after.encode(), root=self.folder)
        self.reload()

    def _writing(self, doing: str) -> AbstractContextManager[None]:
        """Hold the folder for a moment: facts, evidence and texts are read, changed and written under it."""
        self._refuse_read_only()
        return held(self.places.lock, doing, patience=5.0)

    def _building(self, doing: str) -> AbstractContextManager[None]:
        """Hold the releases, for as long as it takes; answers and facts can be written meanwhile."""
        self._refuse_read_only()
        return held(self.places.building, doing)

    def _refuse_read_only(self) -> None:
        if refusal := self.places.refusal():
            raise refusal
        if not self.writable:
            raise CompanionError("The folder is read-only", str(self.folder), "make it writable, or copy it elsewhere")
