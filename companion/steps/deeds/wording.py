"""The part of a workshop that drafts texts, and writes them as they are drafted, edited or settled."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import msgspec

from companion.core.errors import CompanionError
from companion.core.progress import QUIET, Watch
from companion.steps.deeds.folder import OpenFolder

if TYPE_CHECKING:
    from companion.steps.looks.wording import Worded
    from companion.steps.looks.words import Draft, Format, What
    from companion.steps.model import Status


class Wording(OpenFolder):
    """Texts of one folder. A workshop is one of these.

    not_kept: why evidence of the last check is in memory alone, if so; what was found is shown all the same.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.not_kept: CompanionError | None = None

    def check(self, steps: Sequence[str] = (), watch: Watch = QUIET) -> Status:
        """Run steps."""
        raise NotImplementedError

    def draft(self, what: What, fmt: Format = "md", watch: Watch = QUIET) -> Draft:
        """Draft a text from facts and evidence, merged with what the maker has written; nothing is written."""
        from companion.steps.looks.words import draft

        return draft(self.desk(watch), what, fmt)

    def worded(self, what: What, fmt: Format = "md", watch: Watch = QUIET) -> Worded:
        """Draft a text, by its parts: whose each is, and what it rests on."""
        from companion.steps.looks.wording import worded

        return worded(self.desk(watch), what, fmt)

    def write_draft(
        self, what: What, fmt: Format = "md", watch: Watch = QUIET, *, settle: Literal["mine", "draft", ""] = ""
    ) -> Draft:
        """Draft a text, write it to its place and judge it. What stood there is kept first.

        settle: how every conflict is settled; empty where none is. Contents and Paths, where they had been looked at,
        are looked at again: a text of ours alone must not make the maker run them anew.
        """
        from companion.steps.looks.wording import settled
        from companion.steps.looks.words import draft, write

        desk = self.desk(watch)
        looked = [step for step in ("contents", "paths") if desk.found(step)]
        with self._writing(f"writing the {what}"):
            drafted = draft(desk, what, fmt)
            drafted = settled(drafted, settle) if settle else drafted
            write(self.places, drafted)
        return self._judged_again(drafted, looked, watch)

    def write_text(self, came: Worded, text: str, watch: Watch = QUIET) -> Draft:
        """Write a text as the maker has edited or settled it, in place of what stood when it ``came``; judge it.

        ``came.draft`` tells which conflicts are left. Raises where something else stands there by now.
        """
        from companion.steps.looks.wording import standing
        from companion.steps.looks.words import write

        looked = [step for step in ("contents", "paths") if self.desk(watch).found(step)]
        drafted = msgspec.structs.replace(came.draft, text=text)
        with self._writing(f"writing the {drafted.what}"):
            if standing(drafted) != came.standing:
                do = "look at it again; what you wrote is still in the field"
                raise CompanionError("The file has changed meanwhile", drafted.target.name, do)
            left = tuple(clash for clash in drafted.clashes if clash.own in text.replace("\r\n", "\n"))
            drafted = msgspec.structs.replace(drafted, clashes=left)
            write(self.places, drafted)
        return self._judged_again(drafted, looked, watch)

    def _judged_again(self, drafted: Draft, looked: Sequence[str], watch: Watch) -> Draft:
        self.check((*looked, "words"), watch)
        if self.not_kept:
            raise self.not_kept
        return drafted
