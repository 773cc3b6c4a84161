"""What every SVG of ours is made of: a sheet that grows downwards, inert text, and inks for light and dark."""

from __future__ import annotations

import re
from typing import Final

from companion.core.text import visible
from companion.drawing.cells import cells, wrapped
from companion.drawing.shapes import Ink

WIDTH: Final = 760
MARGIN: Final = 16
LINE: Final = 18
_CHAR: Final = 7.9
"""About how wide a character is at 13 px; text is broken and shortened by it."""

PAPER: Final = {"light": "#fbfaf7", "dark": "#191d20"}
INKS: Final[dict[str, dict[Ink, str]]] = {
    "light": {
        "plain": "#263231", "muted": "#586665", "wave": "#2c6a5d", "second": "#62579a",
        "mark": "#a5371f", "limit": "#7d5700", "good": "#336b36", "head": "#111817", "cursor": "#111817",
    },
    "dark": {
        "plain": "#d9dcd8", "muted": "#9aa5a5", "wave": "#86b3a6", "second": "#a9a3c9",
        "mark": "#ee8f7d", "limit": "#dfb45f", "good": "#8fc08a", "head": "#f4f6f2", "cursor": "#f4f6f2",
    },
}  # fmt: skip
"""Each is at least 4.5 : 1 against its paper (WCAG 2.2)."""

_NOT_XML: Final = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def escaped(text: str) -> str:
    """Return text inert and fit for XML, in elements and in attributes."""
    safe = _NOT_XML.sub("?", visible(text))
    return safe.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&quot;")


def number(value: float) -> str:
    """Return a coordinate to a tenth of a pixel."""
    return f"{round(value, 1) + 0.0:.1f}".removesuffix(".0")


class Sheet:
    """The parts of one sheet, and how far down it reaches."""

    def __init__(self) -> None:
        self.parts: list[str] = []
        self.y = float(MARGIN)

    def text(self, x: float, y: float, text: str, ink: Ink = "plain", anchor: str = "start", size: int = 13) -> None:
        """Write one line with its foot at ``y``."""
        end = "" if anchor == "start" else f' text-anchor="{anchor}"'
        big = "" if size == 13 else f' font-size="{size}"'
        self.parts.append(f'<text class="{ink}" x="{number(x)}" y="{number(y)}"{end}{big}>{escaped(text)}</text>')

    def path(self, places: list[tuple[float, float]], ink: Ink, *, dashed: bool = False, width: float = 1.5) -> None:
        """Draw a line."""
        points = " ".join(f"{number(x)},{number(y)}" for x, y in places)
        dash = ' stroke-dasharray="5 4"' if dashed else ""
        self.parts.append(f'<polyline class="{ink} line" stroke-width="{width}"{dash} points="{points}"/>')

    def area(self, places: list[tuple[float, float]], ink: Ink, opacity: float = 1.0) -> None:
        """Fill an outline."""
        points = " ".join(f"{number(x)},{number(y)}" for x, y in places)
        faint = "" if opacity == 1.0 else f' fill-opacity="{opacity}"'
        self.parts.append(f'<polygon class="{ink}"{faint} points="{points}"/>')

    def box(self, x: float, y: float, width: float, height: float, ink: Ink, opacity: float = 1.0) -> None:
        """Fill a rectangle."""
        faint = "" if opacity == 1.0 else f' fill-opacity="{opacity}"'
        size = f'width="{number(max(0.5, width))}" height="{number(height)}"'
        self.parts.append(f'<rect class="{ink}" x="{number(x)}" y="{number(y)}" {size}{faint}/>')

    def lines(self, text: str, ink: Ink = "plain", indent: float = 0) -> None:
        """Write a text below what is there, broken to fit."""
        for line in wrapped(text, int((WIDTH - 2 * MARGIN - indent) / _CHAR)):
            self.y += LINE
            self.text(MARGIN + indent, self.y, line, ink)


def text_width(text: str) -> float:
    """Return about how many pixels a line takes."""
    return cells(visible(text)) * _CHAR


def style() -> str:
    """Return the style sheet: inks as variables, others where the reader's system is dark."""

    def variables(theme: str) -> str:
        inks = " ".join(f"--{ink}: {colour};" for ink, colour in INKS[theme].items())
        return f"svg {{ --paper: {PAPER[theme]}; {inks} }}"

    light = INKS["light"]
    rules = [f".{ink} {{ fill: {light[ink]}; fill: var(--{ink}); }}" for ink in light]
    rules += [f".line.{ink} {{ stroke: {light[ink]}; stroke: var(--{ink}); }}" for ink in light]
    return "\n".join(
        [
            variables("light"),
            f"@media (prefers-color-scheme: dark) {{ {variables('dark')} }}",
            f".paper {{ fill: {PAPER['light']}; fill: var(--paper); }}",
            *rules,
            ".line { fill: none; }",
            "text { font: 13px ui-monospace, Menlo, Consolas, monospace; white-space: pre; }",
        ]
    )


def document(title: str, description: str, sheet: Sheet, *, inline: bool = False) -> str:
    """Return the whole file; it fetches nothing and runs nothing. inline: for a page that has the style already."""
    height = number(sheet.y + MARGIN)
    space = 'role="img"' if inline else 'role="img" xml:space="preserve"'  # HTML knows none; the style says it too
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        f"{space}>"
    )
    return "\n".join(
        [
            head,
            f"<title>{escaped(title)}</title>",
            f"<desc>{escaped(description)}</desc>",
            *([] if inline else [f"<style>\n{style()}\n</style>"]),
            f'<rect class="paper" width="{WIDTH}" height="{height}"/>',
            *sheet.parts,
            "</svg>\n",
        ]
    )
