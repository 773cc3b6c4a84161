"""The form in a test kit: its plain questions, and how the answers are read. No I/O.

A form comes back from a stranger's editor, mail program or phone: other line ends, a byte order mark, another encoding,
quoted, half empty. What is not understood is asked for in one line; nothing is guessed, and nothing of it is run.
"""

import re
from collections.abc import Mapping
from typing import Final, Literal

import msgspec

from companion.core.errors import CompanionError
from companion.core.evidence import AwayTest
from companion.core.text import shorten, visible
from companion.core.versions import engine_version
from companion.trials.away import refuse_name

MOST_FORM: Final = 1 << 16
"""Bytes of a form: ten times what a talkative helper writes."""
MOST_ANSWER: Final = 400
"""Characters of an answer that are kept."""
ANSWER: Final = "Answer:"
LAST: Final = "If you also bounced"
SEAL: Final = "The archive that was tried (SHA-256):"
"""Where a helper's companion notes what it has proven there."""

Key = Literal["engine_version", "edition", "system", "opened", "asked", "keys", "played", "whole", "notes", "who"]
QUESTIONS: Final[dict[Key, str]] = {
    "engine_version": "Which version of {engine} do you have? It stands in its “About” window.",
    "edition": "Which edition of it, if there are several?",
    "system": "Which system is on that computer, with its version? Such as Windows 11 or macOS 15.",
    "opened": "Did the patch open? Yes or no.",
    "asked": "Did the engine ask for a file, or say that one is missing? No, or which.",
    "keys": "Did every key that you tried sound, soft and hard? Yes or no.",
    "played": "What did you play? A few words will do.",
    "whole": "All in all, did it play as an instrument should? Yes or no.",
    "notes": "What did you hear or have to guess, what surprised you?",
    "who": "A first name or initials, if the maker may note who tried it. Nothing more, please.",
}
"""What is asked, in this order; the engine first, so that nobody's evening is lost on one that is too old."""
MAY_STAY_EMPTY: Final[tuple[Key, ...]] = ("edition", "asked", "notes", "who")
NOT_OPENED: Final = "the patch, which did not open"
"""What was played where it did not open."""

_CODE: Final = re.compile(r"kit\W{1,4}([0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4})", re.IGNORECASE)
_SEAL: Final = re.compile(rf"{re.escape(SEAL)}\s*([0-9a-f]{{64}})\s*$", re.IGNORECASE)
_QUOTE: Final = re.compile(r"^[>|\s]+")
_VERSION: Final = re.compile(
    r"(?<![\w.])v?[0-9]+(?:\.[0-9]+)+[a-z]?(?:[ ,(]{0,2}build [0-9]+)?(?![\w.]*\w)", re.IGNORECASE
)
_EARLY: Final = re.compile(
    r"\b(?:alpha|beta|preview|candidate|nightly|snapshot|early|unstable|pre|rc|dev)(?![a-z])", re.IGNORECASE
)
_EARLY_VERSION: Final = re.compile(
    r"(?<![\w.])v?([0-9]+(?:\.[0-9]+)+)[\s(.,_-]*(alpha|beta|preview|pre|rc|dev)[\s._-]*([0-9]*)(?!\w)", re.IGNORECASE
)
_YES: Final = frozenset({"yes", "y", "yep", "yeah", "ok", "okay", "sure"})
_NO: Final = frozenset({"no", "n", "nope", "none", "nothing", "never", "not"})
_BOMS: Final = ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be"))


class FilledForm(msgspec.Struct, frozen=True, kw_only=True):
    """A form as it came back. kit: its code. answers: safe to show, on one line each; unanswered questions left out.

    seal: the SHA-256 of the archive that was tried, lower-case hex; empty where no companion proved it there.
    """

    kit: str
    answers: Mapping[Key, str]
    seal: str = ""


def read_form(data: bytes, where: str) -> FilledForm:
    """Return the form in ``data``. Raises :class:`CompanionError` for what is no plain text, or no form of a kit."""
    text = text_of(data, where)
    lines = [_QUOTE.sub("", line).rstrip() for line in re.split(r"\r\n|\r|\n|\u2028|\x85", text)]
    code = next((match[1].lower() for line in lines if (match := _CODE.search(line))), "")
    if not code:
        raise CompanionError("This is no form of a test kit", where, "take the file that the helper filled in")
    answers: dict[Key, list[str]] = {}
    current: Key | None = None
    answering = False
    for line in lines:
        if key := question_of(line):
            current, answering = key, False
        elif current and line.casefold().startswith(ANSWER.casefold()):
            answering = True
            answers.setdefault(current, []).append(line[len(ANSWER) :])
        elif line.startswith((LAST, SEAL)):
            current = None
        elif current and answering:
            answers[current].append(line)
    told = ((key, shorten(visible(" ".join(" ".join(parts).split())), MOST_ANSWER)) for key, parts in answers.items())
    seal = next((match[1].lower() for line in lines if (match := _SEAL.match(line))), "")
    return FilledForm(kit=code, answers={key: answer for key, answer in told if answer}, seal=seal)


def text_of(data: bytes, where: str) -> str:
    """Return the text of a form in whatever encoding it came. Raises :class:`CompanionError` for what is no text."""
    if len(data) > MOST_FORM:
        raise CompanionError("The file is far too large for a form", where, "check that it is the file you meant")
    if data.startswith((b"{\\rtf", b"PK\x03\x04", b"%PDF", b"\xd0\xcf\x11\xe0")):
        raise CompanionError(
            "The form was saved as a document", where, "ask for it as plain text, or paste it into one"
        )
    for mark, encoding in _BOMS:
        if data.startswith(mark):
            return data[len(mark) :].decode(encoding, "replace")
    if data[:200].count(0) > 20:
        return data.decode("utf-16-le" if data[1:200:2].count(0) > data[:200:2].count(0) else "utf-16-be", "replace")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


def question_of(line: str) -> Key | None:
    """Return which question a line is: its number alone could as well begin an answer."""
    match = re.match(r"([0-9]{1,2})\. (\S+ \S+)", line)
    if match and 0 < int(match[1]) <= len(QUESTIONS):
        key, question = list(QUESTIONS.items())[int(match[1]) - 1]
        if question.split()[:2] == match[2].split():
            return key
    return None


def away_test_of(form: FilledForm) -> AwayTest:
    """Return the away test that a form tells of. Raises :class:`CompanionError` for a yes or no that is neither.

    It failed where it did not open, where a file was asked for, where keys stayed silent, or where the helper says so.
    Of a patch that did not open nobody need say what was played on it.
    """
    told = form.answers
    said = {"opened": _yes(form, "opened")}
    for key in ("keys", "whole"):  # of one that did not open nothing more need be said
        said[key] = _yes(form, key) if said["opened"] or key in told else False
    missing = told.get("asked", "")
    nothing_asked = not missing or missing.split()[0].strip(".,;!:").casefold() in _NO
    failed = not nothing_asked or not all(said.values())
    notes = [f"asked for: {missing}"] if not nothing_asked else []
    notes += [f"{words}: no" for key, words in _SHORT.items() if not said[key] and key in told]
    who = told.get("who", "")
    return AwayTest(
        kind="another player",
        result="fail" if failed else "pass",
        who="" if refuse_name(who) else who,
        engine_version=version_in(told.get("engine_version", "")),
        edition=told.get("edition", ""),
        system=told.get("system", ""),
        played=told.get("played", "" if said["opened"] else NOT_OPENED),
        notes="; ".join([*notes, told.get("notes", "")]).strip("; "),
    )


_SHORT: Final[dict[Key, str]] = {"opened": "it opened", "keys": "every key sounded", "whole": "it played as it should"}


def _yes(form: FilledForm, key: Key) -> bool:
    answer = form.answers.get(key, "")
    words = re.findall(r"\w+", answer.casefold())[:1]
    if words and words[0] in _YES:
        return True
    if words and words[0] in _NO:
        return False
    number = list(QUESTIONS).index(key) + 1
    says = (
        f"Question {number} is answered neither yes nor no: “{answer}”"
        if answer
        else f"Question {number} is not answered"
    )
    raise CompanionError(says, "form", f"ask the helper, and write it into the form: {QUESTIONS[key]}")


def unclear(key: Key, answer: str) -> str:
    """Return what an answer still lacks, as one sentence to whoever gives it; empty where it will do."""
    if key in ("opened", "keys", "whole"):
        words = re.findall(r"\w+", answer.casefold())[:1]
        return "" if words and words[0] in _YES | _NO else "Please begin with yes or no."
    if key == "engine_version" and engine_version(version_in(answer)) is None:
        return "That does not read as a version. It is made of numbers and dots, such as 7.1.2."
    if key in ("system", "played") and not any(character.isalpha() for character in answer):
        return "A word or two, please: the test counts for nothing without."
    return "A first name or initials will do, or nothing." if key == "who" and refuse_name(answer) else ""


def is_no(answer: str) -> bool:
    """Tell whether an answer begins with a no."""
    return bool(words := re.findall(r"\w+", answer.casefold())[:1]) and words[0] in _NO


def version_in(answer: str) -> str:
    """Return the one version an answer names, such as ``7.2.1`` in “Example Engine 7.2.1 (full)”; else all of it.

    A beta is older than the version it leads to, and never taken for that: ``7.2-beta1`` in “7.2 beta 1”.
    """
    if engine_version(answer):
        return answer
    found = list(dict.fromkeys(match[0] for match in _VERSION.finditer(answer)))
    if len(found) != 1:
        return answer
    if not _EARLY.search(answer):
        return found[0]
    early = [f"{number}-{word}{count}" for number, word, count in _EARLY_VERSION.findall(answer)]
    return early[0] if len(early) == 1 and engine_version(early[0]) else answer
