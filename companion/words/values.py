"""Statements of names and values in a text: contact, maker, licence, title, edition, sizes, keys, patches, dates.

Only what is plainly a statement of that fact is read: a name behind its label, a size in its own clause, keys behind
their layer. What stands in the plan of something else, of another version or of another file, is nobody's statement.
"""

import re
from collections.abc import Iterator
from datetime import date
from typing import Final

import msgspec

from companion.core.text import listed
from companion.core.units import both_bytes, read_note
from companion.core.versions import INSTRUMENT, instrument_version
from companion.words.licences import licence_ids
from companion.words.plain import Passage
from companion.words.story import Story


class Stated(msgspec.Struct, frozen=True):
    """A statement of a text. form: so that like is weighed with like. facts: what the facts say of it. right: whether
    it says the same. line: of the source. fact: what it is a statement of, in a word or two.
    """

    form: str
    right: bool
    line: int
    text: str
    facts: str
    fact: str


class TextRead(msgspec.Struct, frozen=True, kw_only=True):
    """What is read against what. main: a readme or a page, which says whose it is. page: a download page.

    day: the day that the changelog gives this version, ISO 8601; empty: none. english: whether sentences are read.
    checksums: SHA-256 of the archives known to hold exactly this content.
    """

    found: list[Passage]
    story: Story
    main: bool = False
    page: bool = False
    english: bool = True
    day: str = ""
    checksums: frozenset[str] = frozenset()

    def sections(self) -> Iterator[tuple[str, Passage]]:
        """Yield each passage with the heading it stands under, in lower case."""
        section = ""
        for passage in self.found:
            if passage.heading:
                section = passage.text.casefold()
            yield section, passage


def values(reading: TextRead) -> Iterator[Stated]:
    """Yield what ``reading`` states, right or wrong. In a text that is not in English names and dates alone."""
    if reading.main:
        yield from _title(reading)
    for read in (_maker, _licence, _patches, _dates, *((_contact, _edition, _sizes, _keys) if reading.english else ())):
        yield from read(reading)
    if reading.page:
        yield from _checksums(reading)


def _plain(text: str) -> str:
    return " ".join(re.split(r"[\s_-]+", text.casefold())).strip(" .")


_NO_TITLE: Final = re.compile(
    r"\b(?:read\s?me|lies\s?mich|welcome|hello|thanks?|thank you|about|notes?|download|instructions?|manual|guide"
    r"|version|changelog|what|how|before|willkommen|danke|bienvenue)\b",
    re.IGNORECASE,
)


def _title(reading: TextRead) -> Iterator[Stated]:
    """A readme and a page name the instrument; where they name it nowhere, their first heading is another's name."""
    title = reading.story.title.strip()
    heading = next((passage for passage in reading.found if passage.heading), None)
    if not title or heading is None:
        return
    named = any(_plain(title) in _plain(passage.text) for passage in reading.found)
    if named or not _NO_TITLE.search(heading.text):
        yield Stated("title", named, heading.lines[0], heading.text, title, "title")


_MAKER: Final = re.compile(
    rf"(?:version\s+v?{INSTRUMENT}(?:,\s*[\w ,-]{{4,24}}?)?,\s*by\s+"
    r"|(?:maker|made by|author|by|published by|publisher|hersteller|von)\s*:\s*)(?P<maker>[^.;(]{1,80}?)\.?$",
    re.IGNORECASE,
)


def _maker(reading: TextRead) -> Iterator[Stated]:
    maker = reading.story.maker.strip()
    for passage in reading.found if maker else ():
        if match := _MAKER.match(passage.text):
            right = _plain(maker) in _plain(match["maker"]) or _plain(match["maker"]) in _plain(maker)
            yield Stated("maker", right, passage.lines[0], passage.text, f"by {maker}", "maker")


_CONTACT: Final = re.compile(
    r"\b(?:contact|write to|questions?|e-?mail|mail|reach (?:us|me)|support|get in touch)\b", re.IGNORECASE
)
_ADDRESSES: Final = {
    "mail": re.compile(r"(?<![\w.+/-])[\w.+-]+@[\w-]+(?:\.[\w-]+)+"),
    "page": re.compile(r"https?://[^\s<>\"')\]]*[^\s<>\"')\].,;:!?]"),
}


def _contact(reading: TextRead) -> Iterator[Stated]:
    """Addresses are held to the contact of their own kind: mail to mail, page to page.

    Where the contact stands at all, others are those of other people and of other pages.
    """
    contact = reading.story.contact.strip().removeprefix("mailto:")
    kind = next((kind for kind, pattern in _ADDRESSES.items() if pattern.fullmatch(contact)), "")
    for section, passage in reading.sections() if kind else ():
        about = _CONTACT.search(passage.text) or _CONTACT.search(section)
        for match in _ADDRESSES[kind].finditer(passage.text):
            right = match.group().rstrip("/").casefold() == contact.rstrip("/").casefold()
            if right or about:
                yield Stated("contact", right, passage.line_at(match.start()), match.group(), contact, "contact")


_LICENCE: Final = re.compile(r"\w*(?:licen[cs]|lizenz|licenz|licenç)\w*", re.IGNORECASE)
_SENTENCE: Final = re.compile(r"(?<=[.!?;])\s+(?=\S)")
_CC: Final = re.compile(
    r"\bCC(?P<zero>0)?(?:[ -]?(?P<by>BY(?:-(?:NC|SA|ND))*))?(?:[ -](?P<version>\d\.\d))?(?![\w.]*\w)", re.IGNORECASE
)
_SPDX: Final = re.compile(
    r"(?<![\w.-])(?:[A-Za-z][A-Za-z0-9.+]{0,30}-[A-Za-z0-9.+-]{0,60}\d(?:[\w.+-]{0,30}\w)?|MIT|ISC|Unlicense)(?![\w-])"
)


def _licences_in(sentence: str) -> Iterator[tuple[int, str, str]]:
    """Yield (place, text, SPDX identifier or how it begins) of each licence that a sentence names."""
    for match in _CC.finditer(sentence):
        if match["zero"] or match["by"]:
            name = "CC0-1.0" if match["zero"] else f"CC-{match['by']}-{match['version'] or ''}"
            yield match.start(), match.group(), name
    for match in _SPDX.finditer(sentence):
        if not match.group().upper().startswith("CC") and licence_ids(match.group()):
            yield match.start(), match.group(), match.group()


def _licence(reading: TextRead) -> Iterator[Stated]:
    ours = [name.casefold() for name in licence_ids(reading.story.licence)]
    for section, passage in reading.sections() if ours else ():
        at = 0
        for sentence in _SENTENCE.split(passage.text):
            at = passage.text.index(sentence, at)
            about = _LICENCE.search(sentence) or _LICENCE.search(section)
            for place, text, name in _licences_in(sentence):
                right = any(one.startswith(name.casefold()) for one in ours)
                if right or about:
                    line = passage.line_at(at + place)
                    yield Stated("licence", right, line, text, reading.story.licence, "licence")


_NO_EDITION: Final = re.compile(
    "a|an|the|this|that|each|every|any|first|second|third|special|limited|new|other|older|which|what"
)


def _edition(reading: TextRead) -> Iterator[Stated]:
    story = reading.story
    if not story.edition.strip() or not story.engine.strip():
        return
    pattern = re.compile(
        rf"(?<!\w){re.escape(story.engine.strip())}(?!\w)[^;!?]{{0,60}}?\b(?P<name>[\w’'-]+)\s+edition\b", re.IGNORECASE
    )
    for passage in reading.found:
        for match in pattern.finditer(passage.text):
            name = match["name"].casefold()
            if name == _plain(story.edition) or not _NO_EDITION.fullmatch(name):
                right = name in _plain(story.edition).split()
                facts = f"{story.edition} edition"
                yield Stated("edition", right, passage.line_at(match.start()), match.group(), facts, "edition")


_SIZE: Final = re.compile(r"(?<![\w.,])(?P<number>\d{1,3}(?:,\d{3})+|\d+(?:[.,]\d+)?)\s?(?P<unit>[kKMGT])i?B\b")
_OTHER_SIZE: Final = re.compile(
    r"\b(?:was|were|update|older|earlier|previous|preview|free|at least|about twice|demo|than|each|per|up to|over"
    r"|under|more|less|limit)\b",
    re.IGNORECASE,
)
_ON_DISK: Final = re.compile(r"\b(?:on (?:your )?disk|unzipped|unpacked|once installed)\b", re.IGNORECASE)
_FETCHED: Final = re.compile(r"\bdownload(?:s|ing)?\b", re.IGNORECASE)
_NEAR: Final = 0.06
"""How far a size may be off: people round, and call both powers of 1000 and of 1024 by one name."""


def _sizes(reading: TextRead) -> Iterator[Stated]:
    story = reading.story
    for passage in reading.found:
        for start, clause in _clauses(passage.text):
            form, size = _meant(clause, story)
            # One size may stand there in two units.
            if size and (found := list(_SIZE.finditer(clause))):
                right = any(_is_size(match, size) for match in found)
                line = passage.line_at(start + found[0].start())
                yield Stated(form, right, line, found[0].group(), f"{both_bytes(size)}, {form}", "sizes")


def _meant(clause: str, story: Story) -> tuple[str, int | None]:
    """Return which size a clause states, and what is known of it; None where it is none of ours."""
    update = _update_named(clause, story)
    if of := next((one for one in story.updates if one.archive.casefold() == update), None):
        return f"size of {of.archive}", of.size_bytes
    if _OTHER_SIZE.search(clause):
        return "", None
    if _ON_DISK.search(clause):
        return "size on disk", story.unpacked_bytes
    named = bool(story.archive) and story.archive.casefold() in clause.casefold()
    return "download size", story.download_bytes if named or _FETCHED.search(clause) else None


def _clauses(text: str) -> Iterator[tuple[int, str]]:
    at = 0
    for clause in re.split(r"(?<=[.!?])\s+|;\s|\s[–—]\s|,\s(?:and|but|besides)\s", text):
        at = text.index(clause, at)
        yield at, clause
        at += len(clause)


def _is_size(match: re.Match[str], size: int) -> bool:
    text = match["number"]
    number = float(text.replace(",", "") if re.fullmatch(r"\d{1,3}(?:,\d{3})+", text) else text.replace(",", "."))
    power = "kmgt".index(match["unit"].lower()) + 1
    return any(abs(number * base**power - size) <= _NEAR * size for base in (1000, 1024))


_NOTE: Final = r"[A-Ga-g][#♯b♭]?-?\d|\d{1,3}"
_BETWEEN: Final = r"\s*(?:to|–|—|-|through)\s*"


def _keys(reading: TextRead) -> Iterator[Stated]:
    for layer in reading.story.layers:
        ours = [read_note(note)[0] for note in re.findall(rf"\b(?:{_NOTE})(?!\w)", layer.keys)]
        if not layer.name.strip() or len(ours) != 2:
            continue
        pattern = re.compile(
            rf"{re.escape(layer.name.strip())}\s*[,:(–—-]\s*(?:keys\s+|MIDI notes\s+)?"
            rf"(?P<low>{_NOTE}){_BETWEEN}(?P<high>{_NOTE})(?![\w.])",
            re.IGNORECASE,
        )
        for passage in reading.found:
            if match := pattern.match(passage.text):
                right = [read_note(match["low"])[0], read_note(match["high"])[0]] == ours
                facts = f"{layer.name}, {layer.keys}"
                yield Stated(f"keys {layer.name}", right, passage.lines[0], match.group(), facts, "key ranges")
    if reading.story.middle_c:
        for passage in reading.found:
            if match := _MIDDLE_C.search(passage.text):
                right = match["name"].upper() == reading.story.middle_c
                facts = f"middle C is {reading.story.middle_c}"
                yield Stated("middle C", right, passage.line_at(match.start()), match.group(), facts, "middle C")


_MIDDLE_C: Final = re.compile(r"\bmiddle C\b[^.;]{0,30}?\b(?:is|as|called|=)\s+(?P<name>C[345])\b", re.IGNORECASE)

_OF_ANYTHING: Final = frozenset(
    ["txt", "md", "pdf", "html", "htm", "rtf", "png", "jpg", "wav", "aif", "flac", "ogg", "mid", "zip", "json", "xml"]
)
"""Endings of files that need not be patches, though a patch may have one of them."""

_LONGEST_NAME: Final = 260
_GONE: Final = re.compile(
    r"\b(?:removed|renamed|gone|no longer|instead|earlier|former(?:ly)?|used to|old|older|deleted?|replaced|until"
    r"|now)\b",
    re.IGNORECASE,
)
_PAST: Final = re.compile(r"\b(?:changed?|changes|changelog|history|earlier|songs made|news?|what's new)\b")


def _patches(reading: TextRead) -> Iterator[Stated]:
    names = [path.rpartition("/")[2] for path in reading.story.patches]
    endings = {name.rpartition(".")[2] for name in names if "." in name} - _OF_ANYTHING
    if not endings:
        return
    pattern = re.compile(rf"(?<=[\w)\]])\.(?:{'|'.join(map(re.escape, sorted(endings)))})(?![\w-])", re.IGNORECASE)
    for section, passage in reading.sections():
        if _GONE.search(passage.text) or _PAST.search(section):
            continue
        for match in pattern.finditer(passage.text):
            before = passage.text[max(0, match.end() - _LONGEST_NAME) : match.end()]
            right = any(before.casefold().endswith(name.casefold()) for name in names)
            text = re.split(
                r"[“”\"():,/]|(?:^|\s)(?:open|load|start with|is|in|and|the|with)\s",
                before,
                flags=re.IGNORECASE,
            )[-1]
            form = f"patch {text.strip().casefold()}" if reading.english else "patch"
            line = passage.line_at(match.start())
            yield Stated(form, right, line, text.strip()[-80:], f"the patches {listed(names, 6)}", "patches")


_JANUARY_ON: Final = """
january february march april may june july august september october november december
"""
_MONTHS: Final = tuple(_JANUARY_ON.split())
_DATE: Final = (
    rf"(?P<iso>\d{{4}}-\d{{2}}-\d{{2}})|(?P<day>\d{{1,2}})\.? (?P<month>{'|'.join(_MONTHS)}),? (?P<year>\d{{4}})"
    rf"|(?P<month2>{'|'.join(_MONTHS)}) (?P<day2>\d{{1,2}}),? (?P<year2>\d{{4}})"
)
_DATED: Final = re.compile(
    rf"(?:.{{0,60}}?\b(?:version\s+)?v?(?P<version>{INSTRUMENT})\s*[,(–—-]+\s*(?:released (?:on )?)?"
    rf"|(?:released|release date|date)\s*:?\s*(?:on\s+)?)(?:{_DATE})",
    re.IGNORECASE,
)


def _day(match: re.Match[str]) -> date | None:
    try:
        if match["iso"]:
            return date.fromisoformat(match["iso"])
        month = (match["month"] or match["month2"]).lower()
        return date(int(match["year"] or match["year2"]), _MONTHS.index(month) + 1, int(match["day"] or match["day2"]))
    except ValueError:
        return None


def _dates(reading: TextRead) -> Iterator[Stated]:
    """The day that this version is said to be of; that of another version is its own affair."""
    version = instrument_version(reading.story.version)
    for passage in reading.found if reading.day and version else ():
        match = _DATED.match(passage.text)
        if match and (match["version"] is None or instrument_version(match["version"]) == version):
            stated = _day(match)
            if stated is not None:
                right, facts = stated.isoformat() == reading.day, f"{reading.day}, as in the changelog"
                yield Stated("date", right, passage.line_at(match.end() - 1), match.group().strip(), facts, "dates")


_CHECKSUM: Final = re.compile(r"(?<!\w)[0-9a-f]{64}(?!\w)", re.IGNORECASE)
_ARCHIVE: Final = re.compile(r"\.zip\b", re.IGNORECASE)
_BESIDE: Final = 300
"""Characters around a value in which the name stands that it belongs to."""


def _checksums(reading: TextRead) -> Iterator[Stated]:
    """A checksum on the page is the archive's, or the update archive's that is named before it; of any other archive
    that is named there it is no business of ours.
    """
    story = reading.story
    before = ""
    for passage in reading.found:
        for match in _CHECKSUM.finditer(passage.text):
            ahead = f"{before} {passage.text[max(0, match.start() - _BESIDE) : match.start()]}"
            near = f"{ahead}{passage.text[match.start() : match.end() + _BESIDE]}"
            line, text = passage.line_at(match.start()), match.group()
            if (archive := _update_named(ahead, story)) is not None:
                of = {one.archive.casefold(): one for one in story.updates}.get(archive)
                facts = f"{of.sha256}, of {of.archive}" if of else "no such update of this content is built"
                right = of is not None and text.lower() == of.sha256
                yield Stated(f"checksum of {archive}", right, line, text, facts, "checksum")
            elif not (_ARCHIVE.search(near) and story.archive and story.archive.casefold() not in near.casefold()):
                facts = " or ".join(sorted(reading.checksums)) or "no archive of this content is built"
                yield Stated("checksum", text.lower() in reading.checksums, line, text, facts, "checksum")
        before = passage.text[-_BESIDE:]


def _update_named(text: str, story: Story) -> str | None:
    """Return the name, case-folded, of the update to this version that ``text`` names last of all archives.

    None where it names none, or another archive behind it.
    """
    named = text.casefold()[: max((match.end() for match in _ARCHIVE.finditer(text.casefold())), default=0)]
    ours = (one.archive.casefold() for one in story.updates)
    if known := next((name for name in ours if named.endswith(name)), None):
        return known
    ending = f" to {story.version.casefold()}.zip"
    if not (story.version and named.endswith(ending)):
        return None
    return named[named.rfind(story.title.casefold()) if story.title.casefold() in named else -len(ending) :]
