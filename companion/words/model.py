"""What the Words step judges: the texts that ship, the page, and what this version has to say in them."""

import re
from collections.abc import Iterable, Mapping
from functools import cached_property
from typing import Final

import msgspec

from companion.words.changelog import ChangelogEntry, parse_entry
from companion.words.plain import Passage, passages
from companion.words.story import Story

_README: Final = re.compile(r"(?:^|/)(?:read[-_ ]?me(?:[-_ ]?first)?)(?:\.\w+)?$", re.IGNORECASE)
_CHANGELOG: Final = re.compile(r"(?:^|/)(?:change[-_ ]?log|changes|history)(?:\.\w+)?$", re.IGNORECASE)


class Text(msgspec.Struct, frozen=True, kw_only=True):
    """A text of the maker's. place: what stands before a line number where there is no path to name it."""

    path: str
    text: str
    place: str = ""


class Statement(msgspec.Struct, frozen=True, kw_only=True):
    """What a text states of this version. history: as changes, so that its numbers are no totals."""

    source: Text
    passages: list[Passage]
    history: bool = False


class WordsModel(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """What the checks look at.

    texts: the shipped texts by path; a changelog and a readme are known by their names. page: the download page as it
    would be pasted, in any of the three formats; empty: none yet. page_path: where it lies, if it lies anywhere.
    page_characters: the length the maker set; None: any.
    """

    texts: Mapping[str, str]
    story: Story
    page: str = ""
    page_path: str = ""
    page_characters: int | None = None

    @cached_property
    def own(self) -> tuple[Text, ...]:
        """All texts of the maker's, the page last; a licence is somebody else's."""
        licence = self.story.licence_file
        found = [Text(path=path, text=text) for path, text in sorted(self.texts.items()) if path != licence]
        if self.page:
            found.append(Text(path=self.page_path, text=self.page, place="" if self.page_path else "download page, "))
        return tuple(found)

    @cached_property
    def readme(self) -> str:
        """The readme's path, the one nearest the top; empty: none."""
        return next(iter(_nearest(path for path in self.texts if _README.search(path))), "")

    @cached_property
    def changelog(self) -> tuple[str, ChangelogEntry | None]:
        """The changelog's path (the one nearest the top; empty: none) and this version's entry in it."""
        paths = _nearest(path for path in self.texts if _CHANGELOG.search(path))
        for path in paths:
            if entry := parse_entry(self.texts[path], self.story.version):
                return path, entry
        return (paths[0] if paths else ""), None

    @cached_property
    def statements(self) -> tuple[Statement, ...]:
        """What is stated of this version; a changelog's older entries were true once and are left out."""
        found = []
        for one in self.own:
            if not _CHANGELOG.search(one.path) or one.path == self.page_path:
                found.append(Statement(source=one, passages=passages(one.text, one.path)))
            elif entry := parse_entry(one.text, self.story.version):
                found.append(
                    Statement(source=one, passages=passages(entry.body, one.path, entry.body_line), history=True)
                )
        return tuple(found)


def _nearest(paths: Iterable[str]) -> list[str]:
    return sorted(paths, key=lambda path: (path.count("/"), path))
