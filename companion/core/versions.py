"""Versions of instruments and of host engines, and how they compare.

Instrument versions are ours to be strict about: they must read under the version scheme of PEP 440 (``1.0``,
``2.1.3``). Engine versions are a stranger's: most read under the same scheme; those that do not are compared as
dotted numbers with an optional build (``7.1.2 build 401``, ``2024 R3``), and anything else is refused, never guessed.
"""

import re
from typing import Final

from packaging.version import InvalidVersion, Version

from companion.core.errors import CompanionError

_FALLBACK: Final = re.compile(
    r"v?(?P<numbers>[0-9]+(?:[._][0-9]+)*)(?P<letter>[a-z])?"
    r"(?:[\s,(-]*(?:build|rev|revision|release|r|sp|update|u)[\s.#-]*(?P<build>[0-9]+)\)?)?",
    re.IGNORECASE | re.ASCII,
)
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
