"""What a reader sees of a text in Markdown, HTML or plain text, with the lines it came from."""

import re
from bisect import bisect_right
from html.parser import HTMLParser
from itertools import accumulate
from typing import Any, Final

import msgspec

from companion.words.markdown import MOST_INLINE, blocks, spans

_HTML: Final = re.compile(r"\s*(?:<!doctype\b|<(?:html|head|body|main|article|section|div|header|h[1-6]|p|ul)\b)", re.I)  # noqa: FURB167
_BLOCK: Final = re.compile(
    r"address|article|aside|blockquote|body|br|d[dlt]|div|footer|form|h[1-6]|head(?:er)?|hr|html|li|main|nav|[ou]l|p|pre"
    r"|section|table|tbody|t[dhr]|tfoot|thead|title"
)
_HIDDEN: Final = frozenset({"script", "style", "template"})
_CELLS: Final = frozenset({"td", "th"})
_ROW_ENDS: Final = frozenset({"tr", "table", "thead", "tbody", "tfoot", "body", "html"})
_CHECKBOX: Final = re.compile(r"^\[[ xX]\]\s+")
_RULED: Final = re.compile(r"[\s|:-]+")
_UNCLOSED: Final = re.compile(r"<(?=[^<>]*(?:<|\Z))")


class Passage(msgspec.Struct, frozen=True, kw_only=True):
    """A paragraph, heading, table row or list item on one line of plain text.

    starts: the offsets in ``text`` at which a new line of the source begins; lines: those lines' numbers, from 1.
    row: of a table; its cells stand with “: ” between them.
    """

    text: str
    starts: tuple[int, ...]
    lines: tuple[int, ...]
    item: bool = False
    heading: bool = False
    row: bool = False

    def line_at(self, offset: int) -> int:
        """Return the source's line number of a place in ``text``."""
        return self.lines[max(0, bisect_right(self.starts, offset) - 1)]


class _Builder:
    """Gathers passages. What is added to one line of the source stands there without a blank between."""

    def __init__(self) -> None:
        self.passages: list[Passage] = []
        self.lines: dict[int, str] = {}
        self._item = self._heading = self._row = False

    def begin(self, *, item: bool = False, heading: bool = False, row: bool = False) -> None:
        self.close()
        self._item, self._heading, self._row = item, heading, row

    def add(self, text: str, line: int) -> None:
        self.lines[line] = self.lines.get(line, "") + text

    def close(self) -> None:
        found = [(line, " ".join(text.split())) for line, text in self.lines.items() if text.strip()]
        if found and self._item:
            found[0] = (found[0][0], _CHECKBOX.sub("", found[0][1]))
        if found and all(text.startswith("|") for _, text in found):  # a table without the rule under its head
            self._row = True
            for line, text in found:
                if not _RULED.fullmatch(text):
                    self._keep([(line, ": ".join(cell.strip() for cell in text.strip("|").split("|")))])
        elif found:
            self._keep(found)
        self.lines = {}
        self._item = self._heading = self._row = False

    def _keep(self, found: list[tuple[int, str]]) -> None:
        lines, texts = zip(*found, strict=True)
        starts = tuple(accumulate((len(text) + 1 for text in texts[:-1]), initial=0))
        self.passages.append(
            Passage(
                text=" ".join(texts),
                starts=starts,
                lines=lines,
                item=self._item,
                heading=self._heading,
                row=self._row,
            )
        )


class _Reader(HTMLParser):
    """Collects what a browser would show; pieces of inline markup are one passage."""

    def __init__(self, builder: _Builder, first_line: int) -> None:
        super().__init__(convert_charrefs=True)
        self._builder = builder
        self._before = first_line - 1
        self._hidden = 0
        self._in_row = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._hidden += tag in _HIDDEN
        if tag in _ROW_ENDS:
            self._in_row = tag == "tr"
        if self._in_row and tag != "tr":
            if _BLOCK.fullmatch(tag) and self._builder.lines:
                self._builder.add(": " if tag in _CELLS else " ", self._before + self.getpos()[0])
        elif _BLOCK.fullmatch(tag):
            heading = tag in ("h1", "h2", "h3", "h4", "h5", "h6", "title")
            self._builder.begin(item=tag == "li", heading=heading, row=tag == "tr")

    def handle_endtag(self, tag: str) -> None:
        self._hidden = max(0, self._hidden - (tag in _HIDDEN))
        self._in_row = self._in_row and tag not in _ROW_ENDS
        if _BLOCK.fullmatch(tag) and not self._in_row:
            self._builder.close()

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            for number, part in enumerate(data.split("\n"), self._before + self.getpos()[0]):
                self._builder.add(part, number)


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
    builder.close()


def _read_markdown(builder: _Builder, text: str, first_line: int) -> None:
    tokens, references, rest = blocks(text)
    in_row = False
    for token in tokens:
        line = first_line + (token.map[0] if token.map else 0)
        match token.type:
            case "heading_open" | "list_item_open" | "tr_open":
                in_row = token.type == "tr_open"
                builder.begin(item=token.type == "list_item_open", heading=token.type == "heading_open", row=in_row)
            case "paragraph_close" | "heading_close" | "list_item_close" | "tr_close":
                builder.close()
                in_row = False
            case "inline":
                if in_row:
                    builder.add(": " if builder.lines else "", line)
                _read_inline(builder, token.content, line, references)
            case "html_block":
                _read_html(builder, token.content, line)
            case "fence":
                _read_lines(builder, token.content, line + 1)
    _read_lines(builder, rest, first_line + text.count("\n", 0, len(text) - len(rest)))


def _read_lines(builder: _Builder, text: str, first_line: int) -> None:
    """Read paragraphs as they stand."""
    for number, line in enumerate(text.split("\n"), first_line):
        builder.add(line, number)
        if not line.strip():
            builder.close()
    builder.close()


def _read_inline(builder: _Builder, source: str, first_line: int, references: dict[str, Any]) -> None:
    """Add a paragraph's Markdown as a reader sees it, each piece to the line where it stands."""
    if len(source) > MOST_INLINE:
        for number, text in enumerate(source.split("\n"), first_line):
            builder.add(text, number)
        return
    at = 0
    for piece in spans(source, references):
        raw = piece.markup if piece.type == "text_special" else piece.content
        found = source.find(raw, at)
        line = first_line + source.count("\n", 0, max(found, at))
        at = max(at, found + len(raw))
        if piece.type != "html_inline":
            builder.add(piece.content, line)
        elif raw.lower().startswith("<br"):
            builder.add(" ", line)
