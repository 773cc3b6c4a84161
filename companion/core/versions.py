"""Versions of instruments and of host engines, and how they compare.

Instrument versions are ours to be strict about: they must read under the version scheme of PEP 440 (``1.0``,
``2.1.3``). Engine versions are a stranger's: most read under the same scheme; those that do not are compared as
dotted numbers with an optional build (``7.1.2 build 401``, ``2024 R3``), and anything else is refused, never guessed.
"""

import re
from collections.abc import Iterable
from typing import Final

from packaging.version import InvalidVersion, Version

from companion.core.errors import CompanionError

_FALLBACK: Final = re.compile(
    r"v?(?P<numbers>[0-9]+(?:[._][0-9]+)*)(?P<letter>[a-z])?"
    r"(?:[\s,(-]*(?:build|rev|revision|release|r|sp|update|u)[\s.#-]*(?P<build>[0-9]+)\)?)?",
    re.IGNORECASE | re.ASCII,
)
INSTRUMENT: Final = (
    r"\d+(?:\.\d+)+(?:[-._]?(?:alpha|beta|preview|pre|post|rev|dev|rc|a|b|c|r)(?:[-._]?\d+)?(?![a-z]))*"
    r"(?!\+?\w|-(?!\d{4}-)\w|\.(?!zip\b)\w)"
)
"""A pattern for an instrument's version in running text, pre-releases included; in lower case. Never a part of one."""

LONGEST: Final = 80
"""Characters; what is longer is no version, and Python refuses to read numbers of thousands of digits."""

EngineVersion = tuple[Version, str, int]
"""A version as it compares: by its dotted numbers, a letter behind them, a build number; else by PEP 440.

A single letter is a later version (``7.1c`` follows 7.1), as engines count; a letter with a number behind it, or a word
such as ``beta``, is a pre-release, as PEP 440 says. Digits are ASCII: no other ones compare.
"""


def read_engine_version(text: str) -> EngineVersion:
    """Return the version ``text`` reads as. Raises :class:`CompanionError` when it reads under neither scheme."""
    text = text.strip()
    if len(text) > LONGEST:
        raise _unread(f"{text[:LONGEST]}…")
    if match := _FALLBACK.fullmatch(text):
        numbers = Version(match["numbers"].replace("_", "."))  # which holds 7.1 and 7.1.0 to be one
        return numbers, (match["letter"] or "").lower(), int(match["build"] or 0)
    try:
        return Version(text), "", 0
    except InvalidVersion:
        raise _unread(text) from None


def _unread(text: str) -> CompanionError:
    return CompanionError(
        f"“{text}” does not read as a version",
        "engine version",
        "write it in numbers and dots, with “build N” behind it if need be: 7.1.2 or 7.1 build 401",
    )


def engine_version(text: str) -> EngineVersion | None:
    """Return the version ``text`` reads as, or None when it is empty or reads as none."""
    try:
        return read_engine_version(text) if text.strip() else None
    except CompanionError:
        return None


def instrument_version(text: str) -> Version | None:
    """Return the PEP 440 version ``text`` reads as, or None."""
    try:
        return Version(text) if len(text) <= LONGEST else None
    except InvalidVersion:
        return None


def base_of(version: str, released: Iterable[str]) -> str:
    """Return the release that ``version`` is compared with, of those ``released`` (oldest first); empty: none.

    That is the highest one below it, so that 1.1.1 builds on 1.1.0 whether or not 1.2.0 is out; a final release builds
    on finals alone, since whoever has the last one never saw what lay between.
    """
    released = list(released)
    own, others = instrument_version(version), [text for text in released if not _equal(text, version)]
    if own is None:
        return others[-1] if others else ""
    read = [(found, text) for text in others if (found := instrument_version(text))]
    lower = [one for one in read if one[0] < own]
    if not lower and len(others) == len(released):  # below all that is out, and never out itself
        return others[-1] if others else ""
    if own.is_prerelease:
        return max(lower, default=(own, ""))[1]
    return max((one for one in lower if not one[0].is_prerelease), default=(own, ""))[1]


def above_which(version: str, released: Iterable[str]) -> str:
    """Return the release that ``version`` must lie above, of those ``released`` (oldest first); empty: none.

    That is the highest, but for a release of an older line, which only its own line holds to: 1.1.1 to 1.1.0 while
    1.2.0 is out, and 1.4 to 1.3 while 2.0 is. A version that is out, or whose final release is, stands above nothing.
    """
    texts = list(released)
    own = instrument_version(version)
    read = [(found, text) for text in texts if (found := instrument_version(text))]
    if own is None or not read:
        return texts[-1] if texts else ""
    for found, text in read:
        if found == own or (own.is_prerelease and not found.is_prerelease and found.release == own.release):
            return text
    lower, higher = [one for one in read if one[0] < own], [one for one in read if one[0] > own]
    if not lower or not higher:
        return max(read)[1]
    below, next_up = max(lower), min(higher)
    line = (own.major, own.minor) == (below[0].major, below[0].minor)
    older_major = own.major == below[0].major != next_up[0].major
    return below[1] if line or older_major else max(read)[1]


def between(version: str, low: str, high: str) -> bool:
    """Tell whether ``version`` lies above ``low`` and not above ``high``; what cannot be compared counts as so."""
    one, first, last = (instrument_version(text) for text in (version, low, high))
    return not (one and first and last) or first < one <= last


def _equal(one: str, other: str) -> bool:
    first, second = instrument_version(one), instrument_version(other)
    return first == second if first and second else one.strip() == other.strip()
