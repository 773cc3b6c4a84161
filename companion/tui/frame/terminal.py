"""What colour the terminal is, by its own answer."""

from __future__ import annotations

import os
import re
import sys
import time
from typing import Final

_QUESTION: Final = b"\x1b]11;?\x1b\\\x1b[c"
"""The background's colour (OSC 11), and then what every terminal answers (primary device attributes): once that has
come, the first will not come any more. Both from xterm's "Control Sequences"."""
_COLOUR: Final = re.compile(rb"\x1b\]11;rgba?:([0-9a-fA-F]{1,4})/([0-9a-fA-F]{1,4})/([0-9a-fA-F]{1,4})")
_ATTRIBUTES: Final = re.compile(rb"\x1b\[\?[0-9;]*c")
_MOST_BYTES: Final = 4096
PATIENCE: Final = 1.0
"""Seconds a terminal has to answer. Nearly all do at once, and those at the other end of a long line within this: what
came later would be taken for keys.
"""


def is_light(answer: bytes) -> bool | None:
    """Tell whether a terminal's answer names a light background; None where it names none."""
    if not (found := _COLOUR.search(answer)):
        return None
    red, green, blue = (int(part, 16) / ((1 << 4 * len(part)) - 1) for part in found.groups())
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue > 0.5  # weights of ITU-R BT.709


def background_is_light() -> bool | None:
    """Ask the terminal, or else what the environment says; None where neither tells."""
    told = os.environ.get("COLORFGBG", "").rpartition(";")[2]
    by_environment = told in ("7", "15") if told.isdigit() else None
    try:
        answer = is_light(_ask())
    except (OSError, ValueError, ImportError):
        answer = None
    return by_environment if answer is None else answer


def _ask() -> bytes:
    """Return what the terminal answers; nothing on a system or an output that cannot be asked."""
    told = os.environ.get("TERM", "dumb") != "dumb" and sys.stdin.isatty() and sys.stdout.isatty()
    if sys.platform != "win32" and told:
        return _answer()
    return b""


if sys.platform != "win32":

    def _answer() -> bytes:
        import select
        import termios
        import tty

        line = sys.stdin.fileno()
        before = termios.tcgetattr(line)
        answer = b""
        try:
            tty.setcbreak(line, termios.TCSANOW)
            os.write(sys.stdout.fileno(), _QUESTION)
            until = time.monotonic() + PATIENCE
            while not _ATTRIBUTES.search(answer) and len(answer) < _MOST_BYTES:
                ready, _, _ = select.select([line], [], [], max(0.0, until - time.monotonic()))
                if not ready or not (more := os.read(line, 256)):
                    termios.tcflush(line, termios.TCIFLUSH)
                    break
                answer += more
        finally:
            termios.tcsetattr(line, termios.TCSANOW, before)
        return answer
