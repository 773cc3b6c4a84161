"""What the Words step judges: the texts that ship, the page, and what this version has to say in them."""

import re
from collections.abc import Iterable, Mapping
from functools import cached_property
from typing import Final

import msgspec

from companion.words.agree import statements
from companion.words.changelog import EntryRead, parse_entry, read_entry
from companion.words.language import in_english
from companion.words.plain import Passage, passages
from companion.words.story import Story
from companion.words.values import TextRead

_README: Final = re.compile(
    r"(?:^|/)(?:read[-_ ]?me(?:[-_ ]?first)?|lies[-_ ]?mich|lisez[-_ ]?moi|leggimi|l[eé]eme|l[eê]ia[-_ ]?me"
    r"|lees[-_ ]?mij)(?:[-_ ][a-z]{2})?(?:\.\w+){0,2}$",
    re.IGNORECASE,
)
_CHANGELOG: Final = re.compile(r"(?:^|/)(?:change[-_ ]?log|changes|history)(?:\.\w+)?$", re.IGNORECASE)


class Text(msgspec.Struct, frozen=True, kw_only=True):
    """A text of the maker's. place: what stands before a line number where there is no path to name it."""

    path: str
    text: str
    place: str = ""


class Statement(msgspec.Struct, frozen=True, kw_only=True):
    """What a text states of this version. history: as changes, so that its numbers are no totals. english: whether its
    sentences are read; of any other language only the values are compared.
    """

    source: Text
    passages: list[Passage]
    history: bool = False
    english: bool = True


class Media(msgspec.Struct, frozen=True, kw_only=True):
    """A file that goes up beside the page. fact: its key. size: bytes; None where it is not in the folder.

    limit: the most bytes the host takes, as the maker set it; None: any. extent: the longest side of a cover in pixels,
    or the length of a preview in seconds; None where it was not measured. longest: the most of it the host takes.
    unread: why it could not be measured, though it is to be held to a limit; empty where it could.
    """

    fact: str
    path: str
    size: int | None = None
    limit: int | None = None
    extent: float | None = None
    longest: float | None = None
    unread: str = ""


class WordsModel(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """What the checks look at.

    texts: the shipped texts by path; a changelog and a readme are known by their names. pages: the download page as it
    would be pasted, in each format there is, by path; under the empty path where it lies nowhere yet.
    page_characters: the length the maker set; None: any. media: the cover and the previews. checksums: SHA-256 of the
    archives known to hold exactly this content.
    """

    texts: Mapping[str, str]
    story: Story
    pages: Mapping[str, str] = {}
    page_characters: int | None = None
    media: tuple[Media, ...] = ()
    checksums: frozenset[str] = frozenset()

    @cached_property
    def own(self) -> tuple[Text, ...]:
        """All texts of the maker's, the page last; a licence is somebody else's."""
        licence = self.story.licence_file
        found = [Text(path=path, text=text) for path, text in sorted(self.texts.items()) if path != licence]
        for path, text in self.pages.items():
            found.append(Text(path=path, text=text, place="" if path else "download page, "))
        return tuple(found)

    @cached_property
    def readme(self) -> str:
        """The readme's path, the one nearest the top, in English if there is one; empty: none."""
        paths = _nearest(path for path in self.texts if _README.search(path))
        return next(iter([path for path in paths if self.english(path)] or paths), "")

    def english(self, path: str) -> bool:
        """Whether a text is to be read as English."""
        return self._english[path]

    @cached_property
    def _english(self) -> dict[str, bool]:
        texts = {**self.texts, **self.pages}
        return {path: in_english(passages(text, path), text, path) for path, text in texts.items()}

    @cached_property
    def other_languages(self) -> tuple[str, ...]:
        """The paths of the texts that are not in English."""
        return tuple(one.path for one in self.own if not self.english(one.path))

    @cached_property
    def changelog(self) -> tuple[str, EntryRead | None]:
        """The changelog's path (the one nearest the top; empty: none) and this version's entry in it."""
        paths = _nearest(path for path in self.texts if _CHANGELOG.search(path))
        for path in paths:
            if entry := read_entry(self.texts[path], self.story.version, path):
                return path, entry
        return (paths[0] if paths else ""), None

    @cached_property
    def statements(self) -> tuple[Statement, ...]:
        """What is stated of this version; a changelog's older entries were true once and are left out."""
        found = []
        for one in self.own:
            english = self.english(one.path)
            if not _CHANGELOG.search(one.path) or one.path in self.pages:
                found.append(Statement(source=one, passages=passages(one.text, one.path), english=english))
            elif entry := read_entry(one.text, self.story.version, one.path):
                found.append(Statement(source=one, passages=entry.passages, history=True, english=english))
        return tuple(found)

    @property
    def day(self) -> str:
        """The day that the changelog gives this version, ISO 8601; empty: none."""
        path = self.changelog[0]
        entry = parse_entry(self.texts[path], self.story.version) if path else None
        return entry.date if entry else ""

    def reading(self, statement: Statement) -> TextRead:
        """Return a statement with what it is held against."""
        path = statement.source.path
        return TextRead(
            found=statement.passages,
            story=self.story,
            main=path in self.pages or path == self.readme,
            page=path in self.pages,
            english=statement.english,
            day=self.day,
            checksums=(self.checksums | {self.story.archive_sha256}) - {""},
        )

    @cached_property
    def compared(self) -> Mapping[str, tuple[str, ...]]:
        """What each text states that was held against the facts, by its path; sorted."""
        return {
            one.source.path: tuple(
                sorted({stated.fact for stated in statements(self.reading(one), history=one.history)})
            )
            for one in self.statements
        }


def _nearest(paths: Iterable[str]) -> list[str]:
    return sorted(paths, key=lambda path: (path.count("/"), len(path), path))
