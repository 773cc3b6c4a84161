"""The app on a terminal that cannot show our marks: their plain twins, cell for cell."""

import sys
from functools import lru_cache

from rich.segment import Segment
from textual.color import Color
from textual.filter import LineFilter

from companion.core.plain import Charset, charset_of


@lru_cache(1)
def terminal() -> Charset:
    """Return what the terminal of this process can show: the app writes to another stream than a command does."""
    return charset_of(sys.__stdout__ if sys.platform == "win32" else sys.__stderr__)


class PlainFilter(LineFilter):
    """Puts twins in place of what is lacking just before a line is written: frames, bars and marks alike."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        """Return the line in plain signs."""
        cells = terminal().cells
        return [Segment(text if control else cells(text), style, control) for text, style, control in segments]
