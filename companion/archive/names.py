"""Names inside an archive, and names of archives: what every system takes."""

import re
import unicodedata
from typing import Final

from companion.core.portable import reserved_device
from companion.core.text import INVISIBLE

# Microsoft, "Naming Files, Paths, and Namespaces": forbidden characters, trailing dots and spaces.
_FORBIDDEN: Final = re.compile(f'[<>:"/\\\\|?*\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff{INVISIBLE}]+')
_DRIVE: Final = re.compile(r"[A-Za-z]:")
LONGEST: Final = 80
"""Characters of a top folder's or archive's own name: room is left in the 260 that some systems allow a whole path."""
MOST_BYTES: Final = 180
"""Bytes of it in UTF-8: with what is put behind it, it stays under the 255 that most file systems allow a name."""


def portable_start(text: str) -> str:
    """Return ``text``, however long, without what no system's name may hold or begin with; letters of any script stay.

    A leading dot hides the folder, a leading hyphen reads as an option.
    """
    return " ".join(unicodedata.normalize("NFC", _FORBIDDEN.sub(" ", text)).split()).lstrip("-~ .")


def portable_name(text: str, otherwise: str = "Instrument") -> str:
    """Return ``text`` as one part of a path that Windows, macOS and Linux all take, or ``otherwise``."""
    name = portable_start(text).rstrip(" .")[:LONGEST]  # a trailing dot is lost on Windows
    name = name.encode()[:MOST_BYTES].decode(errors="ignore").rstrip(" .")
    if not name:
        return otherwise
    return f"{name} files" if reserved_device(name) else name


def name_problem(name: str) -> str:
    """Return why a member of this name could land outside its folder, or an empty string.

    APPNOTE 4.4.17.1: relative, forward slashes, no drive letter. A trailing slash marks a folder.
    """
    if not name.strip("/"):
        return "it has no name"
    if "\0" in name:
        return "its name holds a NUL character"
    if name.startswith("/"):
        return "it starts at the root of the disk"
    if _DRIVE.match(name):
        return "it starts with a drive letter"
    if "\\" in name:
        return "its name holds a backslash, which is a separator on Windows"
    parts = name.removesuffix("/").split("/")
    if ".." in parts:
        return "it climbs out of its folder with “..”"
    if "." in parts or "" in parts:
        return "its path holds an empty part or a “.”"
    # Windows drops dots and spaces at the end of a name, and what is left of such a part is “.”, “..” or nothing.
    if not all(part.rstrip(" .") for part in parts):
        return "its path holds a part of dots and spaces alone"
    return ""
