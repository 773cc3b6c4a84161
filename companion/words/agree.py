"""Statements of version, need and count in a text, and whether they agree with the facts.

Only what is plainly such a statement is read, and where a text states a thing right, other numbers of the same form in
it are taken for its history or its parts: a stale sentence passed over costs less than a false alarm that blocks.
"""

import re
from collections.abc import Iterator
from typing import Final

from companion.core.text import plural
from companion.core.versions import INSTRUMENT, engine_version, instrument_version
from companion.words.claims import engine_mention
from companion.words.formats import sample_formats
from companion.words.plain import Passage
from companion.words.story import Story
from companion.words.values import Stated, TextRead, values

_NUMBER: Final = r"(?P<number>\d{1,3}(?:[,.\u202f\u00a0 ]\d{3})+|\d+)"
_DOTTED: Final = rf"v?(?P<version>{INSTRUMENT})"
_STATED: Final = re.compile(
    rf"(?:this is |you have )?(?:version|release)\s*:?\s+{_DOTTED}(?=\s*(?:$|[,.;(–—|-]|by\b|released\b|\d{{4}}-))",
    re.IGNORECASE,
)
_NEED: Final = re.compile(
    r"(?:.*[.;:!?]\s+)?(?:(?:it|you|this|the|players?|patch|instrument|will|only|also)\s+)*"
    r"(?:(?:needs?|requires?|requirements?|requirement is|minimum|engine|host)\b[\s:–—-]*)?"
    r"(?:(?:at least|is|version)\s*:?\s*)*",
    re.IGNORECASE,
)
_HOLDS: Final = r"(?:contains?|has|holds?|includes?|comes with|consists? of|is made (?:up )?(?:of|from)|is built from)"
_WHOLE: Final = r"(?:it|instrument|library|collection|archive|download|set)"
_PART: Final = (
    r"(?!\s+(?:per|each|a\s|added|removed|chang\w+|renamed|re-?recorded|long|are\b|were\b|was\b|more|fewer|less|later|"
    r"earlier|of\b|at\b|from\b|for\b|on\b|under\b|in\b))"
)


_BACK: Final = 200
"""Characters before a mention of the engine in which its sentence begins, or it is not judged."""


def statements(reading: TextRead, *, history: bool = False) -> list[Stated]:
    """Return what ``reading`` plainly states of facts, right or wrong.

    history: the text tells what changed, so that a plain “48 samples” is no total and nothing else is of this version
    but what it needs. Of a text that is not in English versions are compared wherever they stand, and counts, of what
    nobody knows, are not.
    """
    found, story = reading.found, reading.story
    stated = [] if history else list(values(reading))
    stated += _versions(found, story)
    if not reading.english:
        return stated if history else [*stated, *_engines(found, story)]
    stated += [] if history else list(sample_formats(reading))
    stated += _needs(found, story)
    for noun, right in (
        ("sample", story.samples),
        ("layer", len(story.layers)),
        ("impulse response", len(story.impulses)),
    ):
        if right:
            stated += _counts(found, noun, right, story.title, history=history)
    return stated


def disagreements(reading: TextRead, *, history: bool = False) -> Iterator[Stated]:
    """Yield the statements in ``reading`` that differ from its story."""
    forms: dict[str, list[Stated]] = {}
    for one in statements(reading, history=history):
        forms.setdefault(f"{one.fact} {one.form}", []).append(one)
    for alike in forms.values():
        parts = alike[0].form.startswith(("item", "keys ")) and len({one.text for one in alike}) > 1
        if not parts and not any(one.right for one in alike):
            yield from alike


def _words(text: str, between: str) -> str:
    return between.join(re.escape(word) for word in re.split(r"[\s_-]+", text.strip()) if word)


def _versions(found: list[Passage], story: Story) -> Iterator[Stated]:
    right = instrument_version(story.version)
    if right is None:
        return
    forms = [("line", _STATED.match)]
    if story.title.strip():
        spelt, joined = _words(story.title, r"[\s_-]+"), _words(story.title, r"[\s_-]*")
        heading = rf"{spelt}[\s,]+(?:version\s+)?{_DOTTED}(?=\s*(?:$|[,.;:(–—|-]))"
        name = rf"(?<!\w){joined}[\s_-]+{_DOTTED}(?=\.zip\b)"
        forms += [("title", re.compile(heading, re.IGNORECASE).match), ("file", re.compile(name, re.IGNORECASE).search)]
    for passage in found:
        for form, look in forms:
            match = look(passage.text)
            stated = instrument_version(match["version"]) if match else None
            if match and stated is not None:
                line = passage.line_at(match.start())
                yield Stated(form, stated == right, line, match.group().strip(), f"version {story.version}", "version")


def _needs(found: list[Passage], story: Story) -> Iterator[Stated]:
    right = engine_version(story.minimum)
    if right is None or not story.engine.strip():
        return
    mention, facts = engine_mention(story.engine), f"{story.engine} {story.minimum} or newer"
    subject = re.compile(rf"{re.escape(story.title.strip())}\s+" if story.title.strip() else "(?!)", re.IGNORECASE)
    for passage in found:
        for match in mention.finditer(passage.text):
            start = max(0, match.start() - _BACK)
            before = subject.sub("", ("…" if start else "") + passage.text[start : match.start()])
            stated = engine_version(match["version"])
            plainly = _NEED.fullmatch(before) and (
                match["newer"] or re.search(r"need|requir|minim|least", before, re.IGNORECASE)
            )
            if stated is not None and plainly:
                # Each stands for itself: two needs in one text cannot both be true.
                line = passage.line_at(match.start())
                yield Stated(f"need {match['version']}", stated == right, line, match.group().strip(), facts, "needs")
        for match in _version_of(story.engine).finditer(passage.text):
            if (stated := engine_version(match["version"])) is not None:
                line = passage.line_at(match.start("version"))
                yield Stated(f"need {match['version']}", stated == right, line, match.group().strip(), facts, "needs")


def _version_of(engine: str) -> re.Pattern[str]:
    """Return a pattern for a need that names the version first: “needs at least version 7.1 of ENGINE”."""
    name = r"\s+".join(re.escape(word) for word in engine.split())
    return re.compile(
        r"\b(?:needs?|requires?|at least|minimum)\s+(?:at least\s+|a\s+)?version\s+(?P<version>[0-9]+(?:\.[0-9]+)*)"
        rf"(?:\s+or\s+(?:newer|later|higher|above))?\s+of\s+(?:the\s+)?{name}(?!\w)",
        re.IGNORECASE,
    )


def _engines(found: list[Passage], story: Story) -> Iterator[Stated]:
    """Yield every engine version that is named; that one of them is the minimum is enough."""
    right = story.minimum or story.saved_with
    if not story.engine.strip() or engine_version(right) is None:
        return
    for passage in found:
        for match in engine_mention(story.engine).finditer(passage.text):
            same = engine_version(match["version"]) == engine_version(right)
            facts = f"{story.engine} {right}"
            yield Stated("engine", same, passage.line_at(match.start()), match.group().strip(), facts, "needs")


def _counts(found: list[Passage], noun: str, right: int, title: str, *, history: bool) -> Iterator[Stated]:
    many = rf"{noun}s?\b"
    whole = rf"(?:{_WHOLE}|{_words(title, ' ')})" if title.strip() else _WHOLE
    forms = {"total": rf"(?<![\d.,]){_NUMBER}\s+{many}\s+(?:in all|in total|altogether)\b"}
    if not history:
        forms |= {
            "item": rf"^{_NUMBER}\s+{many}{_PART}",
            "holds": rf"(?:^|\b{whole}\s+){_HOLDS}\s+{_NUMBER}\s+{many}{_PART}",
            "noun": rf"^(?:number of )?{noun}s\s*[:=]\s*{_NUMBER}(?![\d.,]*\s*(?:Hz|kHz|bits?)\b)",
        }
    patterns = {form: re.compile(text, re.IGNORECASE) for form, text in forms.items()}
    for passage in found:
        for form, pattern in patterns.items():
            for match in pattern.finditer(passage.text):
                stated = int(re.sub(r"\D", "", match["number"]))
                line = passage.line_at(match.start("number"))
                yield Stated(form, stated == right, line, match.group().strip(), plural(right, noun), f"{noun}s")
