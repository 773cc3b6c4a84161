"""Sentences that claim a test or a fit, and the engine versions and systems they claim it for."""

import re
from collections.abc import Iterator
from typing import Final

import msgspec

from companion.core.systems import system_family
from companion.core.versions import engine_version
from companion.words.plain import Passage
from companion.words.story import Story

_VERB: Final = re.compile(
    r"\b(?P<verb>(?:well[- ])?tested|tried(?: out)?|checked|verified|works?|working|runs?|running"
    r"|compatible|compatibility|opens|opened|plays|played|loads|loaded)\s+"
    r"(?:(?:and\s+\w+|fully|fine|well|great|perfectly|flawlessly|properly|reliably|smoothly|successfully|also)\s+){0,2}"
    r"(?:by\s+(?:\w+\s+){1,3}?)?"
    r"(?:(?:on|with|in|under|for)\b:?|(?<=tested )(?:operating\s+)?(?:systems?|platforms?|computers?|versions?)\s*:)",
    re.IGNORECASE,
)
_EVERYWHERE: Final = re.compile(
    r"\b(?:works?|runs?|plays?|tested|compatible)\s+(?:fine\s+|perfectly\s+)?"
    r"(?:everywhere|anywhere|(?:on|with|in)\s+(?:any|all|every)\s+"
    r"(?:computers?|machines?|systems?|platforms?|operating systems?|versions?)\b)",
    re.IGNORECASE,
)
_DOUBT: Final = re.compile(
    r"\b(?:not|never|nobody|no one|none|un(?:tested|tried|verified)|cannot|may|might|could|should|would|hope\w*|"
    r"perhaps|probably|likely|if|whether|unless|until|before)\b|n[’']t\b|\?",
    re.IGNORECASE,
)
_CLAUSE: Final = re.compile(r"(?<=[.!?])\s+(?=\S)|;\s|\s[–—]\s|,\s(?:but|yet|though)\s")
_SYSTEM: Final = re.compile(
    r"\b(?:(?P<windows>Windows|WINDOWS|windows(?=\s*\d))\s*(?P<w>\d+(?:\.\d+)*|XP|Vista)?"
    r"|(?P<macos>[Mm]ac\s?OS(?:\s?X)?|OS\s?X|Macs?)\s*(?P<m>\d+(?:\.\d+)*)?"
    r"|(?P<linux>[Ll]inux)\b)"
)
_STATED: Final = re.compile(
    rf"(?P<named>{_SYSTEM.pattern})\s*(?::|\()\s*(?P<verb>tested|tried|checked|verified|works?|runs|opens|plays|ok(?:ay)?|fine)\b",
    re.IGNORECASE,
)
"""“macOS: tested”, “Linux (works)”: the verb behind the system."""
_YES: Final = re.compile(
    r"(?:yes|ja|oui|s[ií]|ok(?:ay)?|fine|good|great|perfect(?:ly)?|full(?:y)?|100\s?%|[✓✔✅☑🟢]\ufe0f?)"
    r"(?:[\s,;(–—-].{0,40})?[.!]?",
    re.IGNORECASE | re.DOTALL,
)
"""A cell that says that it is so."""
_ABOUT: Final = re.compile(
    r"\b(?:(?P<verb>tested|tried|checked|verified|works?|working|runs?|running|opens?|opened|plays?|played|loads?|loaded"
    r"|compatib\w+)|support\w*|systems?|platforms?|operating systems?|ok(?:ay)?)\b",
    re.IGNORECASE,
)
_PLANNED: Final = re.compile(
    r"\b(?:plann?ed|hoped?|wanted|wish\w*|soon|to\s?do|later|needs?|needed|required?)\b", re.IGNORECASE
)
_PAIR: Final = 2
_SEEN: Final = ("opened", "played", "loaded")
"""Verbs that are true of an engine older than the minimum, if a test opened it there."""
_DONE: Final = ("tested", "tried", "out", "verified", "checked", *_SEEN)
"""Verbs that say that somebody did it, and not only that it can be done."""
_LONGEST_LIST: Final = 40
_REACH: Final = 160
"""Characters after the verb in which a claim's objects are looked for: about two lines."""


class Claim(msgspec.Struct, frozen=True, kw_only=True):
    """A claim of a test or a fit: ``subject`` as written, at a line of the source; ``proven``: evidence backs it."""

    subject: str
    line: int
    sentence: str
    proven: bool


def claims(found: list[Passage], story: Story) -> Iterator[Claim]:
    """Yield every claim in ``found``, once. Doubt in its clause (“not tested”, “should work”) makes it no claim."""
    told: set[tuple[str, int]] = set()
    for claim in _claims(found, story):
        if (claim.subject, claim.line) not in told:
            told.add((claim.subject, claim.line))
            yield claim


def _claims(found: list[Passage], story: Story) -> Iterator[Claim]:
    section, head = "", None
    for index, passage in enumerate(found):
        section = passage.text if passage.heading else section
        head = (head or _head(passage)) if passage.row else None
        yield from _in_cells(passage, section, head, story)
        start = 0
        for clause in _CLAUSE.split(passage.text):
            at = passage.text.index(clause, start)
            start = at + len(clause)
            yield from _in_clause(passage, clause, at, story)
        verb = _VERB.search(passage.text)
        if verb and not passage.text[verb.end() :].strip(" :") and not _DOUBT.search(passage.text):
            for item in found[index + 1 : index + 1 + _LONGEST_LIST]:  # “Tested on:” above a list
                if not item.item or _VERB.search(item.text):
                    break
                yield from _subjects(item, item.text, 0, "tested", story)


def _cells(passage: Passage) -> list[str]:
    return re.split(r":(?:\s|$)", passage.text)


def _head(row: Passage) -> list[str] | None:
    """Return the cells of the first row of a table, where it heads the others; None where it is one of them."""
    cells = _cells(row)
    return None if any(_YES.fullmatch(cell) for cell in cells[1:]) else cells


def _in_cells(passage: Passage, section: str, head: list[str] | None, story: Story) -> Iterator[Claim]:
    """Yield what a table or a list claims: “macOS | yes” under “Tested”, or the same turned by a right angle.

    Of several columns each must say by its own head, or the row by its own, that it is about tests.
    """
    cells = _cells(passage)
    if cells == head or len(cells[0]) > _REACH:
        return
    for column, cell in enumerate(cells[1:], 1):
        over = head[column] if head and column < len(head) else ""
        around = f"{cells[0]} {over or section}"
        about = _ABOUT.search(around) or (_ABOUT.search(section) if len(cells) == _PAIR else None)
        if not _YES.fullmatch(cell) or not about or _DOUBT.search(f"{around} {cell}") or _PLANNED.search(around):
            continue
        for text in (cells[0], over):
            yield from _subjects(passage, text, 0, about["verb"] or "works", story)


def _in_clause(passage: Passage, clause: str, at: int, story: Story) -> Iterator[Claim]:
    if clause.rstrip().endswith("?"):
        return
    wide = _EVERYWHERE.search(clause)
    if wide and not _DOUBT.search(clause):
        yield _claim(passage, at, wide, proven=False)
    for match in _STATED.finditer(clause) if not _DOUBT.search(clause) else ():
        yield from _subjects(passage, match["named"], at + match.start(), match["verb"], story)
    verb = _VERB.search(clause)
    if verb and not _DOUBT.search(clause[: verb.end()]):
        rest = clause[verb.end() : verb.end() + _REACH]
        doubt = _DOUBT.search(rest)
        yield from _subjects(passage, rest[: doubt.start()] if doubt else rest, at + verb.end(), verb["verb"], story)


def _subjects(passage: Passage, text: str, at: int, verb: str, story: Story) -> Iterator[Claim]:
    for match in _SYSTEM.finditer(text):
        family = next(name for name in ("windows", "macos", "linux") if match[name])
        yield _claim(passage, at, match, proven=_system_proven(family, match["w"] or match["m"] or "", verb, story))
    if story.engine:
        for match in engine_mention(story.engine).finditer(text):
            yield _claim(passage, at, match, proven=_engine_proven(match["version"], verb, story))


def _claim(passage: Passage, at: int, match: re.Match[str], *, proven: bool) -> Claim:
    """Return the claim that ``match`` names, in a text that begins ``at`` characters into the passage."""
    at += match.start()
    start = 0 if at < _REACH else at - _REACH // 2
    sentence = passage.text[start : at + _REACH // 2]
    return Claim(subject=match.group().strip(), line=passage.line_at(at), sentence=sentence, proven=proven)


def engine_mention(name: str) -> re.Pattern[str]:
    """Return a pattern for the engine's name with a version behind it: groups ``version`` and ``newer``."""
    words = r"\s+".join(re.escape(word) for word in name.split())
    return re.compile(
        rf"(?<!\w){words}(?:,?\s+(?:version\s+|v\.?\s?)?|\s*:\s*)(?P<version>\d+(?:\.\d+)*(?:\s+build\s+\d+)?)"
        r"(?P<newer>\s*\+|,?\s+(?:or|and)\s+(?:newer|later|higher|above|up(?:wards)?|any newer))?",
        re.IGNORECASE,
    )


def _system_proven(family: str, version: str, verb: str, story: Story) -> bool:
    older = story.systems_older if verb.lower() in _SEEN else ()
    for test in (*story.systems_tested, *older):
        if system_family(test.system) == family:
            numbers = re.findall(r"\d+(?:\.\d+)*|XP|Vista", test.system)
            if not version or any(number == version or number.startswith(f"{version}.") for number in numbers):
                return True
    return False


def _engine_proven(version: str, verb: str, story: Story) -> bool:
    claimed = engine_version(version)
    if claimed is None:
        return True  # it cannot be compared, so it is not judged
    older = story.systems_older if verb.lower() in _SEEN else ()
    proofs = [test.engine_version for test in (*story.systems_tested, *older)]
    if not verb.lower().endswith(_DONE):
        proofs += [story.saved_with, story.minimum if story.minimum_because else ""]
    return any(claimed == engine_version(proof) for proof in proofs)
