"""What players report: their words without what is nobody's business, what they are about, and what became of them.

A report is a text in ``.companion/reports``, put there by the companion or by hand; what is known of it lies beside it,
under the same name with ``.toml`` behind. No I/O.
"""

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from typing import Final, Literal

import msgspec

from companion.core.text import HOME_HIDDEN, HOME_NAME, listed, plural, shorten, visible

MOST_TEXT: Final = 1 << 16
"""Bytes of a report: ten times what an angry player writes."""
MOST_ANSWER: Final = 200
"""Characters of an answer: it becomes one line of the changelog."""
NOTES: Final = ".toml"
"""What the name of a report has behind it where what is known of it stands."""

State = Literal["open", "answered", "closed"]
ChangeKind = Literal["fixed", "changed", "added", "removed"]
KINDS: Final[tuple[ChangeKind, ...]] = ("fixed", "changed", "added", "removed")


class Known(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is known of a report beside its words.

    at: when it was taken in, UTC, ISO 8601. version: of the release that the player has. system, engine: as the player
    wrote them. about: files, ``control NAME`` or rules. name: by which thanks are given; empty unless that was agreed.
    answer: what became of it; kind: of which change that is. answered_in: the version whose changelog says so. why: the
    reason it was closed without an answer there.
    """

    at: str = ""
    version: str = ""
    system: str = ""
    engine: str = ""
    about: tuple[str, ...] = ()
    name: str = ""
    state: State = "open"
    answer: str = ""
    kind: ChangeKind = "fixed"
    answered_in: str = ""
    why: str = ""


class Report(msgspec.Struct, frozen=True, kw_only=True):
    """A report. id: the name of its text. problem: why what is known of it does not read; empty where it does."""

    id: str
    text: str
    known: Known = Known()
    problem: str = ""


_MAIL: Final = re.compile(r"(?<![\w.+-])[\w.+-]{1,64}@[\w-]{1,63}(?:\.[\w-]{1,63}){1,8}")
_PHONE: Final = re.compile(r"(?<![\w.,:+(-])(?:\+\d|\(?0\d)(?:[ ()/.-]{0,2}\d){6,14}(?![\w.,:-]*\w)")
_MAIL_HEAD: Final = re.compile(
    r"^[>\s]*(?:From|To|Cc|Bcc|Reply-To|Sender|Return-Path|Received|Message-ID|Delivered-To|Von|An|Sent|Date|Datum|Gesendet"
    r"|X-[\w-]+)\s*:.*$|^[>\s]*(?:On|Am)\b.{0,200}\b(?:wrote|schrieb\b.{0,80}):\s*$|^\s*Sent from my\b.*$",
    re.IGNORECASE,
)
_SIGNATURE: Final = re.compile(r"^-- ?$")


def without_person(text: str) -> tuple[str, tuple[str, ...]]:
    """Return a player's words without what tells who wrote them, and what was left out, in a few words each.

    Heads of mails, signatures below ``--``, mail addresses, telephone numbers, and names in the paths of home folders.
    A name among the words stays: only a person can tell one.
    """
    kept, left = [], dict[str, int]()

    def note(what: str, count: int) -> None:
        if count:
            left[what] = left.get(what, 0) + count

    lines = text.replace("\r\n", "\n").replace("\r", "\n").lstrip("\ufeff").split("\n")
    for number, line in enumerate(lines):
        if _SIGNATURE.match(line):
            note("a signature", 1 if any(map(str.strip, lines[number + 1 :])) else 0)
            break
        if _MAIL_HEAD.match(line):
            note("a mail's head", 1)
            continue
        for pattern, what, instead in (
            (_MAIL, "a mail address", "(address)"),
            (_PHONE, "a telephone number", "(number)"),
            (HOME_NAME, "a name in a path", HOME_HIDDEN),
        ):
            line, count = pattern.subn(instead, line)  # noqa: PLW2901
            note(what, count)
        kept.append(line.rstrip())
    words = re.sub(r"\n{3,}", "\n\n", "\n".join(kept)).strip("\n")
    return (words + "\n" if words else ""), tuple(left)


_GREETING: Final = re.compile(r"^\s*(?:hi|hello|hey|dear|good (?:morning|evening|day)|hallo)\b[^\n,.!]{0,40}[,.!\n]")


def id_for(text: str, taken: Collection[str]) -> str:
    """Return a name for a report's file: its first few words, in letters that every system takes."""
    words = re.findall(r"[a-z0-9#]+", _GREETING.sub("", text.casefold(), 1))
    stem = "-".join(word.replace("#", "-sharp") for word in words[:5])[:40].strip("-") or "report"
    names = {name.casefold() for name in taken}
    number, name = 1, f"{stem}.txt"
    while name in names or name + NOTES in names or stem in ("con", "prn", "aux", "nul"):
        number += 1
        stem = stem if stem not in ("con", "prn", "aux", "nul") else f"report-{stem}"
        name = f"{stem}-{number}.txt"
    return name


_SOUNDS_LIKE: Final = {
    "click-inside": r"click|crackl|pops?\b|tick",
    "hum": r"\bhum(?:s|ming)?\b|mains|50 ?hz|60 ?hz",
    "off-pitch": r"out of tune|detuned|off pitch|flat\b|sharp\b|wrong note",
    "ends-hot": r"cut off|cuts off|ends too",
    "starts-hot": r"starts? with a click|cut at the start",
    "level-step": r"louder than|quieter than|too loud|too quiet|jumps? in (?:level|volume)",
    "noise-builds-up": r"hiss|noise",
    "reference-missing": r"asks? for|missing (?:file|sample)|cannot find|not found",
}
"""Rules by what players call what they find (common practice, no source)."""


def likely_about(text: str, files: Iterable[str], controls: Iterable[str], rules: Collection[str]) -> tuple[str, ...]:
    """Return what a player's words seem to be about: files and controls that they name, and rules. A proposal only."""
    words = text.casefold()
    found = []
    for path in files:
        name = path.rpartition("/")[2].casefold()
        stem = name.rpartition(".")[0] or name
        if len(stem) > 2 and (name in words or re.search(rf"(?<![\w-]){re.escape(stem)}(?![\w-])", words)):
            found.append(path)
    found += [
        f"control {control}"
        for control in controls
        if control.strip() and re.search(rf"(?<!\w){re.escape(control.casefold())}(?!\w)", words)
    ]
    found += [rule for rule, said in _SOUNDS_LIKE.items() if rule in rules and re.search(said, words)]
    return tuple(dict.fromkeys(found))


_COUNTS: Final = "no one two three four five six seven eight nine ten".split()  # noqa: SIM905


def thanks(reports: Collection[Report]) -> str:
    """Return to whom the thanks of an answer go: those who agreed to be named, then how many more there were."""
    names = list(dict.fromkeys(visible(one.known.name.strip()) for one in reports if one.known.name.strip()))
    others = len(reports) - sum(bool(one.known.name.strip()) for one in reports)
    if others:
        word = "a" if others == 1 and not names else _COUNTS[others] if others < len(_COUNTS) else f"{others:,}"
        more = "more " if names else ""
        names.append(f"{word} {more}{plural(others, 'player').partition(' ')[2]}")
    return listed(names, 99)


def answers(reports: Iterable[Report], version: str) -> Iterator[tuple[ChangeKind, str]]:
    """Yield (kind, line) for the changelog of ``version``: an answer once, however many asked, with thanks."""
    alike: dict[tuple[ChangeKind, str], list[Report]] = {}
    for one in reports:
        if one.known.state == "answered" and one.known.answered_in == version and one.known.answer.strip():
            alike.setdefault((one.known.kind, one.known.answer.strip().rstrip(".")), []).append(one)
    for (kind, answer), of in alike.items():
        yield kind, f"{answer}; thanks to {thanks(of)}"


def unanswered(
    reports: Iterable[Report], told: Callable[[str], str], mentioned: Mapping[str, bool]
) -> Iterator[tuple[str, str]]:
    """Yield (id, what is owed) of each report that no changelog answers.

    told: the entry of a version in the changelog; an answer begins a line of it that is no heading. mentioned: whether
    a report put there by hand is named anywhere in it.
    """
    for one in reports:
        known = one.known
        if one.problem:
            yield one.id, f"it does not read: {one.problem}"
        elif known.state == "answered":
            answer = f"{_plain(known.answer)} "
            lines = told(known.answered_in).split("\n")
            if not any(f"{_plain(line)} ".startswith(answer) for line in lines):
                yield one.id, "answered, but no changelog says so yet"
        elif known.state == "open" and not mentioned.get(one.id):
            yield one.id, "not answered" if known.at else "not mentioned in the changelog"


def _plain(text: str) -> str:
    """Return words alone; ``#`` stays, for F#3, and so that no heading is taken for an answer."""
    return " ".join(re.sub(r"[^\w#]+", " ", text.casefold()).split())


def first_words(report: Report) -> str:
    """Return how a report begins, on one safe line."""
    return shorten(visible(" ".join(report.text.split())), 60)
