"""Make text from files harmless before anyone sees it.

Names and notes come from strangers' disks. Control characters move a terminal's cursor, bidi characters show a name
other than the one on disk, and a lone surrogate (a name that is not UTF-8) cannot be printed at all. They are all made
visible here, in one place, as ``\\x1b``, ``\\u202e`` or ``\\udcff``.
"""

import re
import unicodedata

# Unicode 15 Bidi_Control (PropList.txt) plus the invisible characters that make two names look alike
# (Default_Ignorable_Code_Point, DerivedCoreProperties.txt, but the variation selectors that pictographs carry).
INVISIBLE = (
    "\u00ad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180b-\u180f\u200b-\u200f\u202a-\u202e\u2060-\u206f\u3164"
    "\ufeff\uffa0\ufff0-\ufffb\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0000-\U000e007f"
)
_UNSAFE = f"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff{INVISIBLE}]"
_UNSAFE_BUT_LINES = f"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff{INVISIBLE}]"
# Compiled when first needed: most text is plain ASCII, and a command that lists snapshots is over in 40 ms.


def _shown(match: re.Match[str]) -> str:
    point = ord(match.group())
    if point < 0x100:
        return f"\\x{point:02x}"
    return f"\\u{point:04x}" if point < 0x10000 else f"\\U{point:08x}"


def visible(text: str) -> str:
    """Return ``text`` on one line with every control, bidi, invisible and unpaired character written out.

    The result is safe for a terminal and encodes as UTF-8. Ordinary text comes back unchanged (the same object).
    """
    return re.sub(_UNSAFE, _shown, text) if has_invisible(text) else text


def visible_lines(text: str) -> str:
    """Like :func:`visible`, but keep line feeds and tabs; carriage returns before a line feed are dropped."""
    return re.sub(_UNSAFE_BUT_LINES, _shown, text.replace("\r\n", "\n"))


def has_invisible(text: str) -> bool:
    """Tell whether ``text`` holds a control, bidi or invisible character."""
    plain = text.isascii() and text.isprintable()
    return not plain and bool(re.search(_UNSAFE, text))


HOME_NAME = re.compile(
    r"(?P<before>\\(?:Users|Documents and Settings)\\)(?:[^\\/\n\"'<>|]{1,80}(?=\\)|[^\\/\s\"'<>|,;…]{1,80})"
    r"|(?P<slashes>(?<![\w.-])(?:[A-Za-z]:)?/(?:Users|home)/)[^\\/\s\"'<>|,;…]{1,80}",
    re.IGNORECASE,
)
"""A person's name where it stands in the path of a home folder."""
HOME_HIDDEN = r"\g<before>\g<slashes>…"


def without_home(text: str) -> str:
    """Return ``text`` without the names that stand in paths of home folders."""
    return HOME_NAME.sub(HOME_HIDDEN, text)


def same_name_key(name: str) -> str:
    """Return the key under which two names are one file on a system that folds case or normalises.

    NFC then casefold then NFC again (Unicode Standard, section 3.13, D145, with UAX #15).
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def shorten(text: str, width: int) -> str:
    """Return ``text`` cut in the middle to ``width`` characters, with an ellipsis, so that both ends stay readable."""
    if width < 1 or len(text) <= width:
        return text
    head = (width - 1) // 2
    return f"{text[:head]}…{text[len(text) - (width - 1 - head) :]}"


def plural(count: int, one: str, many: str = "") -> str:
    """Return ``1 sample`` or ``2,000 samples``."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def listed(items: list[str] | tuple[str, ...], most: int = 3, joiner: str = "and") -> str:
    """Return ``a, b and c``, or ``a, b, c and 4 more`` when there are over ``most``."""
    shown = list(items[:most])
    if len(items) > most:
        shown.append(f"{len(items) - most:,} more")
    if len(shown) < 2:
        return "".join(shown)
    return f"{', '.join(shown[:-1])} {joiner} {shown[-1]}"
