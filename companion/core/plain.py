"""Plain twins of our marks, for terminals and files that cannot show them.

What a stream's encoding lacks is written as its twin where it has one (``✓`` as ``+``), and else as its number
(``\\u6d1e``): nothing ends a run, and names stay told apart. A terminal that takes every character and has no picture
of some is known by its name (the variable TERM).
"""

import codecs
import os
from functools import lru_cache
from typing import Any, Final

ERRORS: Final = "companion-plain"
"""The name under which the twins are known to encoders."""
TWINS: Final = {
    **dict(zip("²³¹µ·×–—’‘“”•′›‹←↑→↓−≡", "231u.x--''\"\"*'><<^>v-=", strict=True)),
    **dict(zip("─━│┅┊└┤╌═╳╵█▌■▲▸▼▾◇○●♪♭♯✓✗⟨⟩", "-=|=:`+-=X'#|#^>vv%o**b#+x<>", strict=True)),
    **dict(zip("‹◆⌈⌉✔☑", "<%[]++", strict=True)),
    **dict.fromkeys("┃▏▎▍▐▕▊▋", "|"),
    **dict.fromkeys("▁▔╴╶╸╺", "-"),
    **dict.fromkeys("\u00a0\u202f\u2800", " "),
    "…": "...",
    "±": "+/-",
    "∞": "inf",
    "≤": "<=",
    "≥": ">=",
}
"""What stands for each sign in a line of text. All of it is ASCII."""
_CELLS: Final = {"…": "~", "±": "~", "∞": "8", "≤": "<", "≥": ">"}
"""What stands for one in a single cell, where its twin is longer."""
_FONTS: Final = {"linux": "cp437", "dumb": "latin-1"}
"""What terminals of these names have pictures of, of our marks."""


def twin(sign: str) -> str:
    """Return the twin of one character; empty where it has none."""
    if known := TWINS.get(sign):
        return known
    point = ord(sign)
    return "+" if 0x2500 <= point < 0x2580 else "#" if 0x2580 <= point < 0x25A0 or 0x2800 <= point < 0x2900 else ""


def escaped(sign: str) -> str:
    """Return one character by its number, as Python writes it."""
    return sign.encode("ascii", "backslashreplace").decode("ascii")


def _stand_in(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(twin(sign) or escaped(sign) for sign in error.object[error.start : error.end]), error.end


codecs.register_error(ERRORS, _stand_in)


class Charset:
    """What can be shown by what writes in ``encoding`` to a terminal called ``terminal``."""

    def __init__(self, encoding: str, terminal: str = "") -> None:
        try:
            codecs.lookup(encoding or "ascii")
        except LookupError:
            encoding = "ascii"
        self.encoding = encoding or "ascii"
        self._font = _FONTS.get(terminal, "")
        self.whole = not self._font and codecs.lookup(self.encoding).name == "utf-8"
        """Whether nothing is lacking."""

    def lacks(self, sign: str) -> bool:
        """Tell whether one character cannot be shown."""
        return not _has(self.encoding, sign) or bool(self._font and twin(sign) and not _has(self._font, sign))

    def shown(self, text: str) -> str:
        """Return a text with twins, and numbers where there are none, for all that is lacking."""
        if self.whole or text.isascii():
            return text
        return "".join((twin(sign) or escaped(sign)) if self.lacks(sign) else sign for sign in text)

    def named(self, text: str) -> str:
        """Like :meth:`shown`, but leave the marks that have a twin of one cell to :meth:`cells`."""
        if self.whole or text.isascii():
            return text
        return "".join(
            sign if not self.lacks(sign) or sign == "…" or len(twin(sign)) == 1 else twin(sign) or escaped(sign)
            for sign in text
        )

    def cells(self, text: str) -> str:
        """Return a text with twins that take as many cells of a terminal as what they stand for."""
        if self.whole or text.isascii():
            return text
        return "".join(_cell(sign) if self.lacks(sign) else sign for sign in text)


def _cell(sign: str) -> str:
    import unicodedata  # a megabyte that most commands do without

    if unicodedata.combining(sign) or unicodedata.category(sign) in ("Mn", "Me", "Cf"):
        return ""
    return _CELLS.get(sign) or twin(sign) or ("??" if unicodedata.east_asian_width(sign) in "WF" else "?")


@lru_cache(4096)
def _has(encoding: str, sign: str) -> bool:
    try:
        sign.encode(encoding)
    except UnicodeError:
        return False
    return True


def charset_of(stream: Any, *, font: bool = True) -> Charset:
    """Return what a stream of this process can show. font: whether it ends at a terminal that lacks pictures."""
    page = _page() if font and os.name == "nt" and stream.isatty() else ""
    return Charset(page or getattr(stream, "encoding", "") or "utf-8", os.environ.get("TERM", "") if font else "")


@lru_cache(1)
def _page() -> str:
    """Return the code page of a Windows console whose font holds no more than that: one of pixels, as of old."""
    import ctypes

    class Font(ctypes.Structure):  # CONSOLE_FONT_INFOEX
        _fields_ = (
            *(("size", ctypes.c_ulong), ("index", ctypes.c_ulong), ("wide", ctypes.c_short), ("high", ctypes.c_short)),
            *(("family", ctypes.c_uint), ("weight", ctypes.c_uint), ("face", ctypes.c_wchar * 32)),
        )

    font, kernel = Font(), ctypes.windll.kernel32  # type: ignore[attr-defined,unused-ignore]
    font.size = ctypes.sizeof(Font)
    output = ctypes.c_void_p(kernel.GetStdHandle(-11))  # STD_OUTPUT_HANDLE
    told = kernel.GetCurrentConsoleFontEx(output, False, ctypes.byref(font))
    outline = 0x4  # TMPF_TRUETYPE
    return f"cp{kernel.GetConsoleOutputCP()}" if told and font.family and not font.family & outline else ""


def prepare(stream: Any) -> None:
    """Let a stream write twins for what its encoding lacks, so that no name and no sign ends the run."""
    if hasattr(stream, "reconfigure"):
        stream.reconfigure(errors=ERRORS)
