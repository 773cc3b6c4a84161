"""What a reader sees of a text in Markdown, HTML or plain text, with the lines it came from."""

from __future__ import annotations

import re
from bisect import bisect_right
from html.parser import HTMLParser
from typing import Any, Final

import msgspec

from companion.words.markdown import blocks, spans

_HTML: Final = re.compile(r"\s*(?:<!doctype\b|<(?:html|head|body|main|article|section|div|header|h[1-6]|p|ul)\b)", re.I)  # noqa: FURB167
_BLOCK: Final = re.compile(
    r"address|article|aside|blockquote|body|br|d[dlt]|div|footer|form|h[1-6]|head(?:er)?|hr|html|li|main|nav|[ou]l|p|pre"
    r"|section|table|tbody|t[dhr]|tfoot|thead|title"
)
_HIDDEN: Final = frozenset({"script", "style", "template"})
_CHECKBOX: Final = re.compile(r"^\s*\[[ xX]\]\s+")
_RULED: Final = re.compile(r"[\s|:-]+")
_UNCLOSED: Final = re.compile(r"<(?=[^<>]*(?:<|\Z))")


class Passage(msgspec.Struct, frozen=True, kw_only=True):
    """A paragraph, heading, table row or list item on one line of plain text.

    starts: the offsets in ``text`` at which a new line of the source begins; lines: those lines' numbers, from 1.
    """

    text: str
    starts: tuple[int, ...]
    lines: tuple[int, ...]
    item: bool = False
    heading: bool = False

    def line_at(self, offset: int) -> int:
        """Return the source's line number of a place in ``text``."""
        return self.lines[max(0, bisect_right(self.starts, offset) - 1)]


class _Builder:
    def __init__(self) -> None:
        self.passages: list[Passage] = []
        self._pieces: list[tuple[str, int]] = []
        self.item = self.heading = False

    def add(self, text: str, line: int) -> None:
        piece = " ".join(text.split())
        if piece:
            self._pieces.append((piece, line))

    def begin(self, *, item: bool = False, heading: bool = False) -> None:
        self.close()
        self.item, self.heading = item, heading

    def close(self) -> None:
        if self._pieces:
            starts, at = [], 0
            for piece, _ in self._pieces:
                starts.append(at)
                at += len(piece) + 1
            self.passages.append(
                Passage(
                    text=" ".join(piece for piece, _ in self._pieces),
                    starts=tuple(starts),
                    lines=tuple(line for _, line in self._pieces),
                    item=self.item,
                    heading=self.heading,
                )
            )
        self._pieces = []
        self.item = self.heading = False


class _Reader(HTMLParser):
    """Collects what a browser would show; pieces of inline markup are one passage."""

    def __init__(self, builder: _Builder, first_line: int) -> None:
        super().__init__(convert_charrefs=True)
        self._builder = builder
        self._before = first_line - 1
        self._hidden = 0
        self._open: list[tuple[str, int]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._hidden += tag in _HIDDEN
        if _BLOCK.fullmatch(tag):
            self.flush()
            self._builder.begin(item=tag == "li", heading=tag in ("h1", "h2", "h3", "h4", "h5", "h6", "title"))

    def handle_endtag(self, tag: str) -> None:
        self._hidden = max(0, self._hidden - (tag in _HIDDEN))
        if _BLOCK.fullmatch(tag):
            self.flush()

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            line = self._before + self.getpos()[0]
            self._open += [(part, line + number) for number, part in enumerate(data.split("\n"))]

    def flush(self) -> None:
        joined: list[tuple[str, int]] = []
        for text, line in self._open:
            if joined and joined[-1][1] == line:  # inline tags part no words
                joined[-1] = (joined[-1][0] + text, line)
            else:
                joined.append((text, line))
        for text, line in joined:
            self._builder.add(text, line)
        self._open = []
        self._builder.close()


def is_html(text: str, path: str = "") -> bool:
    """Return whether a text is HTML, by its name or its first tag."""
    return path.lower().endswith((".html", ".htm")) or bool(_HTML.match(text))


def _closed(html: str) -> str:
    """Return ``html`` without comments and with unclosed tags as text: the parser is quadratic in both."""
    kept, at = [], 0
    while (start := html.find("<!--", at)) >= 0 and (end := html.find("-->", start)) >= 0:
        kept += [html[at:start], "\n" * html.count("\n", start, end)]
        at = end + 3
    return _UNCLOSED.sub("&lt;", "".join([*kept, html[at:]]))


def passages(text: str, path: str = "", first_line: int = 1) -> list[Passage]:
    """Return what a reader sees of ``text``, passage by passage; ``first_line``: the number of its first line."""
    builder = _Builder()
    if is_html(text, path):
        _read_html(builder, text, first_line)
    else:
        _read_markdown(builder, text.replace("\r\n", "\n"), first_line)
    return builder.passages


def _read_html(builder: _Builder, text: str, first_line: int) -> None:
    reader = _Reader(builder, first_line)
    reader.feed(_closed(text))
    reader.close()
    reader.flush()


def _read_markdown(builder: _Builder, text: str, first_line: int) -> None:
    tokens, references, rest = blocks(text)
    cells: list[str] | None = None
    row = 0
    for token in tokens:
        line = first_line + (token.map[0] if token.map else 0)
        if token.type in ("heading_open", "list_item_open"):
            builder.begin(item=token.type == "list_item_open", heading=token.type == "heading_open")
        elif token.type == "tr_open":
            cells, row = [], line
        elif token.type == "tr_close":
            builder.add(": ".join(cells or ()), row)
            cells = None
        elif token.type == "inline" and cells is not None:
            cells += _rendered_lines(token.content, references)
        elif token.type == "inline":
            _add_lines(builder, _rendered_lines(token.content, references), line)
        elif token.type == "html_block":
            _read_html(builder, token.content, line)
        elif token.type == "fence":
            _add_lines(builder, token.content.split("\n"), line + 1)
        if token.type.endswith(("_close", "fence")) and cells is None:
            builder.close()
    if rest:
        _add_lines(builder, rest.split("\n"), first_line + text.count("\n", 0, len(text) - len(rest)))
        builder.close()


def _add_lines(builder: _Builder, lines: list[str], first: int) -> None:
    """Add a paragraph line by line; rows of a table that has no rule under its head are passages of their own."""
    for number, line in enumerate(lines, first):
        if not line.strip():
            builder.close()
        elif line.lstrip().startswith("|"):
            builder.close()
            if not _RULED.fullmatch(line):
                builder.add(": ".join(cell.strip() for cell in line.strip().strip("|").split("|")), number)
                builder.close()
        else:
            builder.add(_CHECKBOX.sub("", line) if builder.item and number == first else line, number)


def _rendered_lines(source: str, references: dict[str, Any]) -> list[str]:
    """Return the lines of a paragraph's Markdown as a reader sees them."""
    pieces = spans(source, references)
    if pieces is None:
        return source.split("\n")
    lines = [""] * (source.count("\n") + 1)
    at = 0
    for piece in pieces:
        raw = piece.markup if piece.type == "text_special" else piece.content
        found = source.find(raw, at)
        line = source.count("\n", 0, max(found, at))
        at = max(at, found + len(raw))
        if piece.type != "html_inline":
            lines[line] += piece.content
        elif raw.lower().startswith("<br"):
            lines[line] += " "
    return lines
