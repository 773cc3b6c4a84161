"""The part of a workshop that lists what ships, and remembers what was answered about it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from companion.core.errors import CompanionError
from companion.core.facts import FACTS_FILE, facts_from_toml
from companion.core.progress import QUIET, Watch
from companion.steps.deeds import facts_file
from companion.steps.deeds.folder import OpenFolder

if TYPE_CHECKING:
    from companion.contents.ships import ShipList
    from companion.steps.model import Status


class Shipping(OpenFolder):
    """What ships of one folder. A workshop is one of these; every method may raise :class:`CompanionError`."""

    def contents(self, watch: Watch = QUIET) -> ShipList:
        """Return every file of the folder with what becomes of it and why, and in groups what is asked about."""
        from companion.steps.looks.contents import ships_of

        return ships_of(self.desk(watch))

    not_kept: CompanionError | None

    def check(self, steps: Sequence[str] = (), watch: Watch = QUIET) -> Status:
        """Run steps and keep what they found."""
        raise NotImplementedError

    def decide(self, ship: Sequence[str] = (), stay: Sequence[str] = (), watch: Watch = QUIET) -> int:
        """Remember that groups, folders or files ship or stay, and return how many files that is about.

        Contents and Paths, where they had been looked at, are looked at again: an answer must not make the maker run
        them anew.
        """
        self.reload()
        desk = self.desk(watch)
        looked = [step for step in ("contents", "paths") if desk.found(step)]
        count = self._answer(ship, stay, watch)
        if looked:
            self.check(looked, watch)
            if self.not_kept:
                raise self.not_kept
        return count

    def _answer(self, ship: Sequence[str], stay: Sequence[str], watch: Watch) -> int:
        """Write an answer into the facts and return how many files it is about."""
        from companion.contents.answers import answered
        from companion.steps.looks.contents import ships_of

        desk, known = self.desk(watch), self.facts.contents
        given = answered(desk.inventory, ships_of(desk), known, ship, stay, desk.look.references.used)

        def change(text: str) -> str:
            if facts_from_toml(text).contents != known:
                raise CompanionError("The facts have changed meanwhile", FACTS_FILE, "look again, then answer")
            return facts_file.edited(
                text, {"contents.include": list(given.include), "contents.exclude": list(given.exclude)}
            )

        self._edit(change)
        return given.files
