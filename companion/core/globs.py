"""Glob patterns of the facts, such as ``Samples/**/*.wav``, as one compiled expression per list.

``*`` and ``?`` stay inside one name, ``**`` spans any number of folders (none too). Everything else is literal: file
names of this trade are full of brackets (``Slate [rr1].wav``), so brackets mean themselves. A pattern that ends in a
plain name also covers what lies below a folder of that name. Case and normalisation do not matter, because they do
not on the disks of most makers. Backslashes are read as slashes.
"""

import re
from collections.abc import Iterable
from functools import lru_cache
from typing import Final

from companion.core.text import same_name_key

_STARS: Final = re.compile(r"\*+")
DEEPEST_END: Final = 24


def folded(text: str) -> str:
    """Return the key under which paths are compared: NFC and casefold, quick for ASCII."""
    return text.lower() if text.isascii() else same_name_key(text)


def _name(part: str) -> str:
    """Return the expression for one name. All stars but the last take the shortest way and never reconsider, so
    that no pattern is slow (a later star can always take up what an earlier one left).
    """
    first, *rest = [re.escape(piece).replace(r"\?", "[^/]") for piece in _STARS.split(part)]
    if not rest:
        return first
    middle = "".join(f"(?>[^/]*?{piece})" for piece in rest[:-1] if piece)
    return f"{first}{middle}[^/]*{rest[-1]}"


def _translated(pattern: str) -> str:
    text = folded(pattern.replace("\\", "/"))
    parts = [part for part in text.split("/") if part not in ("", ".")]
    if not parts:
        return r"(?!)"
    runs: list[list[str]] = [[]]
    for part in parts:
        if part == "**":
            runs.append([])
        else:
            runs[-1].append(_name(part))
    below = "(?:/.*)?" if not re.search(r"[*?]", parts[-1]) else ""
    if text.endswith("/"):
        below = "/.+"
    if len(runs) == 1:
        return "/".join(runs[0]) + below
    first, *middle, last = runs
    out = "".join(f"{name}/" for name in first)
    out += "".join(f"(?>(?:[^/]+/)*?{'/'.join(run)}/)" for run in middle if run)
    return out + ("(?:[^/]+/)*" + "/".join(last) + below if last else ".+")


class Globs:
    """A list of patterns that a path is held against; an empty list matches nothing."""

    __slots__ = ("_match", "patterns")

    def __init__(self, patterns: Iterable[str]) -> None:
        self.patterns = tuple(patterns)
        joined = "|".join(_translated(pattern) for pattern in self.patterns) or r"(?!)"
        self._match = re.compile(joined, re.DOTALL).fullmatch

    def __bool__(self) -> bool:
        return bool(self.patterns)

    def matches(self, path: str) -> bool:
        """Tell whether any pattern covers ``path`` (relative, forward slashes)."""
        return self._match(folded(path)) is not None

    def matches_key(self, key: str) -> bool:
        """Like :meth:`matches` for a path that has been through :func:`folded`."""
        return self._match(key) is not None


@lru_cache(maxsize=256)
def globs(patterns: tuple[str, ...]) -> Globs:
    """Return the compiled patterns, compiled once per list."""
    return Globs(patterns)


def is_plain(pattern: str) -> bool:
    """Tell whether a pattern names one path, without any wildcard."""
    return not re.search(r"[*?]", pattern)


def ends_of(path: str) -> list[str]:
    """Return the ends of ``path`` that are whole names, the longest first, at most ``DEEPEST_END`` names deep."""
    parts = path.split("/")[-DEEPEST_END:]
    return ["/".join(parts[first:]) for first in range(len(parts))]
