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


def dump(path: str, data: bytes, window: Window, finding: Finding | None = None, behind: bytes = b"") -> Drawing:
    """Return the picture. data: the bytes in view. behind: those from the place of the finding on, as far as read."""
    first = end = 0
    figures: list[Figure] = []
    if finding and finding.at.byte is not None:
        first = finding.at.byte
        text = finding.value if isinstance(finding.value, str) and finding.rule != "script-encoding" else ""
        length, how = written(behind, text) if text else (0, "")
        end = first + (length or 1)
        if how:
            figures += [Figure("Read as", text), Figure("Written in", f"{length:,} bytes, {how}")]
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
