"""Away tests: what to do for each kind, and what is refused before anyone's evening is lost."""

import re
from collections.abc import Iterable
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.evidence import AwayKind, AwayTest
from companion.core.facts import Facts
from companion.core.versions import engine_version

MOST_NAME: Final = 20
"""Characters of a first name or initials; more would be a person's full name, which is not kept."""

HUSH: Final = "Turn the monitors down for the first playback: a patch that misreads its samples can be very loud."
_PLAY: Final = "Play the lowest, a middle and the highest key of every layer, soft and hard, and move each control."


class Guide(msgspec.Struct, frozen=True, kw_only=True):
    """One kind of away test. title: for a heading. shows: what it proves. steps: what to do, one line each.

    opens: whether a pass proves that the instrument opens away from the maker's own files, with that version of the
    engine; of that kind alone a pass backs the minimum, a system or an edition. elsewhere: whether it happens on a
    computer that is not the maker's. ask: what a record must say was done, as a question.
    """

    kind: AwayKind
    title: str
    shows: str
    steps: tuple[str, ...]
    opens: bool
    elsewhere: bool
    ask: str


KINDS: Final[dict[AwayKind, Guide]] = {
    guide.kind: guide
    for guide in (
        Guide(
            kind="originals hidden",
            title="This computer, originals hidden",
            shows="The copy plays from its own samples, not from yours.",
            steps=(
                "Quickest: companion away hide FOLDER does the next three for you, and away back undoes them. By hand:",
                "Unpack the archive, or copy what ships, to a folder somewhere else on this computer.",
                "Close the engine, so that it holds nothing in memory.",
                "Rename the sample folder in your working folder: add “ hidden” to the end of its name.",
                HUSH,
                "Open the patch of the copy, never the one in your working folder.",
                _PLAY,
                "If the engine asks for a file, or plays although the copy has none, it reached for your originals.",
                "Close the engine and give the sample folder its old name back before you answer here.",
            ),
            opens=True,
            elsewhere=False,
            ask="Which folder was out of the way, and what was played?",
        ),
        Guide(
            kind="another computer",
            title="Another computer",
            shows="It opens where nothing of yours was ever installed.",
            steps=(
                "Check the engine’s version and edition there first: one older than your minimum proves nothing.",
                "Copy the archive over as a player would receive it, and unpack it to a folder of that computer’s own.",
                HUSH,
                "Open the patch. Write down the system, the engine’s version and its edition.",
                _PLAY,
            ),
            opens=True,
            elsewhere=True,
            ask="What was opened there, and what was played?",
        ),
        Guide(
            kind="another player",
            title="Another player",
            shows="Someone who does not know the instrument gets it to play from the words that ship with it.",
            steps=(
                "Ask for the engine’s version and edition before anything is sent.",
                "Send the archive and nothing else: no explanations beside the readme.",
                "Tell them to keep the monitors low for the first playback.",
                "Ask what they had to guess, what surprised them, and whether every key and control answered.",
                "Note a first name or initials, system, version and edition; nothing more about the person.",
            ),
            opens=True,
            elsewhere=True,
            ask="What did they open, and what did they play?",
        ),
        Guide(
            kind="a piece of music",
            title="A piece of music",
            shows="It holds up in use: many voices, pedal, quick repeats, a long session.",
            steps=(
                "Take a piece that uses the whole range of keys and touch, with pedal and fast repeats.",
                HUSH,
                "Play it through, and listen for notes that hang, drop out, jump in level or repeat like a machine.",
                "Move the controls while it plays.",
                "Say which keys, velocities or controls the piece never used.",
            ),
            opens=False,
            elsewhere=False,
            ask="Which piece was played?",
        ),
    )
}


def refuse_name(who: str) -> CompanionError | None:
    """Return why ``who`` is not kept: anything over a first name or initials (two words, 20 characters, no ``@``)."""
    words = who.split()
    if len(words) <= 2 and len(who.strip()) <= MOST_NAME and not re.search(r"[@\d/\\:]", who):
        return None
    return CompanionError(
        "That is more about a person than is kept here", "who", "give a first name or initials, or leave it empty"
    )


def refuse_too_old(test: AwayTest, facts: Facts) -> CompanionError | None:
    """Return why this test would be in vain: an engine older than the minimum, or a version that cannot be read.

    Only ``test.engine_version`` is looked at, so it can be asked before the test is made. The minimum is the one
    promised, else the version the patch was saved with; where neither is known nothing is refused.
    """
    stated = test.engine_version.strip()
    lowest = facts.engine.minimum or facts.engine.saved_with
    if not stated:
        return None
    version, minimum = engine_version(stated), engine_version(lowest)
    if version is None:
        return CompanionError(
            f"“{stated}” does not read as a version",
            "engine version",
            "look it up in the engine and write it in numbers and dots, such as 7.1.2 or 7.1 build 401",
        )
    if minimum is None or version >= minimum:
        return None
    engine = facts.engine.name or "the engine"
    return CompanionError(
        f"{engine} {stated} is older than {lowest}, the lowest version promised, so this test could prove nothing",
        "engine version",
        f"update to {lowest} or newer before the test, or lower the minimum in the facts and test that",
    )


def refuse(test: AwayTest, facts: Facts) -> CompanionError | None:
    """Return why ``test`` is not recorded, or None: too much about a person, too old an engine, or too little said.

    Whatever it showed, a test says nothing that could be held against anything later unless it says with which engine,
    on which system, and what was done.
    """
    if problem := refuse_name(test.who) or refuse_too_old(test, facts):
        return problem
    if not facts.engine.name.strip():
        return CompanionError(
            "The facts do not name the engine yet", "engine.name", "state it first: a test counts for one engine alone"
        )
    ask = KINDS[test.kind].ask
    missing = {
        "engine version": (
            "with which version of the engine",
            "look it up there; it decides whether the minimum holds",
        ),
        "system": ("on which system", "name it with its version, such as Windows 11"),
        "played": ("what was opened and played", f"a few words will do. {ask}"),
    }
    for field in unsaid(test):
        what, do = missing[field]
        return CompanionError(f"The test does not say {what}", field, do)
    return None


def unsaid(test: AwayTest) -> tuple[str, ...]:
    """Return what ``test`` leaves unsaid without which its pass proves nothing: a result alone is a tick."""
    said = {
        "engine version": engine_version(test.engine_version) is not None,
        "system": _has_a_letter(test.system),
        "played": _has_a_letter(test.played),
    }
    return tuple(field for field, there in said.items() if not there)


def _has_a_letter(text: str) -> bool:
    return any(character.isalpha() for character in text)


def is_too_old(test: AwayTest, facts: Facts) -> bool:
    """Return whether ``test`` was made on an engine below the minimum that is promised now."""
    version, minimum = engine_version(test.engine_version), engine_version(facts.engine.minimum)
    return version is not None and minimum is not None and version < minimum


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def _replaces(later: AwayTest, test: AwayTest) -> bool:
    """Tell whether ``later`` was made on the grounds of ``test``, as far as that one says on which it was made.

    A pass that says too little takes nothing back. Whoever leaves the edition out means the same one.
    """
    if later.result == "pass" and unsaid(later):
        return False
    if (later.kind, _plain(later.who)) != (test.kind, _plain(test.who)):
        return False
    if len({_plain(test.edition), _plain(later.edition)} - {""}) > 1:
        return False
    system, version = _plain(test.system), engine_version(test.engine_version)
    return system in ("", _plain(later.system)) and version in (None, engine_version(later.engine_version))


def standing(tests: Iterable[AwayTest]) -> tuple[AwayTest, ...]:
    """Return the tests that stand, oldest first: repeated on the same grounds, the latest counts, whatever it showed.

    The same grounds are kind, name, system, engine version and edition: what failed on one version still failed on it
    when a newer one passes.
    """
    found: list[AwayTest] = []
    for test in tests:
        found = [earlier for earlier in found if not _replaces(test, earlier)]
        found.append(test)
    return tuple(found)


def passes(test: AwayTest) -> bool:
    """Tell whether ``test`` shows that it played: passed, from the copy alone, and all said that a pass rests on."""
    return test.result == "pass" and not test.reached_originals and not unsaid(test)


def opened(tests: Iterable[AwayTest], facts: Facts) -> tuple[AwayTest, ...]:
    """Return the standing tests that prove it opens away from the maker's files, on an engine that counts.

    Such a test also settles the question of paths that cannot be read in the patch. A piece of music is none: it is
    played where the instrument was made, often out of a project that has it loaded.
    """
    return tuple(test for test in _counting(tests, facts) if passes(test))


def not_opened(tests: Iterable[AwayTest], facts: Facts) -> tuple[AwayTest, ...]:
    """Return the standing tests, of the same kinds and on an engine that counts, that showed that it does not open."""
    return tuple(test for test in _counting(tests, facts) if test.result == "fail" or test.reached_originals)


def _counting(tests: Iterable[AwayTest], facts: Facts) -> list[AwayTest]:
    return [test for test in standing(tests) if KINDS[test.kind].opens and not is_too_old(test, facts)]
