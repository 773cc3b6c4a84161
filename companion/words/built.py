"""What a page says of the archive before there is one: marks, put in the place of what is known once it is built.

The archive holds texts of ours and none of the pages, so a page may name its size and checksum; but were the page taken
for changed when these are put in, the Words step would be stale whenever the archive is built. So a page counts as the
same with its marks and with what is true in their place.
"""

import re
from collections.abc import Iterable
from typing import Final, Literal

from companion.core.units import both_bytes

_BLANK: Final = "\u00a0"
_MARKS: Final = {what: f"⟨{what} once built⟩".replace(" ", _BLANK) for what in ("size", "checksum")}
_NEAR: Final = 400
"""Characters before a checksum in which the size of the same archive is looked for."""


def once_built(what: Literal["size", "checksum"]) -> str:
    """Return the mark that stands where something is known once the archive is built; it never breaks over a line."""
    return _MARKS[what]


def marks_left(text: str) -> list[str]:
    """Return the marks that stand in a text."""
    return [mark for mark in _MARKS.values() if mark in text]


def _sized(size: int) -> re.Pattern[str]:
    return re.compile(r"\s+".join(re.escape(word) for word in both_bytes(size).split()))


def filled(text: str, size: int, sha256: str, formers: Iterable[tuple[int, str]] = ()) -> str:
    """Return a page with what is known of its archive: in place of the marks, and of an archive built before it.

    formers: size and SHA-256 of earlier archives of the same name.
    """
    text = text.replace(_MARKS["size"], both_bytes(size)).replace(_MARKS["checksum"], sha256)
    for former, checksum in formers:
        at = text.find(checksum)
        if at < 0 or checksum == sha256:
            continue
        before = max(0, at - _NEAR)
        near = list(_sized(former).finditer(text, before, at))
        if near:
            start, end = near[-1].span()
            text = text[:start] + both_bytes(size) + text[end:]
        text = text.replace(checksum, sha256)
    return text


def unfilled(text: str, size: int, sha256: str) -> str:
    """Return a page with the marks in place of what is true of its archive; the same for both of them."""
    if sha256 not in text:
        return text
    return _sized(size).sub(_MARKS["size"], text).replace(sha256, _MARKS["checksum"])
