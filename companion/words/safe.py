"""Text from elsewhere made inert in the three formats that drafts come in.

Each function returns ``markupsafe.Markup``: text that is final, so that no layer above makes it safe a second time.
"""

import re
from collections.abc import Callable
from typing import Any, Final, Literal

from markupsafe import Markup, escape

from companion.core.text import visible

Fmt = Literal["md", "txt", "html"]

_BLANKS: Final = re.compile(r"[ \t\r\n]+")
# CommonMark 0.31, section 2.4: any ASCII punctuation may be escaped. Escaped wherever they stand are those that begin
# or end markup anywhere; the rest only where a line could begin, since a readme is also read as it is. An underscore
# between letters or digits is text (section 6.2), as in the names of files.
_ANYWHERE: Final = re.compile(r"[`*\[\]<|~]|(?<![^\W_])_|_(?![^\W_])|\\(?=[^\w\s]|_|$)|&(?=[#\w]|$)")
_AT_START: Final = re.compile(r"^(\s?)(?:([#+\-=.):>])|(\d{1,9})([.)])(?=\s|$))")
_URL: Final = re.compile(r"https?://[\w.-]+\w(?::\d{1,5})?(?:[/?#][\w./?#@!$&'()*+,;=%:~-]*)?")
_MAIL: Final = re.compile(r"(?:mailto:)?([\w.+-]+@[\w-]+(?:\.[\w-]+)+)")


def one_line(value: Any) -> str:
    """Return ``value`` as one line of visible text; runs of blanks and line breaks become one space."""
    return visible(_BLANKS.sub(" ", str(value)))


def paragraphs(text: str) -> list[str]:
    """Return the paragraphs of ``text`` (parted by blank lines), each on one line."""
    parts = re.split(r"\n[ \t]*\n", text.replace("\r\n", "\n"))
    return [line for part in parts if (line := one_line(part).strip())]


def for_md(value: Any) -> Markup:
    """Return ``value`` so that Markdown shows it as the text it is."""
    if isinstance(value, Markup):
        return value
    text = _ANYWHERE.sub(lambda match: "\\" + match.group(), one_line(value))
    text = _AT_START.sub(lambda m: f"{m[1]}\\{m[2]}" if m[2] else f"{m[1]}{m[3]}\\{m[4]}", text)
    return Markup(text)  # noqa: S704 - made safe above


def for_txt(value: Any) -> Markup:
    """Return ``value`` as visible text."""
    return value if isinstance(value, Markup) else Markup(one_line(value))  # noqa: S704 - made safe above


def for_html(value: Any) -> Markup:
    """Return ``value`` escaped for HTML text and quoted attributes."""
    return value if isinstance(value, Markup) else escape(one_line(value))


SAFE: Final[dict[Fmt, Callable[[Any], Markup]]] = {"md": for_md, "txt": for_txt, "html": for_html}


def address(value: str) -> str:
    """Return the http, https or mailto address that ``value`` is as a whole, or an empty string.

    Letters of any script may stand in it (RFC 3987), as its maker gives it; nothing invisible may.
    """
    text = value.strip()
    if visible(text) != text:
        return ""
    if _URL.fullmatch(text):
        return text
    mail = _MAIL.fullmatch(text)
    return f"mailto:{mail[1]}" if mail else ""


def link(value: str, fmt: Fmt) -> Markup:
    """Return ``value`` as a link where it is one as a whole, else as inert text."""
    target = address(value) if isinstance(value, str) else ""
    if not target or fmt == "txt":
        return SAFE[fmt](value)
    text = target.removeprefix("mailto:")
    if fmt == "md":
        # CommonMark 0.31 takes a mail address for one without its scheme in ASCII alone.
        text = text if text.isascii() or text == target else target
        return Markup(f"<{text}>")  # noqa: S704 - address() lets no angle bracket or blank through
    return Markup('<a href="{}">{}</a>').format(escape(target), escape(text))
