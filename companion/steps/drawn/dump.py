"""The bytes around a place in a patch or a script, with the text that was read there."""

from __future__ import annotations

from typing import Final

from companion.core.findings import Finding
from companion.drawing.shapes import Drawing, Dump, Figure, Window
from companion.steps.drawn.common import figures_of, title_of

USUAL: Final = 160
MOST: Final = 4096
LEAST: Final = 32
ROW: Final = 16
MOST_BEFORE: Final = 8 << 20
"""Bytes before a place that are read to count its lines."""
_LONGEST: Final = 2000
_BEFORE: Final = 3
_ENCODINGS: Final = (
    ("utf-8", "UTF-8"),
    ("utf-16-le", "UTF-16, the low byte first"),
    ("utf-16-be", "UTF-16, the high byte first"),
    ("latin-1", "one byte a character"),
)


def bytes_window(finding: Finding | None, size: int) -> Window:
    """Return the bytes to show first: some lines around the place of a finding, else the beginning."""
    place = max(0, finding.at.byte) if finding and finding.at.byte is not None else 0
    start = max(0, min((place // ROW - _BEFORE) * ROW, (size - 1) // ROW * ROW))
    whole = max(1, size)
    return Window(start=min(start, whole - 1), end=min(whole, start + USUAL), whole=whole, least=LEAST)


def written(data: bytes, text: str) -> tuple[int, str]:
    """Return how many bytes at the beginning of ``data`` spell ``text``, and how; (0, "") where they do not."""
    for encoding, said in _ENCODINGS:
        try:
            spelled = text.encode(encoding, "surrogateescape")
        except UnicodeEncodeError:
            continue
        if spelled and data.startswith(spelled):
            return len(spelled), said
    return 0, ""


def line_around(before: bytes, behind: bytes) -> tuple[int, str] | None:
    """Return the number (from 1) and the text of the line that a place stands in; None where that is no text.

    before: all bytes of the file up to the place. behind: those from it on, as far as read.
    """
    end = min(place for place in (behind.find(b"\n"), len(behind)) if place >= 0)
    start = before.rfind(b"\n") + 1
    line = before[start:] + behind[:end]
    if len(line) > _LONGEST or b"\0" in before[-MOST:] + behind or any(byte < 9 or 13 < byte < 32 for byte in line):
        return None
    try:
        return before.count(b"\n") + 1, line.decode("utf-8").strip()
    except UnicodeDecodeError:
        return None


def dump(
    path: str,
    data: bytes,
    window: Window,
    finding: Finding | None = None,
    behind: bytes = b"",
    before: bytes | None = None,
) -> Drawing:
    """Return the picture. data: the bytes in view. behind: those from the place of the finding on, as far as read.

    before: all bytes up to that place; None where they are too many to read.
    """
    first = end = 0
    figures: list[Figure] = []
    if finding and finding.at.byte is not None:
        first = finding.at.byte
        text = finding.value if isinstance(finding.value, str) and finding.rule != "script-encoding" else ""
        length, how = written(behind, text) if text else (0, "")
        end = first + (length or 1)
        if how:
            figures += [Figure("Read as", text), Figure("Written in", f"{length:,} bytes, {how}")]
        if before is not None and (found := line_around(before, behind)):
            figures.append(Figure(f"Line {found[0]:,}", found[1]))
    figures.append(Figure("In view", f"bytes {window.start:,} to {window.end - 1:,} of {window.whole:,}"))
    pane = Dump(offset=window.start, hex=data.hex(), first=first, end=end)
    return Drawing(
        kind="bytes",
        title=title_of(finding, f"Bytes: {path}"),
        path=path,
        rule=finding.rule if finding else "",
        panes=(pane,) if data else (),
        figures=(*figures_of(finding), *figures),
        note="" if data else "The file is empty.",
        window=window,
    )
