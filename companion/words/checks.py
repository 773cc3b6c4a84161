"""Judge what changelog, readme and page say against the facts and the evidence."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from companion.core.findings import Finding
from companion.words.story import Story


class WordsModel(msgspec.Struct, frozen=True, kw_only=True):
    """What the checks look at.

    texts: the shipped texts by path; a changelog and a readme are told by their names. page: the download page as it
    would be pasted, in any of the three formats; empty: none yet. page_characters: the length the maker set.
    """

    texts: Mapping[str, str]
    story: Story
    page: str = ""
    page_path: str = ""
    page_characters: int | None = None


def check_words(model: WordsModel) -> list[Finding]:
    """Return what every rule of the step finds in ``model``."""
    return []
