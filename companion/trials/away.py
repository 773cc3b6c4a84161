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

_QUIET: Final = "Turn the monitors down for the first playback: a patch that misreads its samples can be very loud."
_PLAY: Final = "Play the lowest, a middle and the highest key of every layer, soft and hard, and move each control."


class Guide(msgspec.Struct, frozen=True, kw_only=True):
    """One kind of away test. title: for a heading. shows: what it proves. steps: what to do, one line each.

    opens: whether a pass proves that the instrument opens away from the maker's own files.
    elsewhere: whether it happens on a computer that is not the maker's, so that its engine must be named.
    """

    kind: AwayKind
    title: str
    shows: str
    steps: tuple[str, ...]
    opens: bool
    elsewhere: bool


KINDS: Final[dict[AwayKind, Guide]] = {
    guide.kind: guide
    for guide in (
        Guide(
            kind="originals hidden",
            title="This computer, originals hidden",
            shows="The copy plays from its own samples, not from yours.",
            steps=(
                "Unpack the archive, or copy what ships, to a folder somewhere else on this computer.",
                "Close the engine, so that it holds nothing in memory.",
                "Rename the sample folder in your working folder: add “ hidden” to the end of its name.",
                _QUIET,
                "Open the patch of the copy, never the one in your working folder.",
                _PLAY,
                "If the engine asks for a file, or plays although the copy has none, it reached for your originals.",
                "Close the engine and give the sample folder its old name back before you answer here.",
            ),
            opens=True,
            elsewhere=False,
        ),
        Guide(
            kind="another computer",
            title="Another computer",
            shows="It opens where nothing of yours was ever installed.",
            steps=(
                "Check the engine’s version and edition there first: one older than your minimum proves nothing.",
                "Copy the archive over as a player would receive it, and unpack it to a folder of that computer’s own.",
                _QUIET,
                "Open the patch. Write down the system, the engine’s version and its edition.",
                _PLAY,
            ),
            opens=True,
            elsewhere=True,
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
        ),
        Guide(
            kind="a piece of music",
            title="A piece of music",
            shows="It holds up in use: many voices, pedal, quick repeats, a long session.",
            steps=(
                "Take a piece that uses the whole range of keys and touch, with pedal and fast repeats.",
                _QUIET,
                "Play it through, and listen for notes that hang, drop out, jump in level or repeat like a machine.",
                "Move the controls while it plays.",
                "Say which keys, velocities or controls the piece never used.",
            ),
            opens=False,
            elsewhere=False,
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
    """Return why ``test`` is not recorded, or None: the name, the version, and what a test elsewhere must state."""
    problem = refuse_name(test.who) or refuse_too_old(test, facts)
    if problem:
        return problem
    if KINDS[test.kind].elsewhere and not test.engine_version.strip():
        return CompanionError(
            "A test on another computer says little without the engine’s version",
            "engine version",
            "ask for it; it decides whether the minimum holds",
        )
    return None


def is_too_old(test: AwayTest, facts: Facts) -> bool:
    """Return whether ``test`` was made on an engine below the minimum that is promised now."""
    version, minimum = engine_version(test.engine_version), engine_version(facts.engine.minimum)
    return version is not None and minimum is not None and version < minimum


def standing(tests: Iterable[AwayTest]) -> tuple[AwayTest, ...]:
    """Return the tests that stand, oldest first: repeated by the same person on the same system, the latest counts.

    A repeat has the same kind, name, system and engine version: what failed on one version still failed on it when
    a newer one passes.
    """
    last: dict[tuple[str, ...], AwayTest] = {}
    for test in tests:
        key = (test.kind, *(text.strip().casefold() for text in (test.who, test.system, test.engine_version)))
        last.pop(key, None)
        last[key] = test
    return tuple(last.values())


def opened(tests: Iterable[AwayTest], facts: Facts) -> tuple[AwayTest, ...]:
    """Return the standing tests that prove it opens away from the maker's files, on an engine that counts.

    Such a test also settles the question of paths that cannot be read in the patch.
    """
    return tuple(
        test
        for test in standing(tests)
        if test.result == "pass"
        and KINDS[test.kind].opens
        and not test.reached_originals
        and not is_too_old(test, facts)
    )
