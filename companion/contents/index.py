"""Finding files by exact path, by normalisation, by case, and by the end of their path, each in one look."""

import unicodedata
from collections.abc import Iterable

from companion.core.globs import ends_of, folded


class PathIndex:
    """Relative paths to be found again; building it is linear in their number."""

    def __init__(self, paths: Iterable[str]) -> None:
        self._exact: set[str] = set(paths)
        self._composed: dict[str, str] = {}
        self._folded: dict[str, list[str]] = {}
        self._tails: dict[str, list[str]] = {}
        self._spelled: set[str] = set()
        self._composed_ends: set[str] = set()
        for path in sorted(self._exact):
            if not path.isascii():
                self._composed.setdefault(unicodedata.normalize("NFC", path), path)
            key = folded(path)
            self._folded.setdefault(key, []).append(path)
            for tail in ends_of(key):
                self._tails.setdefault(tail, []).append(path)
            for tail in ends_of(path):
                self._spelled.add(tail)
                if not tail.isascii():
                    self._composed_ends.add(unicodedata.normalize("NFC", tail))

    def exact(self, path: str) -> str | None:
        """Return ``path`` when it is there to the letter."""
        return path if path in self._exact else None

    def composed(self, path: str) -> str | None:
        """Return the path equal to ``path`` after NFC (UAX #15)."""
        return None if path.isascii() else self._composed.get(unicodedata.normalize("NFC", path))

    def any_case(self, path: str) -> list[str]:
        """Return the paths equal to ``path`` after NFC and casefold."""
        return self._folded.get(folded(path), [])

    def ending(self, tail: str) -> list[str]:
        """Return the paths that end in the whole names of ``tail``, whatever their case."""
        return self._tails.get(folded(tail), [])

    def spells(self, tail: str) -> bool:
        """Tell whether any path ends in the whole names of ``tail`` to the letter."""
        return tail in self._spelled

    def spells_composed(self, tail: str) -> bool:
        """Tell whether any path does after NFC (UAX #15)."""
        return not tail.isascii() and unicodedata.normalize("NFC", tail) in self._composed_ends
