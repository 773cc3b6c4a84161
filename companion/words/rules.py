"""What changelog, readme and page say, against the facts and the evidence."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import partial
from itertools import islice
from typing import TYPE_CHECKING, Final

from companion.core.facts import FACTS_FILE
from companion.core.findings import BLOCKS, WARNS, At, Finding
from companion.core.rules import Rule, rule
from companion.core.text import shorten, visible

if TYPE_CHECKING:  # what reads texts is imported where one is read: the rules are listed far more often
    from companion.words.model import Text, WordsModel
    from companion.words.plain import Passage
    from companion.words.story import Change, Story

_words_rule: Final = partial(rule, step="words")
_KEEP_A_CHANGELOG: Final = "Keep a Changelog 1.1.0, https://keepachangelog.com/en/1.1.0/"
_QUOTE: Final = 90
_MOST: Final = 50
"""Findings of one rule in one text: whoever has more begins with these."""


def _at_line(
    rule: Rule[WordsModel], text: Text, line: int, value: str, says: str = "“{value}”", limit: str | None = None
) -> Finding:
    where = f"{text.place}line {line:,}" if text.place else None
    return rule.finding(text.path, at=At(line=line), where=where, value=shorten(value, _QUOTE), says=says, limit=limit)


@_words_rule(
    "changelog-entry-missing",
    BLOCKS,
    version=2,
    means="The changelog has no entry for the version that would ship, or an empty one.",
    why="Someone who has the version before cannot tell whether this one is worth the download, or what to expect.",
    mend="Draft the changelog, read the entry through and keep it: companion draft . changelog --write",
    limit="one entry with at least one line",
    unit="line",
    bound=1,
    source=_KEEP_A_CHANGELOG,
)
def changelog_entry_missing(model: WordsModel) -> Iterator[Finding]:
    """This version has no entry with at least one line."""
    path, entry = model.changelog
    version = visible(model.story.version) or "this version"
    if entry is None:
        yield changelog_entry_missing.finding(path, value=0, says=f"no entry for {version}" if path else "no changelog")
    elif all(passage.heading for passage in entry.passages):
        at = At(line=entry.line)
        yield changelog_entry_missing.finding(path, at=at, value=0, says=f"the entry for {version} is empty")


@_words_rule(
    "changelog-misses-change",
    WARNS,
    version=3,
    means="Something that differs from the last release is not mentioned in this version's entry.",
    why="A player meets the change in the middle of a piece of music, and takes it for a fault.",
    mend="Add a line on it in your own words, or draft the changelog again; your own lines stay.",
    source=_KEEP_A_CHANGELOG,
)
def changelog_misses_change(model: WordsModel) -> Iterator[Finding]:
    """A difference from the last release is mentioned neither by a name it bears, nor by what it is beside its verb.

    Honest wording varies, so one mention of either kind is enough. In another language than English only the names
    and values of facts can be looked for: how it words what became of files is not judged.
    """
    path, entry = model.changelog
    if entry:
        english = model.english(path)
        for change in model.story.changes:
            if (english or not change.noun) and not _mentioned(change, entry.passages):
                at = At(line=entry.line, others=change.paths)
                yield changelog_misses_change.finding(path, at=at, value=change.text, says="not mentioned: {value}")


def _mentioned(change: Change, found: list[Passage]) -> bool:
    from companion.words.changes import has_verb

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
        if (
            noun
            and noun.search(passage.text)
            and (group == change.group.lower() or has_verb(passage.text, change.group))
        ):
            return True
    return False


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


@_words_rule(
    "readme-missing-part",
    WARNS,
    version=2,
    means="The readme leaves out something that everyone who opens the archive needs to read.",
    why="Without it a player opens the patch inside the archive, loses its samples, or cannot find whom to ask.",
    mend="Add that part, or draft the readme again; your own paragraphs stay.",
    limit="what it is, unzip first and keep the folder whole, needs, install, licence, contact",
)
def readme_missing_part(model: WordsModel) -> Iterator[Finding]:
    """A part is there when a word that nobody can leave out of it is; in another language, when its value is."""
    from companion.words.plain import passages

    path = model.readme
    if not path:
        yield readme_missing_part.finding(value="no readme")
        return
    found = passages(model.texts[path], path)
    text = "\n".join(passage.text for passage in found)
    contact = model.story.contact.strip()
    missing = [] if any(_describes(passage) for passage in found) else ["what it is"]
    if not model.english(path):
        missing += _values_missing(text, model.story)
    for part, pattern in _PARTS.items() if model.english(path) else ():
        if not pattern.search(text) and not (part == "contact" and contact and contact in model.texts[path]):
            missing.append(part)
    if missing:
        yield readme_missing_part.finding(path, value=", ".join(missing), says="missing: {value}")


def _values_missing(text: str, story: Story) -> list[str]:
    """Return the parts of a readme in another language whose values it does not hold."""
    told = " ".join(text.split()).casefold()
    parts = {
        "needs": (story.engine, story.minimum or story.saved_with),
        "licence": (story.licence_file or story.licence,),
        "contact": (story.contact.removeprefix("mailto:"),),
    }
    return [part for part, values in parts.items() if not all(value.strip().casefold() in told for value in values)]


def _describes(passage: Passage) -> bool:
    """Whether a passage could say what the instrument is: a sentence that is neither heading nor list item."""
    enough = len(passage.text.split()) >= _FEW_WORDS
    return enough and not passage.heading and not passage.item and not _PARTS["unzip first"].search(passage.text)


@_words_rule(
    "words-disagree",
    BLOCKS,
    version=4,
    means="A name, a version, a need, a count, a size, a range of keys or a date in the words differs from the facts.",
    why="Players trust the page when they decide: a wrong need costs them a download that will not open.",
    mend="Correct the sentence, or the fact where the sentence is right.",
)
def words_disagree(model: WordsModel) -> Iterator[Finding]:
    """A fact is stated otherwise; see :mod:`companion.words.agree` and :mod:`companion.words.values`.

    Compared are: title, version, maker, contact, licence, engine and its version, edition, counts of samples, layers
    and impulse responses, sizes, key ranges, middle C, names of patches, the day of this version, and on a page the
    checksum. A text in another language is held to names, versions, licences and dates.
    """
    from companion.words.agree import disagreements

    for one in model.statements:
        for found in islice(disagreements(model.reading(one), history=one.history), _MOST):
            limit = f"the facts say {visible(found.facts)}"
            yield _at_line(words_disagree, one.source, found.line, found.text, limit=limit)


@_words_rule(
    "claim-unproven",
    BLOCKS,
    version=3,
    means="The words say that it was tested on, or works with, something no passed away test stands for.",
    why="Someone with just that system relies on the sentence and is the first to find out.",
    mend="Record an away test there, or say that it is not tested there yet.",
    limit="a passed away test on that system or engine version",
)
def claim_unproven(model: WordsModel) -> Iterator[Finding]:
    """Something is claimed to be tested or to work without a passed away test; see :mod:`companion.words.claims`."""
    from companion.words.claims import claims

    for one in model.statements:
        unproven = (claim for claim in claims(one.passages, model.story) if not claim.proven)
        for claim in islice(unproven, _MOST):
            says = f"{{value}} in “{shorten(visible(claim.sentence), _QUOTE)}”"
            yield _at_line(claim_unproven, one.source, claim.line, claim.subject, says=says)


_PLACEHOLDER: Final = re.compile(
    r"\b(?:TODO|FIXME|TBD|TBA|XXX)\b|(?i:\blorem ipsum\b)|⟨missing[^⟩\n]*⟩?|\{\{|\{%"
    r"|<(?i:your|insert|enter|put|fill in|add your|placeholder)\b[^<>\n]*>"
    r"|\[(?i:your|insert|enter|put|fill in|add your|placeholder|name here|to do)\b[^\[\]\n]*\](?![(\[:])"
)


@_words_rule(
    "placeholder-left",
    BLOCKS,
    version=2,
    means="A placeholder was left in the words, or a fact is marked as missing.",
    why="Players read an unfinished sentence, and wonder what else is unfinished.",
    mend="Put the real words in its place, or fill in the fact and draft again.",
    limit="none",
)
def placeholder_left(model: WordsModel) -> Iterator[Finding]:
    """A TODO or its kin, filling text, template braces, ``<your name>`` or the mark of a missing fact.

    The mark of what is known once the archive is built is none before it is built.

    Footnotes ``[1]``, links and check boxes are none of these, nor is the title.
    """
    from companion.words.built import marks_left

    for one in model.own:
        for line, text in islice(_placeholders(one.text, model.story.title.strip()), _MOST):
            yield _at_line(placeholder_left, one, line, text)
        for mark in marks_left(one.text) if model.story.archive_sha256 else ():
            line = one.text.count("\n", 0, one.text.index(mark)) + 1
            yield _at_line(placeholder_left, one, line, mark, limit="known by now: draft the page again")


def _placeholders(text: str, title: str) -> Iterator[tuple[int, str]]:
    from html import unescape

    for number, raw in enumerate(text.split("\n"), 1):
        line = re.sub(r"\\([^\w\s])", r"\1", unescape(raw)).replace(title, "")
        for match in _PLACEHOLDER.finditer(line):
            yield number, match.group()


@_words_rule(
    "page-too-long",
    WARNS,
    means="The download page is longer than the length you set.",
    why="A site that takes no more cuts the end off, and that is where licence and contact stand.",
    mend="Shorten the description, or raise limits.page_characters where the site allows more.",
    limit="limits.page_characters; none by default",
    unit="character",
)
def page_too_long(model: WordsModel) -> Iterator[Finding]:
    """The page as it would be pasted has more characters (Unicode code points) than the maker set."""
    limit = model.page_characters
    for path, page in model.pages.items():
        if limit is not None and len(page) > limit:
            yield page_too_long.finding(path, value=len(page), bound=limit, limit="{bound}")


@_words_rule(
    "media-missing",
    BLOCKS,
    means="The facts name a cover or a preview that is not in the folder.",
    why="The page promises something to hear or to see that is not there.",
    mend="Put the file where the fact says, or mend page.cover or page.previews.",
)
def media_missing(model: WordsModel) -> Iterator[Finding]:
    """Each file that goes up beside the page is in the folder and can be read."""
    for one in model.media:
        if one.size is None:
            yield media_missing.finding(FACTS_FILE, at=At(fact=one.fact), value=one.path, says="not there: {value}")


@_words_rule(
    "media-too-large",
    WARNS,
    means="A cover or a preview is larger than the host of the page takes.",
    why="The upload is refused on the evening of the release, or the host makes it smaller in its own way.",
    mend="Save it smaller or shorter, or raise the limit that the facts set where the host allows more.",
    limit="limits.cover_bytes, cover_pixels, preview_bytes, preview_seconds; none by default",
    unit="bytes",
    version=2,
)
def media_too_large(model: WordsModel) -> Iterator[Finding]:
    """A cover or preview has more bytes, pixels on its longest side or seconds than the maker set."""
    for one in model.media:
        if one.size is not None and one.limit is not None and one.size > one.limit:
            yield media_too_large.finding(one.path, value=one.size, bound=one.limit, limit="{bound}")
        if one.extent is not None and one.longest is not None and one.extent > one.longest:
            unit, says = ("pixel", "longest side {value}") if one.fact == "page.cover" else ("s", "{value} long")
            yield media_too_large.finding(
                one.path, value=one.extent, unit=unit, bound=one.longest, limit="{bound}", says=says
            )


@_words_rule(
    "media-unmeasured",
    WARNS,
    means="A cover or a preview could not be held to the limit you set: it does not read as a picture or a recording.",
    why="The host of the page will not read it either, or refuse it for what nobody has measured.",
    mend="Open it in another program and save it anew, or take limits.cover_pixels or limits.preview_seconds out.",
)
def media_unmeasured(model: WordsModel) -> Iterator[Finding]:
    """What is to be held to a limit in pixels or seconds can be measured."""
    for one in model.media:
        if one.size is not None and one.unread:
            yield media_unmeasured.finding(one.path, value=one.unread, says="not measured: {value}")


# A rule's version rises whenever it may say something else of the same texts.
RULES: Final[tuple[Rule[WordsModel], ...]] = (
    changelog_entry_missing,
    changelog_misses_change,
    readme_missing_part,
    words_disagree,
    claim_unproven,
    placeholder_left,
    page_too_long,
    media_missing,
    media_too_large,
    media_unmeasured,
)
