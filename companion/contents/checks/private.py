"""What sound files and pictures give away about whoever made them."""

import re
from collections.abc import Iterator
from typing import Final

from companion.contents.model import PathsModel, paths_rule
from companion.contents.reading.homes import HOME_FOLDER, HOME_VARIABLE, names_home
from companion.contents.versions import PICTURES_READ
from companion.core.findings import WARNS, Finding
from companion.core.rules import AUDIO_HEADERS
from companion.core.text import shorten, visible

_HOME: Final = re.compile(f"{HOME_FOLDER}|{HOME_VARIABLE}", re.IGNORECASE)
_SERIAL_FIELD: Final = re.compile(r"serial(?:\s*(?:number|no))?", re.IGNORECASE)
_SERIAL_TEXT: Final = re.compile(
    r"\bserial[\s_-]*(?:number|no\.?|#)?[\s:=>\"]{1,4}([A-Za-z0-9][\w-]{4,})", re.IGNORECASE
)
_POSITION: Final = re.compile(r"GPS (?:GPS)?(?:Latitude|Longitude)$")


def _private(field: str, text: str, home: str, user: str) -> str:
    """Return what is private in a field, in a few words, or an empty string."""
    if where := _HOME.search(text):
        return f"a home folder: {where.group()}"
    if names_home(text, home):
        return "this computer's home folder"
    if len(user) >= 3 and re.search(rf"(?<!\w){re.escape(user.casefold())}(?!\w)", text.casefold()):
        return f"the user name {user}"
    if _SERIAL_FIELD.search(field.replace("_", " ")) and len(text.strip("\0 0")) >= 4:
        return "a serial number"
    if _SERIAL_TEXT.search(text):
        return "a serial number"
    return "a position on the map" if _POSITION.match(field) and text.strip("\0 ") else ""


@paths_rule(
    "metadata-private",
    WARNS,
    version=2,
    rests_on=(AUDIO_HEADERS, PICTURES_READ),
    means="The metadata of a sound or picture holds a user name, a path in a home folder, a serial number or a place.",
    why="It ships to everyone who downloads the instrument and says more about you than you may want.",
    mend="Export the file without metadata, or remove that field in your audio or picture editor.",
    limit="no user name, home folder, serial number or position",
    source="EBU Tech 3285 (bext), Exif 2.32: the fields that hold them",
)
def metadata_private(model: PathsModel) -> Iterator[Finding]:
    """One finding a file. A credit such as a maker's own artist name is no user name and is let pass."""
    carried = {**model.metadata, **{path: picture.metadata for path, picture in model.pictures.items()}}
    for path in sorted(model.selection.paths & carried.keys()):
        found = [
            (field, what) for field, text in carried[path] if (what := _private(field, text, model.home, model.user))
        ]
        if found:
            field, what = found[0]
            more = f", and {len(found) - 1:,} more" if len(found) > 1 else ""
            yield metadata_private.finding(
                path, where=visible(field), value=shorten(visible(what), 160), says=f"{{value}}{more}"
            )
