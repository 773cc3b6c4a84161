"""A text as it is worked on: whose each paragraph is, what it rests on, and what the maker does about the others."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import SequenceMatcher
from functools import partial
from typing import Literal

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import read_capped
from companion.core.text import visible_lines
from companion.steps.desk import Desk
from companion.steps.looks.words import MOST_TEXT, Draft, Format, What, draft
from companion.steps.looks.words import story_of as story_of_text

Whose = Literal["drafted", "own", "before"]
"""drafted: written by us, as facts and evidence have it. own: the maker's words. before: what stood in a changelog."""


class WordedPart(msgspec.Struct, frozen=True, kw_only=True):
    """A paragraph, list item or heading, and what it rests on; nothing where it is the maker's, or advice."""

    text: str
    whose: Whose
    rests: tuple[str, ...] = ()


class Worded(msgspec.Struct, frozen=True, kw_only=True):
    """A text by its parts. standing: what stands on the disk now; None where nothing does. limit: most characters."""

    draft: Draft
    parts: tuple[WordedPart, ...]
    standing: str | None
    limit: int | None

    @property
    def editable(self) -> bool:
        """Whether the text can be shown as it is: no bytes that are no text, nothing that steers a terminal."""
        plain = self.draft.text.replace("\r\n", "\n")
        return visible_lines(plain) == plain


def standing(drafted: Draft) -> str | None:
    """Return what stands where a draft would be written."""
    if not drafted.target.is_file():
        return None
    return read_capped(drafted.target, MOST_TEXT, "text").decode("utf-8", "surrogateescape")


def worded(desk: Desk, what: What, fmt: Format) -> Worded:
    """Return a text by its parts, each with what it rests on."""
    from companion.words.drafts import draft as fresh
    from companion.words.grounds import grounds_of

    drafted = draft(desk, what, fmt)
    templates = desk.places.templates
    render = partial(_drafted, fresh, what, fmt, templates if templates.is_dir() else None)
    grounds = grounds_of(render, story_of_text(desk, what))
    stands = standing(drafted)
    parts = tuple(parts_of(drafted.text, drafted.base, grounds, drafted.what, drafted.version))
    if stands is None:  # the head of a changelog that is new is ours as well
        parts = tuple(msgspec.structs.replace(part, whose="drafted") for part in parts)
    return Worded(
        draft=drafted,
        parts=parts,
        standing=stands,
        limit=desk.facts.limits.page_characters if what == "page" else None,
    )


def _drafted(fresh: object, what: What, fmt: Format, templates: object, story: object) -> str:
    try:
        return fresh(what, fmt, story, templates)  # type: ignore[operator, no-any-return]
    except CompanionError:
        return ""  # a template of the maker's that cannot do without it: all of it rests on it


def parts_of(
    text: str, base: str, grounds: dict[str, tuple[str, ...]], what: str, version: str
) -> Iterable[WordedPart]:
    """Yield the parts of ``text``; those that stand in ``base`` in the same order are drafted.

    Of a changelog, what lies outside of the entry of ``version`` stood there before.
    """
    from companion.words.changelog import parse_entry
    from companion.words.merge import units

    plain = text.replace("\r\n", "\n")
    first, last = 0, len(plain.split("\n"))
    if what == "changelog" and (entry := parse_entry(plain, version)):
        first, last = entry.start, entry.end
    found, ours = units(plain), units(base.replace("\r\n", "\n"))
    matcher = SequenceMatcher(None, found, ours, autojunk=False)
    drafted = {block.a + n for block in matcher.get_matching_blocks() for n in range(block.size)}
    line = 0
    for number, unit in enumerate(found):
        inside = first <= line < last
        line += unit.count("\n") + 1
        if unit.strip():
            whose: Whose = "before" if not inside else "drafted" if number in drafted else "own"
            yield WordedPart(text=unit, whose=whose, rests=grounds.get(unit, ()) if whose == "drafted" else ())


def settled(drafted: Draft, which: Literal["mine", "draft"], place: int | None = None) -> Draft:
    """Return a draft with one conflict settled, or all: the maker's words stay, or the draft's take their place."""
    text, left = drafted.text, []
    for number, clash in enumerate(drafted.clashes):
        if place not in (None, number):
            left.append(clash)
        elif which == "draft":
            text = text.replace(clash.own, "\n".join(clash.drafted), 1)
    told = {one for clash in left for one in clash.drafted}
    gone = {one for clash in drafted.clashes for one in clash.drafted} - told
    conflicts = tuple(one for one in drafted.conflicts if one not in gone)
    return msgspec.structs.replace(drafted, text=text, clashes=tuple(left), conflicts=conflicts)
