"""The names of a folder as a dictionary: which of them does this text end in?"""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Iterable
from typing import Final

from companion.contents.reading.shapes import is_rare
from companion.core.globs import ends_of

CODE_PAGES: Final = ("utf-8", "cp1252", "mac-roman", "cp850", "cp437", "cp932", "cp1251", "gbk")
"""How names are written in bytes, the likelier first; UTF-16 is looked for besides."""


def fold_case(text: str) -> str:
    """Return ``text`` in lower case and with forward slashes, as long as it was."""
    lower = text.lower()
    if len(lower) != len(text):  # one letter that becomes two has no case here
        lower = "".join(low if len(low := char.lower()) == 1 else char for char in text)
    return lower.replace("\\", "/")


def decoded(raw: bytes, code: str) -> tuple[str, str]:
    """Return the text of a name and its encoding: UTF-8 if it is, whatever code page others are written in."""
    if not code.startswith("utf-16"):
        try:
            return raw.decode(), "utf-8"
        except UnicodeDecodeError:
            code = "cp1252" if code == "utf-8" else code
    return raw.decode(code, "replace"), code


class FolderNames:
    """Relative paths with forward slashes, to be found again by the end of a text, whatever its case.

    mark: a fingerprint of the names. longest: characters of the longest path. ascii: no name holds anything else. rare:
    some hold characters that bytes hit by chance (see :func:`~companion.contents.reading.shapes.is_rare`).
    """

    def __init__(self, paths: Iterable[str] = ()) -> None:
        listed = sorted(set(paths))
        self.mark = hashlib.sha256("\n".join(listed).encode("utf-8", "surrogateescape")).digest()[:8]
        self.ascii = all(map(str.isascii, listed))
        self.rare = any(map(is_rare, listed))
        self._tails: set[str] = set()
        self._spelled: set[str] = set()
        lengths: dict[str, set[int]] = {}
        for path in listed:
            self._spelled.update(ends_of(path))
            for form in (path,) if path.isascii() else (unicodedata.normalize(f, path) for f in ("NFC", "NFD")):
                tails = ends_of(fold_case(form))
                self._tails.update(tails)
                lengths.setdefault(tails[-1], set()).update(map(len, tails))
        self._folders = tuple({fold_case(path.partition("/")[0]) + "/" for path in listed if "/" in path})
        self._lengths = {name: tuple(sorted(found, reverse=True)) for name, found in lengths.items()}
        self._names = sorted({len(name) for name in lengths}, reverse=True)
        self.longest = max(map(len, self._tails), default=0)

    def find(self, text: str) -> int:
        """Return how many characters of a path's end ``text`` (see :func:`fold_case`) ends in; 0 for none."""
        size = len(text)
        for length in self._names:
            if length <= size and (tails := self._lengths.get(text[size - length :])):
                return next(n for n in tails if n <= size and text[size - n :] in self._tails)
        return 0

    def begins(self, text: str) -> bool:
        """Tell whether ``text`` begins with a folder that paths begin with, whatever its case."""
        return bool(self._folders) and fold_case(text).startswith(self._folders)

    def spells(self, text: str) -> bool:
        """Tell whether a path ends in the whole names of ``text`` to the letter, but for the slashes."""
        return text.replace("\\", "/") in self._spelled


NO_NAMES: Final = FolderNames()
