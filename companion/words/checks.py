"""Judge what changelog, readme and page say against the facts and the evidence."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cached_property
from html import unescape
from itertools import islice
from typing import Final

import msgspec

from companion.core.findings import Finding
from companion.core.text import shorten, visible
from companion.words import rules
from companion.words.agree import disagreements
from companion.words.changelog import Entry, parse_entry
from companion.words.changes import says
from companion.words.claims import claims
from companion.words.plain import Passage, is_html, passages
from companion.words.story import Change, Story

_README: Final = re.compile(r"(?:^|/)(?:read[-_ ]?me(?:[-_ ]?first)?)(?:\.\w+)?$", re.IGNORECASE)
_CHANGELOG: Final = re.compile(r"(?:^|/)(?:change[-_ ]?log|changes|history)(?:\.\w+)?$", re.IGNORECASE)
_PLACEHOLDER: Final = re.compile(
    r"\b(?:TODO|FIXME|TBD|TBA|XXX)\b|(?i:\blorem ipsum\b)|⟨missing[^⟩\n]*⟩?|\{\{|\{%"
    r"|<(?i:your|insert|enter|put|fill in|add your|placeholder)\b[^<>\n]*>"
    r"|\[(?i:your|insert|enter|put|fill in|add your|placeholder|name here|to do)\b[^\[\]\n]*\](?![(\[:])"
)
_PARTS: Final[Mapping[str, re.Pattern[str]]] = {
    "unzip first": re.compile(r"\b(?:un-?zip|unpack|extract|decompress)\w*", re.IGNORECASE),
    "keep the folder whole": re.compile(
        r"\b(?:keep|leave|move|store|put)\b[^.!?]{0,80}\b(?:whole|together|intact|as (?:it is|they are|is|one)|"
        r"in one place|same folder|structure|beside|next to)\b"
        r"|\b(?:do not|don[’']t|never)\s+(?:move|rename|separate|split|reorgani[sz]e)\b",
        re.IGNORECASE,
    ),
    "needs": re.compile(r"\b(?:needs?|requires?|requirements?|or (?:newer|later)|at least)\b", re.IGNORECASE),
    "install": re.compile(r"\b(?:install\w*|open|load|import|drag|copy)\b", re.IGNORECASE),
    "licence": re.compile(r"\blicen[cs]e\w*|\bpublic domain\b|\bcopyright\b|\bCC0\b", re.IGNORECASE),
    "contact": re.compile(r"\w@[\w-]+\.\w|\bhttps?://|\b(?:contact|write to|e-?mail|reach (?:us|me))\b", re.IGNORECASE),
}
_FEW_WORDS: Final = 5
_QUOTE: Final = 90
_MOST: Final = 50
"""Findings of one rule in one text: whoever has more begins with these."""


class WordsModel(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """What the checks look at.

    texts: the shipped texts by path; a changelog and a readme are told by their names. page: the download page as it
    would be pasted, in any of the three formats; empty: none yet. page_path: where it lies, if it lies anywhere.
    page_characters: the length the maker set; None: any.
    """

    texts: Mapping[str, str]
    story: Story
    page: str = ""
    page_path: str = ""
    page_characters: int | None = None

    @cached_property
    def words(self) -> tuple[tuple[str, str, str], ...]:
        """All texts of the maker's as (path, name before a line number, text); a licence is somebody else's."""
        licence = self.story.licence_file
        found = [(path, "", text) for path, text in sorted(self.texts.items()) if path != licence]
        return (
            (*found, (self.page_path, "" if self.page_path else "download page, ", self.page))
            if self.page
            else tuple(found)
        )

    @cached_property
    def changelog(self) -> tuple[str, Entry | None]:
        """The changelog's path (the one nearest the top; empty: none) and this version's entry in it."""
        paths = sorted(
            (path for path in self.texts if _CHANGELOG.search(path)), key=lambda path: (path.count("/"), path)
        )
        for path in paths:
            entry = parse_entry(self.texts[path], self.story.version)
            if entry:
                return path, entry
        return (paths[0] if paths else ""), None

    @cached_property
    def stated(self) -> tuple[tuple[str, str, list[Passage], bool], ...]:
        """What is said of this version: (path, name, passages, whether it is history). Old entries were true once."""
        found = []
        for path, name, text in self.words:
            if not _CHANGELOG.search(path) or path == self.page_path:
                found.append((path, name, passages(text, path), False))
            elif entry := parse_entry(text, self.story.version):
                found.append((path, name, passages(entry.body, path, _first_line(entry)), True))
        return tuple(found)


def _first_line(entry: Entry) -> int:
    """Return the number of the source's line that ``entry.body`` begins on."""
    heading = entry.text.split("\n")
    body = entry.body.split("\n", 1)[0]
    return entry.start + 1 + next((n for n, line in enumerate(heading) if n and line == body), 1)


def _quoted(text: str) -> str:
    return f"“{shorten(visible(text), _QUOTE)}”"


def check_words(model: WordsModel) -> list[Finding]:
    """Return what every rule of the step finds in ``model``."""
    return [
        *changelog_entry_missing(model),
        *changelog_misses_change(model),
        *readme_missing_part(model),
        *words_disagree(model),
        *claim_unproven(model),
        *placeholder_left(model),
        *page_too_long(model),
    ]


def changelog_entry_missing(model: WordsModel) -> list[Finding]:
    """This version has an entry with at least one line (Keep a Changelog 1.1.0: an entry for every version)."""
    path, entry = model.changelog
    version = visible(model.story.version) or "this version"
    if entry is None:
        measured = f"no entry for {version}" if path else "no changelog"
        return [rules.CHANGELOG_ENTRY_MISSING.finding(path, measured=measured)]
    if not any(not passage.heading for passage in passages(entry.body)):
        where = f"line {entry.start + 1}"
        return [rules.CHANGELOG_ENTRY_MISSING.finding(path, where=where, measured=f"the entry for {version} is empty")]
    return []


def changelog_misses_change(model: WordsModel) -> list[Finding]:
    """Each difference from the last release is mentioned: by a name it bears, or by what it is beside the right verb.

    Honest wording varies, so one mention of either kind is enough.
    """
    path, entry = model.changelog
    if entry is None:
        return []
    found = passages(entry.body)
    where = f"line {entry.start + 1}"
    return [
        rules.CHANGELOG_MISSES_CHANGE.finding(path, where=where, measured=f"not mentioned: {visible(change.text)}")
        for change in model.story.changes
        if not _mentioned(change, found)
    ]


def _mentioned(change: Change, found: list[Passage]) -> bool:
    if not change.about and not change.noun:
        return True
    group = ""
    noun = re.compile(rf"\b{re.escape(change.noun)}", re.IGNORECASE) if change.noun else None
    names = [re.compile(rf"(?<!\w){re.escape(name)}(?!\w)", re.IGNORECASE) for name in change.about]
    for passage in found:
        if passage.heading:
            group = passage.text.strip(" :").lower()
        if any(name.search(passage.text) for name in names):
            return True
        if noun and noun.search(passage.text) and (group == change.group.lower() or says(passage.text, change.group)):
            return True
    return False


def readme_missing_part(model: WordsModel) -> list[Finding]:
    """The readme says what it is, unzip first, keep the folder whole, needs, install, licence, contact.

    A part is there when a word that nobody can leave out of it is; common practice, no source.
    """
    paths = [path for path in model.texts if _README.search(path)]
    if not paths:
        return [rules.README_MISSING_PART.finding(measured="no readme")]
    path = min(paths, key=lambda path: (path.count("/"), path))
    found = passages(model.texts[path], path)
    text = "\n".join(passage.text for passage in found)
    contact = model.story.contact.strip()
    missing = [] if any(_tells(passage) for passage in found) else ["what it is"]
    for part, pattern in _PARTS.items():
        if not pattern.search(text) and not (part == "contact" and contact and contact in model.texts[path]):
            missing.append(part)
    return [rules.README_MISSING_PART.finding(path, measured=f"missing: {', '.join(missing)}")] if missing else []


def _tells(passage: Passage) -> bool:
    """Tell whether a passage could say what the instrument is: a sentence that is neither heading nor list item."""
    enough = len(passage.text.split()) >= _FEW_WORDS
    return enough and not passage.heading and not passage.item and not _PARTS["unzip first"].search(passage.text)


def words_disagree(model: WordsModel) -> list[Finding]:
    """Version, need and counts as the words state them equal the facts; see :mod:`companion.words.agree`."""
    return [
        rules.WORDS_DISAGREE.finding(
            path,
            where=f"{name}line {found.line}",
            measured=_quoted(found.says),
            limit=f"the facts say {visible(found.facts)}",
        )
        for path, name, told, history in model.stated
        for found in islice(disagreements(told, model.story, history=history), _MOST)
    ]


def claim_unproven(model: WordsModel) -> list[Finding]:
    """What the words claim to be tested or to work has a passed away test; see :mod:`companion.words.claims`."""
    return [
        rules.CLAIM_UNPROVEN.finding(
            path,
            where=f"{name}line {claim.line}",
            measured=f"{visible(claim.subject)} in {_quoted(claim.sentence)}",
        )
        for path, name, told, _ in model.stated
        for claim in islice((claim for claim in claims(told, model.story) if not claim.proven), _MOST)
    ]


def placeholder_left(model: WordsModel) -> list[Finding]:
    """No TODO and its kin, no filling text, no template braces, no ``<your name>``, no mark of a missing fact.

    Footnotes ``[1]``, links and check boxes are none of these, nor is the title.
    """
    return [
        rules.PLACEHOLDER_LEFT.finding(path, where=f"{name}line {line}", measured=_quoted(what))
        for path, name, text in model.words
        for line, what in islice(_placeholders(text, path, model.story.title), _MOST)
    ]


def _placeholders(text: str, path: str, title: str) -> Iterator[tuple[int, str]]:
    html = is_html(text, path)
    for number, raw in enumerate(text.split("\n"), 1):
        line = unescape(raw) if html or "&" in raw else raw
        line = re.sub(r"\\([^\w\s])", r"\1", line)
        if title.strip():
            line = line.replace(title.strip(), "")
        for match in _PLACEHOLDER.finditer(line):
            yield number, match.group()


def page_too_long(model: WordsModel) -> list[Finding]:
    """The page as it would be pasted has at most the characters (Unicode code points) that the maker set."""
    limit, length = model.page_characters, len(model.page)
    if limit is None or length <= limit:
        return []
    return [
        rules.PAGE_TOO_LONG.finding(model.page_path, measured=f"{length:,} characters", limit=f"{limit:,} characters")
    ]
