"""Words: drafts of changelog, readme and page, and the check that what stands is true."""

import json
from pathlib import Path
from typing import Final, Literal

import msgspec

from companion.core.entries import Kind
from companion.core.errors import CompanionError
from companion.core.files import read_capped, write_safely
from companion.core.folder import Places
from companion.core.rules import findings_of
from companion.core.text import listed, plural, visible
from companion.core.versions import instrument_version
from companion.steps.desk import Desk
from companion.steps.looks.story import build_story
from companion.steps.model import Look
from companion.words.merge import Clash

What = Literal["changelog", "readme", "page"]
Format = Literal["md", "txt", "html"]

_UNSETTLED: Final = ".unsettled.json"
"""Behind a text's name in the folder of drafts: where the maker's words stand against the draft's."""

MOST_TEXT: Final = 4 << 20
"""Bytes of a text that is read as one; more is no readme."""


class Draft(msgspec.Struct, frozen=True, kw_only=True):
    """A draft merged with what the maker wrote.

    target: where it would be written. base: the draft alone, kept to tell the maker's words from ours next time.
    missing: facts that are missing from it. conflicts: paragraphs of the draft that the maker's own stand in for, told
    until they are settled; clashes: those by place, kept for that.
    """

    what: What
    format: Format
    text: str
    target: Path
    base: str
    missing: tuple[str, ...] = ()
    conflicts: tuple[str, ...] = ()
    clashes: tuple[Clash, ...] = ()


def draft(desk: Desk, what: What, fmt: Format) -> Draft:
    """Return a draft of ``what`` in ``fmt``. Reads, never writes."""
    from companion.words.changelog import merge_entry
    from companion.words.drafts import draft as fresh
    from companion.words.merge import merge, unsettled
    from companion.words.story import missing_names

    story = build_story(desk, download=what == "page")
    templates = desk.places.templates
    base = fresh(what, fmt, story, templates if templates.is_dir() else None)
    page, shipped = desk.places.releases / f"{desk.stem} page.{fmt}", desk.folder / f"{what.upper()}.{fmt}"
    target = page if what == "page" else shipped  # which lies beside the archive
    source = target if what != "page" or target.exists() else _page_before(desk, fmt) or target
    standing = _text(source)
    last = _text(desk.places.drafts / source.name)
    if what == "changelog" and fmt != "html":
        merged = merge_entry(standing or "", base, story.version, last)
    else:
        merged = merge(last, standing, base)
    merged = unsettled(_clashes(desk.places, source), merged, base)
    return Draft(
        what=what,
        format=fmt,
        text=merged.text,
        target=target,
        base=base,
        missing=missing_names(story),
        conflicts=merged.conflicts,
        clashes=merged.clashes,
    )


def _page_before(desk: Desk, fmt: Format) -> Path | None:
    """Return the page to go on from where this version has none yet: the highest below it, else the highest."""
    found = []
    for path in desk.places.releases.glob(f"* page.{fmt}"):
        words = path.name.removesuffix(f" page.{fmt}").split()
        if version := instrument_version(words[-1] if words else ""):
            found.append((version, path))
    own = instrument_version(desk.facts.instrument.version)
    below = [one for one in found if own and one[0] < own]
    return max(below or found)[1] if found else None


def _clashes(places: Places, target: Path) -> list[Clash]:
    """Return what was told of a text and not settled; what does not read was never told."""
    kept = _text(places.drafts / f"{target.name}{_UNSETTLED}")
    try:
        return msgspec.json.decode(kept or "[]", type=list[Clash])
    except (msgspec.DecodeError, UnicodeError):
        return []


def write(places: Places, drafted: Draft) -> None:
    """Write a draft to its place. What stood there is kept in ``.companion/drafts`` first."""
    standing = _text(drafted.target)
    if standing is not None and standing != drafted.text:
        write_safely(places.drafts / f"{drafted.target.name}.before", _bytes(standing))
    if standing != drafted.text:
        write_safely(drafted.target, _bytes(drafted.text))
    kept = places.drafts / f"{drafted.target.name}{_UNSETTLED}"
    if drafted.clashes or kept.exists():  # before the base: without it the clash is found again
        write_safely(kept, json.dumps(msgspec.to_builtins(drafted.clashes)).encode("ascii"))
    write_safely(places.drafts / drafted.target.name, _bytes(drafted.base))


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape")


def _text(path: Path) -> str | None:
    if not path.is_file():
        return None
    return read_capped(path, MOST_TEXT, "text").decode("utf-8", "surrogateescape")


def look_words(desk: Desk) -> Look:
    """Judge the texts that ship, and the page, against facts and evidence."""
    from companion.words.model import WordsModel
    from companion.words.rules import RULES

    texts, odd = {}, []
    for entry in desk.of_kind(Kind.DOCUMENT):
        if entry.suffix in (".md", ".txt", ".html", ".htm", "") and entry.size <= MOST_TEXT and not entry.problem:
            try:
                texts[entry.path] = read_capped(desk.folder / entry.path, MOST_TEXT, "text").decode("utf-8", "replace")
            except CompanionError:
                odd.append(entry.path)  # Contents says why it cannot be read
    pages = desk.pages or {"": draft(desk, "page", "md").text}
    model = WordsModel(
        texts=texts,
        story=build_story(desk, download=True),
        pages=pages,
        page_characters=desk.facts.limits.page_characters,
    )
    what = f"{plural(len(texts), 'text')} and {plural(len(pages), 'page')}"
    because = f"versions, needs, counts and tests claimed in {what} agree with facts and evidence"
    if others := listed([visible(path) for path in model.other_languages], 3):
        because += f"; not in English, so that only values were compared: {others}"
    return Look(findings=tuple(findings_of(RULES, model)), details={"because": because})
