"""Names that every player's system takes: Windows, macOS and Linux."""

import re
import unicodedata
from typing import Final

from companion.core.text import has_invisible

FORBIDDEN: Final = re.compile(r'[<>:"/\\|?*\x00-\x1f]')
"""Microsoft, "Naming Files, Paths, and Namespaces"."""
SURROGATE: Final = re.compile("[\ud800-\udfff]")
MOST_BYTES: Final = 255
"""Linux NAME_MAX; macOS and Windows allow 255 UTF-16 units, which is never fewer characters than this allows."""
_DEVICES: Final = frozenset(
    ["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"]
    + [f"{port}{number}" for port in ("COM", "LPT") for number in "123456789¹²³"]
)


def reserved_device(name: str) -> str:
    """Return the Windows device that ``name`` stands for, with any extension, or an empty string."""
    stem = name.partition(".")[0].rstrip(" ").upper()
    return stem if stem in _DEVICES else ""


def name_bytes(name: str) -> int:
    """Return how many bytes a name takes on Linux."""
    return len(name.encode("utf-8", "surrogateescape" if not SURROGATE.search(name) else "surrogatepass"))


def utf16_units(text: str) -> int:
    """Return the length of ``text`` as Windows counts it."""
    return len(text.encode("utf-16-le", "surrogatepass")) // 2


def _cut(name: str) -> str:
    """Return ``name`` within 255 bytes, its extension kept."""
    stem, dot, extension = name.rpartition(".")
    tail = f"{dot}{extension}" if dot and stem and len(extension.encode()) <= 16 else ""
    head = name[: len(name) - len(tail)].encode()[: MOST_BYTES - len(tail.encode())].decode("utf-8", "ignore")
    return head.rstrip(" .") + tail


def portable_name(name: str) -> str:
    """Return the nearest name that every system takes; one that is taken everywhere comes back as it is, but for NFC.

    The result passes all name rules, and ``portable_name`` leaves it alone.
    """
    new = FORBIDDEN.sub("-", SURROGATE.sub("-", name))
    if has_invisible(new):
        new = "".join(char for char in new if not has_invisible(char))
    # Composing may uncover what was hidden before, so that is done ahead of everything that looks at the ends.
    new = unicodedata.normalize("NFC", new).rstrip(" .")
    if len(new.encode()) > MOST_BYTES:
        new = _cut(new)
    if reserved_device(new):
        stem, dot, rest = new.partition(".")
        new = f"{stem.rstrip(' ')}_{dot}{rest}"
    return new or "unnamed"
