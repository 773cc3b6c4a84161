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
    """Yield every claim in ``found``. Doubt in its clause (“not tested”, “should work”) makes it no claim."""
    for index, passage in enumerate(found):
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
