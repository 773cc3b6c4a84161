"""A drawing as lines for a terminal."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from typing import Final

from companion.core.text import visible
from companion.drawing.shapes import Drawing
from companion.drawing.text import text_lines

_USUAL: Final = 80


def terminal_width() -> int:
    """Return the columns of the terminal, 20 to 400; 80 where there is none."""
    return max(20, min(400, shutil.get_terminal_size((_USUAL, 24)).columns))


def show_lines(drawing: Drawing, width: int, others: Sequence[str], *, ascii_only: bool) -> list[str]:
    """Return the drawing, its figures, and which other pictures there are of the same."""
    lines = text_lines(drawing, width, ascii_only=ascii_only)
    if others:
        listed = ", ".join(others)
        also = f"Also: --as {listed}"
        lines.append(visible(also) if len(also) <= width else f"Also: {listed}"[:width])
    return lines
