"""What a reader sees of a text in Markdown, HTML or plain text, with the lines it came from."""

from __future__ import annotations

import re
from bisect import bisect_right
from html.parser import HTMLParser
from typing import Final

import msgspec

_HTML: Final = re.compile(r"\s*(?:<!doctype\b|<(?:html|head|body|main|article|section|div|header|h[1-6]|p|ul)\b)", re.I)  # noqa: FURB167
_BLOCK: Final = re.compile(
    r"address|article|aside|blockquote|body|br|d[dlt]|div|footer|form|h[1-6]|head(?:er)?|hr|html|li|main|nav|[ou]l|p|pre"
    r"|section|table|tbody|t[dhr]|tfoot|thead|title"
)
_UNSEEN: Final = frozenset({"script", "style", "template"})
_BULLET: Final = re.compile(r"\s*(?:[-*+•]|\d{1,9}[.)])\s+(?:\[[ xX]\]\s+)?")
_HEADING: Final = re.compile(r"\s{0,3}#{1,6}\s+")
_QUOTE: Final = re.compile(r"^\s{0,3}>\s?")
_UNDER: Final = re.compile(r"\s{0,3}(?:=+|-{2,}|\|?[\s:|-]*-[\s:|-]*)\s*")
_LINK: Final = re.compile(r"!?\[([^\[\]]*)\](?:\([^()\s]*(?:\s\"[^\"]*\")?\)|\[[^\[\]]*\])")
_AUTOLINK: Final = re.compile(r"<([a-z]+:[^<>\s]+|[^<>\s@]+@[^<>\s@]+)>", re.IGNORECASE)
_TAG: Final = re.compile(r"</?[a-zA-Z][\w-]*(?:\s[^<>]*)?/?>|<!--[^<>]*-->")
_UNCLOSED: Final = re.compile(r"<(?=[^<>]*(?:<|\Z))")
_MARKS: Final = re.compile(r"[*`]+|(?<!\w)_+(?=\w)|(?<=\w)_+(?!\w)")
_ESCAPE: Final = re.compile(r"\\([!-/:-@\[-`{-~])")


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

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.builder = _Builder()
        self._unseen = 0
        self._open: list[tuple[str, int]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._unseen += tag in _UNSEEN
        if _BLOCK.fullmatch(tag):
            self._flush()
            self.builder.item = tag == "li"
            self.builder.heading = tag in ("h1", "h2", "h3", "h4", "h5", "h6", "title")

    def handle_endtag(self, tag: str) -> None:
        self._unseen = max(0, self._unseen - (tag in _UNSEEN))
        if _BLOCK.fullmatch(tag):
            self._flush()

    def handle_data(self, data: str) -> None:
        if not self._unseen:
            line = self.getpos()[0]
            self._open += [(part, line + number) for number, part in enumerate(data.split("\n"))]

    def _flush(self) -> None:
        joined: list[tuple[str, int]] = []
        for text, line in self._open:
            if joined and joined[-1][1] == line:  # inline tags part no words
                joined[-1] = (joined[-1][0] + text, line)
            else:
                joined.append((text, line))
        for text, line in joined:
            self.builder.add(text, line)
        self._open = []
        self.builder.close()


def is_html(text: str, path: str = "") -> bool:
    """Tell whether a text is HTML, by its name or its first tag."""
    return path.lower().endswith((".html", ".htm")) or bool(_HTML.match(text))


def _closed(html: str) -> str:
    """Return ``html`` without comments and with unclosed tags as text: the parser is quadratic in both."""
    kept, at = [], 0
    while (start := html.find("<!--", at)) >= 0 and (end := html.find("-->", start)) >= 0:
        kept += [html[at:start], "\n" * html.count("\n", start, end)]
        at = end + 3
    return _UNCLOSED.sub("&lt;", "".join([*kept, html[at:]]))


def unmarked(line: str) -> str:
    """Return a line of Markdown without its inline marks and escapes."""
    kept: list[str] = []

    def keep(match: re.Match[str]) -> str:
        kept.append(match[1])
        return "\0"

    text = _ESCAPE.sub(keep, line.replace("\0", ""))
    text = _MARKS.sub("", _TAG.sub("", _AUTOLINK.sub(r"\1", _LINK.sub(r"\1", text))))
    inside = iter(kept)
    return re.sub("\0", lambda _: next(inside, ""), text)


def passages(text: str, path: str = "", first_line: int = 1) -> list[Passage]:
    """Return what a reader sees of ``text``, passage by passage; ``first_line``: the number of its first line."""
    if is_html(text, path):
        reader = _Reader()
        reader.feed(_closed(text))
        reader.close()
        reader._flush()
        return reader.builder.passages
    builder = _Builder()
    for number, raw in enumerate(text.replace("\r\n", "\n").split("\n"), first_line):
        line = _QUOTE.sub("", raw, count=1)
        if not line.strip():
            builder.close()
            continue
        if _UNDER.fullmatch(line):
            builder.heading = True
            builder.close()
            continue
        bullet, heading = _BULLET.match(line), _HEADING.match(line)
        row = line.strip().startswith("|")
        if bullet or heading or row:
            builder.close()
            builder.item, builder.heading = bool(bullet), bool(heading)
        if row:
            line = ": ".join(cell.strip() for cell in line.strip().strip("|").split("|"))
        start = (bullet or heading).end() if bullet or heading else 0  # type: ignore[union-attr]
        builder.add(unmarked(line[start:]), number)
        if heading or row:
            builder.close()
    builder.close()
    return builder.passages
