"""A fact that a finding, or what was found in a folder, offers to state: read from the line that states it."""

import re
from typing import Final

from companion.tui.parts.fields import BY_KEY

_LINE: Final = re.compile(
    r"companion fact FOLDER ([a-z_.]+) ((?:(?:\"[^\"]*\"|'[^']*'|[^\s\"'.,;]+)(?: (?!and\b|If\b|Else\b))?)+)"
)
_VALUE: Final = re.compile(r"\"([^\"]*)\"|'([^']*)'|(\S+)")


def offered(text: str) -> tuple[str, str] | None:
    """Return the first fact that ``text`` says how to state: its key, and the text of its field; None without one."""
    for key, values in _LINE.findall(text):
        field = BY_KEY.get(key)
        found = [double or single or plain for double, single, plain in _VALUE.findall(values)]
        if field is not None and found:
            return key, ("\n" if field.shape in ("lines", "long") else " ").join(found)
    return None


def asked_of(line: str) -> tuple[str, str]:
    """Return a line on what was found without the line to type, and the pattern of names that it offers, if any."""
    fact = offered(line)
    if fact is None or fact[0] != "naming.pattern" or " and companion fact" in line:
        return line, ""
    return f"{line.partition('; if so: ')[0]}.", fact[1]
