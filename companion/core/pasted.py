"""A path as a person gives it: typed, pasted with quotes around it, or dragged into a terminal."""

import contextlib
import os
import re
import shlex
from pathlib import Path
from typing import Final
from urllib.parse import unquote

_ESCAPED: Final = re.compile(r"\\(.)")
_WINDOWS: Final = re.compile(r"[A-Za-z]:\\|\\\\")
_URL: Final = re.compile(r"file://(?:localhost)?(?=/)", re.IGNORECASE)


def place_of(text: str) -> Path | None:
    """Return the place a line names; None for an empty line.

    Terminals write what is dragged into them with quotes, with a backslash before each space, or as a file URL
    (RFC 8089). Backslashes are taken for that only where nothing lies at the path as it stands, and never on Windows.
    """
    named = text.strip()
    if match := _URL.match(named):
        named = unquote(named[match.end() :])
        named = named[1:] if os.name == "nt" else named
    else:
        named = named.strip("\"'")
    if not named:
        return None
    if os.name != "nt" and "\\" in named and not _WINDOWS.match(named) and not os.path.lexists(_home(named)):
        named = _ESCAPED.sub(r"\1", named)
    return _home(named)


def places_of(text: str) -> list[Path]:
    """Return the places a line names: one, or several that were dragged in together, where every one of them is there.

    An empty list for an empty line.
    """
    place = place_of(text)
    if place is None:
        return []
    if not os.path.lexists(place):
        with contextlib.suppress(ValueError):  # a quote that nothing closes
            several = [one for word in shlex.split(text, posix=os.name != "nt") if (one := place_of(word))]
            if len(several) > 1 and all(os.path.lexists(one) for one in several):
                return several
    return [place]


def _home(named: str) -> Path:
    with contextlib.suppress(RuntimeError):  # “~name” of nobody who has a home here
        return Path(named).expanduser()
    return Path(named)
