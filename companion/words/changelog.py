"""The changelog: found, split, drafted and inserted without touching what stands.

Entries follow Keep a Changelog 1.1.0 (https://keepachangelog.com/en/1.1.0/): newest first, ``## [1.2.0] - 2026-01-31``,
groups beneath. Other makers' habits of writing a version's heading are read as well.
"""

import re
from itertools import pairwise
from typing import Final

import msgspec

from companion.core.versions import INSTRUMENT, instrument_version
from companion.words.markdown import blocks
from companion.words.merge import Merged, merge
from companion.words.plain import Passage, is_html, passages

HEADER: Final = "# Changelog\n\nWhat changed from release to release, the newest first.\n"
HEADER_TXT: Final = "Changelog\n=========\n\nWhat changed from release to release, the newest first.\n"

_REST: Final = (
    r"\]?(?:\([^)\s]*\))?(?:[\s,:(–—-]+(?P<date>\d{4}-\d{2}-\d{2})\)?)?(?:\s*\[yanked\])?:?"  # after the number
)
_BARE: Final = re.compile(rf"\[?(?:version |v)?(?P<version>{INSTRUMENT}|\d+){_REST}", re.IGNORECASE)
_TITLED: Final = re.compile(rf"[^\d\n]{{1,80}}\s\[?v?(?P<version>{INSTRUMENT}){_REST}", re.IGNORECASE)
_REFERENCE: Final = re.compile(r"\s{0,3}\[[^\]]+\]:\s*\S")


class ChangelogEntry(msgspec.Struct, frozen=True, kw_only=True):
    """One version's part of a changelog: lines ``start`` up to ``end`` (from 0), heading included in ``text``.

    body: the text under the heading, from the line ``body_line`` (from 1). date: ISO 8601, or empty where the heading
    has none.
    """

    version: str
    date: str
    start: int
    end: int
    text: str
    body: str
    body_line: int


class _Heading(msgspec.Struct, frozen=True):
    line: int
    level: int
    size: int
    version: str
    date: str


def _headings(text: str) -> list[_Heading]:
    """Return every heading, those that name no version with an empty one."""
    found: list[_Heading] = []
    tokens, _, _ = blocks(text)
    for opened, token in pairwise(tokens):
        if token.type != "inline" or opened.level or not opened.map:
            continue
        content = token.content.replace("\\", "").replace("*", "").strip()
        if opened.type == "heading_open":
            level, size = int(opened.tag[1]), opened.map[1] - opened.map[0]
            match = _BARE.fullmatch(content) or (_TITLED.fullmatch(content) if level < 3 else None)
        else:  # a line with a version and its date heads an entry in a plain text
            level, size = 2, 1
            match = _BARE.fullmatch(content.split("\n", 1)[0])
            if not match or not match["date"]:
                continue
        version, date = (match["version"], match["date"] or "") if match else ("", "")
        found.append(_Heading(opened.map[0], level, size, version, date))
    return found


def entries(text: str) -> tuple[ChangelogEntry, ...]:
    """Return the entries of a changelog in Markdown or plain text, in the order they stand."""
    text = text.replace("\r\n", "\n")
    lines, headings = text.split("\n"), _headings(text)
    levels = [heading.level for heading in headings if heading.version]
    if not levels:
        return ()
    # A title may carry a version too (“# Slate Choir 1.2”); entries are the level that most versions stand on.
    level = max(sorted(set(levels), reverse=True), key=levels.count)
    end = _before_links(lines)
    found = []
    for heading in reversed([heading for heading in headings if heading.level <= level]):
        if heading.level == level and heading.version:
            end = max(end, heading.line + 1)
            body = "\n".join(lines[heading.line + heading.size : end])
            entry = ChangelogEntry(
                version=heading.version,
                date=heading.date,
                start=heading.line,
                end=end,
                text="\n".join(lines[heading.line : end]),
                body=body.strip("\n"),
                body_line=heading.line + heading.size + len(body) - len(body.lstrip("\n")) + 1,
            )
            found.append(entry)
        end = heading.line
    return tuple(reversed(found))


def _before_links(lines: list[str]) -> int:
    """Return the line where the links begin that Keep a Changelog gathers at the end: they belong to no entry."""
    end = len(lines)
    while end and (not lines[end - 1].strip() or _REFERENCE.match(lines[end - 1])):
        end -= 1
    return end


def _same(one: str, other: str) -> bool:
    first, second = instrument_version(one), instrument_version(other)
    return first == second if first and second else one.strip() == other.strip()


def parse_entry(text: str, version: str) -> ChangelogEntry | None:
    """Return the entry of ``version`` (``1.0`` and ``1.0.0`` are one), or None."""
    return next((entry for entry in entries(text) if _same(entry.version, version)), None)


class EntryRead(msgspec.Struct, frozen=True, kw_only=True):
    """An entry as a reader sees it. line: of its heading, from 1. passages: what stands under that."""

    line: int
    passages: list[Passage]


def read_entry(text: str, version: str, path: str = "") -> EntryRead | None:
    """Return the entry of ``version`` in a changelog of any of the three formats, or None."""
    if not is_html(text, path):
        entry = parse_entry(text, version)
        if entry is None:
            return None
        return EntryRead(line=entry.start + 1, passages=passages(entry.body, "", entry.body_line))
    found: EntryRead | None = None
    for passage in passages(text, path):
        match = _BARE.fullmatch(passage.text) or _TITLED.fullmatch(passage.text) if passage.heading else None
        if match and found:
            break
        if match and _same(match["version"], version):
            found = EntryRead(line=passage.lines[0], passages=[])
        elif found:
            found.passages.append(passage)
    return found


def merge_entry(standing: str, entry: str, version: str, last_entry: str | None = None) -> Merged:
    """Return ``standing`` with ``entry`` as the entry of ``version``, everything else byte for byte as it was.

    last_entry: the entry drafted before, of whatever version. A standing entry of this version is the maker's where
    no draft of it is known, and then stays as it is; otherwise the two are merged and the maker's lines kept. A new
    entry goes above the newest, below what is unreleased.
    """
    newline = "\r\n" if "\r\n" in standing else "\n"
    drafted = entry.strip("\n").replace("\r\n", "\n")
    if not standing.strip():
        header = HEADER if drafted.startswith("#") else HEADER_TXT
        return Merged(text=f"{header}\n{drafted}\n")
    lines = standing.split("\n")
    there = parse_entry(standing, version)
    if there:
        if last_entry is None or not parse_entry(last_entry, version):
            return Merged(text=standing, conflicts=() if there.text.strip() == drafted.strip() else (drafted,))
        stands = "\n".join(lines[there.start : there.end])
        tail = stands[len(stands.rstrip()) :]
        merged = merge(last_entry.strip("\n"), stands.rstrip(), drafted)
        body = merged.text if merged.text == stands.rstrip() else merged.text.replace("\n", newline)
        text = "\n".join([*lines[: there.start], body + tail, *lines[there.end :]])
        return msgspec.structs.replace(merged, text=text)
    unread = [text for text in (drafted, (last_entry or "").strip("\n")) if text and not entries(text)]
    for text in unread:  # a heading of a template's own, or one that lacks its version: known by its words alone
        if text in standing.replace("\r\n", "\n"):
            return Merged(text=standing.replace(text.replace("\n", newline), drafted.replace("\n", newline), 1))
    newest = next(iter(entries(standing)), None)
    at = newest.start if newest else _before_links(lines)
    parted = [""] if "".join(lines[at : at + 1]).strip() else []
    block = newline.join([*drafted.split("\n"), *parted, ""])
    head = "\n".join(lines[:at]) + ("\n" if at else "")
    if head.strip() and not head.endswith(("\n\n", "\n\r\n")):
        head += newline if head.endswith("\n") else newline * 2
    return Merged(text=head + block + "\n".join(lines[at:]))
