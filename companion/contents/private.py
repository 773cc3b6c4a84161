"""What sound files and pictures tell about whoever made them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from companion.contents.model import PathsModel
from companion.core.findings import Finding, Rule, Severity
from companion.core.text import shorten, visible

METADATA_PRIVATE = Rule(
    id="metadata-private",
    step="paths",
    severity=Severity.WARNS,
    means="The metadata of a sound or picture holds a user name, a path in a home folder, a serial number or a place.",
    why="It ships to everyone who downloads the instrument and says more about you than you may want.",
    mend="Export the file without metadata, or remove that field in your audio or picture editor.",
    limit="no user name, home folder, serial number or position",
    source="EBU Tech 3285 (bext), Exif 2.32: the fields that hold them",
)

_HOME: Final = re.compile(
    r"[\\/](?:Users|home|Documents and Settings)[\\/](?!Shared[\\/]|Public[\\/])[^\\/\s\"'<>]+|%USERPROFILE%",
    re.IGNORECASE,
)
_SERIAL_FIELD: Final = re.compile(r"serial(?:\s*(?:number|no))?", re.IGNORECASE)
_SERIAL_TEXT: Final = re.compile(
    r"\bserial[\s_-]*(?:number|no\.?|#)?[\s:=>\"]{1,4}([A-Za-z0-9][\w-]{4,})", re.IGNORECASE
)
_POSITION: Final = re.compile(r"GPS (?:GPS)?(?:Latitude|Longitude)$")


def _private(field: str, text: str, home: str, user: str) -> str:
    """Return what is private in a field, in a few words, or an empty string."""
    where = _HOME.search(text)
    if where:
        return f"a home folder: {where.group()}"
    plain = text.replace("\\", "/").casefold()
    if len(home.strip("/\\")) > 3 and home.replace("\\", "/").casefold().rstrip("/") in plain:
        return "this computer's home folder"
    if len(user) >= 3 and re.search(rf"(?<!\w){re.escape(user.casefold())}(?!\w)", plain):
        return f"the user name {user}"
    if _SERIAL_FIELD.search(field.replace("_", " ")) and len(text.strip("\0 0")) >= 4:
        return "a serial number"
    if _SERIAL_TEXT.search(text):
        return "a serial number"
    return "a position on the map" if _POSITION.match(field) and text.strip("\0 ") else ""


def _all(model: PathsModel) -> Iterator[tuple[str, tuple[tuple[str, str], ...]]]:
    yield from model.metadata.items()
    for path, picture in model.pictures.items():
        yield path, picture.metadata


def metadata_private(model: PathsModel) -> list[Finding]:
    """One finding a file. A credit such as a maker's own artist name is no user name and is let pass."""
    ships = model.selection.paths
    found = []
    for path, pairs in sorted(_all(model), key=lambda item: item[0]):
        if path not in ships:
            continue
        told = [(field, what) for field, text in pairs if (what := _private(field, text, model.home, model.user))]
        if told:
            field, what = told[0]
            more = f", and {len(told) - 1:,} more" if len(told) > 1 else ""
            found.append(
                METADATA_PRIVATE.finding(path, where=visible(field), measured=shorten(visible(what), 160) + more)
            )
    return found
