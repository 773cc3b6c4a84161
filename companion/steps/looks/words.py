"""Words: drafts of changelog, readme and page, and the check that what stands is true."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import msgspec

from companion.core.entries import Kind
from companion.core.errors import CompanionError
from companion.core.files import read_capped, write_safely
from companion.core.folder import Places
from companion.core.rules import findings_of
from companion.core.text import listed, plural, visible
from companion.core.versions import instrument_version
from companion.steps.claims import NOTHING_DENIED, NOTHING_OPEN, said
from companion.steps.desk import Desk
from companion.steps.looks.stated import built
from companion.steps.looks.story import build_story, today
from companion.steps.model import Look
from companion.words.merge import Clash

if TYPE_CHECKING:
    from companion.words.model import Media
    from companion.words.story import Story

What = Literal["changelog", "readme", "page"]
Format = Literal["md", "txt", "html"]

_UNSETTLED: Final = ".unsettled.json"
"""Behind a text's name in the folder of drafts: where the maker's words stand against the draft's."""

_OLDER: Final = ".older.json"
"""Behind a text's name in the folder of drafts: the drafts before the last, since a restore brings back their texts."""

MOST_BASES: Final = 20

MOST_TEXT: Final = 4 << 20
"""Bytes of a text that is read as one; more is no readme."""


class Draft(msgspec.Struct, frozen=True, kw_only=True):
    """A draft merged with what the maker wrote.

    target: where it would be written. base: the draft alone, kept to tell the maker's words from ours next time.
    missing: facts that are missing from it. conflicts: paragraphs of the draft that the maker's own stand in for, told
    until they are settled; clashes: those by place, kept for that. version: of the release it is of.
    """

    what: What
    format: Format
    text: str
    target: Path
    base: str
    missing: tuple[str, ...] = ()
    conflicts: tuple[str, ...] = ()
    clashes: tuple[Clash, ...] = ()
    version: str = ""


def story_of(desk: Desk, what: What) -> Story:
    """Return all that a text may say. A changelog drafted anew is of today; readme and page are of the day it names."""
    stated = desk.facts.instrument.date.strip()
    return build_story(desk, download=what == "page", released_at=stated or (today() if what == "changelog" else ""))


def draft(desk: Desk, what: What, fmt: Format) -> Draft:
    """Return a draft of ``what`` in ``fmt``. Reads, never writes."""
    from companion.words.changelog import merge_entry
    from companion.words.drafts import draft as fresh
    from companion.words.merge import merge, unsettled
    from companion.words.story import missing_names

    story = story_of(desk, what)
    templates = desk.places.templates
    base = fresh(what, fmt, story, templates if templates.is_dir() else None)
    page, shipped = desk.places.releases / f"{desk.stem} page.{fmt}", desk.folder / f"{what.upper()}.{fmt}"
    target = page if what == "page" else shipped  # which lies beside the archive
    source = target if what != "page" or target.exists() else _page_before(desk, fmt) or target
    standing = _text(source)
    last = _base_of(desk.places, source, standing, story.version if what == "changelog" else "")
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
        version=story.version,
    )


def _bases(places: Places, name: str) -> list[str]:
    """Return the drafts that were written to a text of that name, the newest first."""
    newest = _text(places.drafts / name)
    try:
        older = msgspec.json.decode(_text(places.drafts / f"{name}{_OLDER}") or "[]", type=list[str])
    except (msgspec.DecodeError, UnicodeError):
        older = []
    return [] if newest is None else [newest, *reversed(older)]


def _base_of(places: Places, source: Path, standing: str | None, version: str) -> str | None:
    """Return the draft that what stands was made of: after a restore it is not the one that was written last.

    It is the one that shares most lines with it; of a changelog's entries, the last one of ``version``.
    """
    from companion.words.changelog import parse_entry

    bases = _bases(places, source.name)
    if not bases or standing is None:
        return bases[0] if bases else None
    if version:
        return next((base for base in bases if parse_entry(base, version)), bases[0])
    stands = Counter(standing.replace("\r\n", "\n").split("\n"))

    def alike(base: str) -> float:
        lines = Counter(base.split("\n"))
        return (lines & stands).total() * 2 / (lines.total() + stands.total())

    return max(bases, key=alike)


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
        write_safely(places.drafts / f"{drafted.target.name}.before", _bytes(standing), root=places.folder)
    if standing != drafted.text:
        write_safely(drafted.target, _bytes(drafted.text), root=places.folder)
    kept = places.drafts / f"{drafted.target.name}{_UNSETTLED}"
    if drafted.clashes or kept.exists():  # before the base: without it the clash is found again
        write_safely(kept, json.dumps(msgspec.to_builtins(drafted.clashes)).encode("ascii"), root=places.folder)
    bases = _bases(places, drafted.target.name)
    if bases and bases[0] != drafted.base:
        older = [base for base in reversed(bases) if base != drafted.base][-MOST_BASES:]
        write_safely(
            places.drafts / f"{drafted.target.name}{_OLDER}", json.dumps(older).encode("ascii"), root=places.folder
        )
    write_safely(places.drafts / drafted.target.name, _bytes(drafted.base), root=places.folder)


def fill_pages(desk: Desk) -> tuple[str, ...]:
    """Put size and checksum of the archive that was just built into the pages that stand; return their names.

    They take the place of marks, or of what an earlier archive of that name had, and of nothing else. The drafts kept
    to tell the maker's words from ours are filled alike, so that the next draft finds no words of the maker's there.

    Raises :class:`CompanionError` where one cannot be written, once the others are: the archive stands by then, Words
    tells of the page, and packing again fills it.
    """
    from companion.words.built import filled

    known = built(desk)
    if known is None:
        return ()
    formers = {
        (one.details["size"], one.details["sha256"])
        for one in desk.evidence.all("archive")
        if one.details.get("archive") == known["archive"] and "sha256" in one.details
    }
    written, refused = [], None
    for path in desk.pages:
        target = desk.folder / path
        for place in (desk.places.drafts / target.name, target):
            try:
                text = _text(place)
                fresh = filled(text, known["size"], known["sha256"], formers) if text is not None else None
                if fresh is None or fresh == text:
                    continue
                write_safely(place, _bytes(fresh), root=desk.folder)
            except CompanionError as error:
                refused = error
                continue
            if place == target:
                written.append(target.name)
    if refused:
        what = f"The archive is built, but a page could not be given its checksum: {refused.what}"
        raise CompanionError(what, refused.where, f"{refused.do}; then pack again")
    return tuple(written)


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape")


def _text(path: Path) -> str | None:
    if not path.is_file():
        return None
    return read_capped(path, MOST_TEXT, "text").decode("utf-8", "surrogateescape")


def _checksums(desk: Desk) -> frozenset[str]:
    """Return the SHA-256 of each archive known to hold exactly this content, whoever judged it then."""
    built_of_it = desk.evidence.of_content("archive", desk.mark("archive"))
    known = {str(one.details["sha256"]) for one in built_of_it if "sha256" in one.details}
    return frozenset(known | ({desk.release_of_this.sha256} if desk.release_of_this else set()))


def _media(desk: Desk) -> tuple[Media, ...]:
    """Return what goes up beside the page; opened only where there is a limit that asks for it."""
    from companion.steps.looks.media import cover_side, preview_lengths
    from companion.words.model import Media

    page, limits = desk.facts.page, desk.facts.limits
    there = {path: one for path in (page.cover, *page.previews) if (one := desk.by_path.get(path)) and not one.problem}
    extents: dict[str, float | str] = {}
    if limits.preview_seconds is not None:
        extents |= preview_lengths(desk, [there[path] for path in page.previews if path in there])
    if limits.cover_pixels is not None and page.cover in there:
        extents[page.cover] = cover_side(desk.folder / page.cover)

    def media(fact: str, path: str, limit: int | None, longest: float | None) -> Media:
        extent = extents.get(path) if longest is not None else None
        return Media(
            fact=fact,
            path=path,
            size=there[path].size if path in there else None,
            limit=limit,
            extent=None if isinstance(extent, str) else extent,
            longest=longest,
            unread=extent if isinstance(extent, str) else "",
        )

    covers = [media("page.cover", page.cover, limits.cover_bytes, limits.cover_pixels)] if page.cover else []
    previews = [media("page.previews", path, limits.preview_bytes, limits.preview_seconds) for path in page.previews]
    return (*covers, *previews)


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
        media=_media(desk),
        checksums=_checksums(desk),
    )
    findings = tuple(findings_of(RULES, model))
    what = f"{plural(len(texts), 'text')} and {plural(len(pages), 'page')}"
    facts = sorted({fact for found in model.compared.values() for fact in found})
    because = f"compared with facts and evidence in {what}: {listed([*facts, 'tests claimed'], 20)}"
    if others := listed([visible(path) for path in model.other_languages], 3):
        because += f"; not in English, so that only values were compared: {others}"
    because = "; ".join([because, *said(findings, NOTHING_DENIED, NOTHING_OPEN)])
    return Look(findings=findings, details={"because": because, "compared": model.compared})
