"""Markdown as it is parsed here: CommonMark 0.31 with tables, and forgiving where plain text is read by it as well."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markdown_it import MarkdownIt
    from markdown_it.token import Token

MOST_PARSED: Final = 512 << 10
"""Characters that are parsed: a text that is made to be slow takes over a minute for each megabyte."""

MOST_INLINE: Final = 4000
"""Characters of a paragraph that are parsed for links and emphasis: the time for these may grow with their square."""

_DOT: Final = re.compile(r"^([ \t]*)•(?=\s)", re.MULTILINE)


@cache
def _parser() -> MarkdownIt:
    from markdown_it import MarkdownIt

    # Paragraphs are parsed one by one, so that none can be too long; what is indented is no code in a plain text.
    return MarkdownIt("commonmark").enable("table").disable(["code", "inline", "text_join"])


def blocks(text: str) -> tuple[Sequence[Token], dict[str, Any], str]:
    """Return the blocks of ``text``, what :func:`spans` needs of it, and the rest that is too long to be parsed.

    Lines end with a line feed alone; a bullet ``•`` counts as one.
    """
    rest = ""
    if len(text) > MOST_PARSED:
        cut = text.rfind("\n", 0, MOST_PARSED) + 1 or MOST_PARSED
        text, rest = text[:cut], text[cut:]
    references: dict[str, Any] = {}
    return _parser().parse(_DOT.sub(r"\1-", text.replace("\r", " ")), references), references, rest


def spans(source: str, references: dict[str, Any]) -> Sequence[Token]:
    """Return the pieces of a paragraph's source, which should have at most :data:`MOST_INLINE` characters."""
    found: list[Token] = []
    _parser().inline.parse(source, _parser(), references, found)
    return found
