"""Versions of instruments and of host engines, and how they compare.

Instrument versions are ours to be strict about: they must read under the version scheme of PEP 440 (``1.0``,
``2.1.3``). Engine versions are a stranger's: most read under the same scheme; those that do not are compared as
dotted numbers with an optional build (``7.1.2 build 401``, ``2024 R3``), and anything else is refused, never guessed.
"""

from __future__ import annotations

import re
from functools import total_ordering
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


@total_ordering
class EngineVersion:
    """A version that compares: by its dotted numbers, a letter behind them, a build number; else by PEP 440.

    A single letter is a later version (``7.1c`` follows 7.1), as engines count; a letter with a number behind it, or a
    word such as ``beta``, is a pre-release, as PEP 440 says. Digits are ASCII: no other ones compare.
    """

    def __init__(self, text: str) -> None:
        """Raises :class:`CompanionError` when ``text`` reads under neither scheme."""
        self.text = text.strip()
        if len(self.text) > LONGEST:
            raise _unread(f"{self.text[:LONGEST]}…")
        match = _FALLBACK.fullmatch(self.text)
        if match:
            numbers = Version(match["numbers"].replace("_", "."))  # which holds 7.1 and 7.1.0 to be one
            self._key: tuple[Version, str, int] = (numbers, (match["letter"] or "").lower(), int(match["build"] or 0))
            return
        try:
            self._key = (Version(self.text), "", 0)
        except InvalidVersion:
            raise _unread(self.text) from None

    def __eq__(self, other: object) -> bool:
        return isinstance(other, EngineVersion) and self._key == other._key

    def __lt__(self, other: EngineVersion) -> bool:
        return self._key < other._key

    def __hash__(self) -> int:
        return hash(self._key)

    def __str__(self) -> str:
        return self.text

    def __repr__(self) -> str:
        return f"EngineVersion({self.text!r})"


def _unread(text: str) -> CompanionError:
    return CompanionError(
        f"“{text}” does not read as a version",
        "engine version",
        "write it in numbers and dots, with “build N” behind it if need be: 7.1.2 or 7.1 build 401",
    )


def engine_version(text: str) -> EngineVersion | None:
    """Return the version ``text`` reads as, or None when it is empty or reads as none."""
    try:
        return EngineVersion(text) if text.strip() else None
    except CompanionError:
        return None


def instrument_version(text: str) -> Version | None:
    """Return the PEP 440 version ``text`` reads as, or None."""
    try:
        return Version(text) if len(text) <= LONGEST else None
    except InvalidVersion:
        return None
