"""Reads TOML 1.0 that anyone may have written: what only an attack would hold is refused before the parser meets it."""

import re
import tomllib
from typing import Any, Final

from companion.core.errors import CompanionError
from companion.core.text import shorten, visible

MOST_BYTES: Final = 1 << 18
"""A quarter of a megabyte of facts is more than any instrument has; larger input is refused before it is parsed."""

DEEPEST: Final = 12
"""Levels of brackets, and parts of a dotted key, that are let through; facts need three."""

# TOML 1.0 as far as nesting goes: texts in quotes and comments are stepped over whole, so that what stands in them
# counts for nothing. A text without an end runs to the end of its line, or of the file: the parser stops there too.
# Possessive throughout (*+): no input makes this look at a character twice.
_TOKEN = re.compile(
    r'''"""(?:[^"\\]|\\.|"(?!""))*+(?:"{3,5}|\\?\Z)'''
    r"""|'{3}(?:[^']|'(?!''))*+(?:'{3,5}|\Z)"""
    r"""|"(?:[^"\\\n]|\\[^\n])*+"?"""
    r"""|'[^'\n]*+'?"""
    r"|\#[^\n]*+|[\[\]{}.,=\n]",
    re.DOTALL,
)


def _too_deep(text: str) -> bool:
    """Tell whether brackets or a dotted key go deeper than :data:`DEEPEST`, in one pass that stops where they do."""
    depth = dots = 0
    for match in _TOKEN.finditer(text):
        mark = match[0][0]
        if mark == ".":
            dots += 1
        elif mark not in "\"'#":
            dots = 0
            depth += (mark in "[{") - (mark in "]}")
        if dots >= DEEPEST or depth > DEEPEST:
            return True
    return False


def _too_large(value: Any, key: str) -> str | None:
    """Return the key of an integer that does not fit into 64 bits with a sign, for which TOML 1.0 wants an error."""
    if isinstance(value, dict):
        inner = [(item, f"{key}.{name}" if key else name) for name, item in value.items()]
    elif isinstance(value, list):
        inner = [(item, key) for item in value]
    else:
        return key if isinstance(value, int) and not -(1 << 63) <= value < 1 << 63 else None
    return next((found for item, name in inner if (found := _too_large(item, name)) is not None), None)


def parse_toml(text: str, where: str) -> dict[str, Any]:
    """Return parsed TOML 1.0; refuse what only an attack would hold before the parser meets it.

    tomllib recurses on nested brackets and is quadratic in dotted keys (measured: 500 brackets, 40 kB of key), so
    input over 256 KiB, over 12 levels deep or with over 20,000 lines is refused at once.
    """
    if len(text) > MOST_BYTES or text.count("\n") > 20_000:
        raise CompanionError("The file is far too large for facts", where, "check that it is the file you meant")
    try:
        if _too_deep(text):
            raise RecursionError
        plain = tomllib.loads(text)
    except ValueError as error:  # TOMLDecodeError, and what Python says of a number with over 4,300 digits
        raise CompanionError(f"The file is not valid TOML: {error}", where, "mend that line and try again") from error
    except RecursionError:
        raise CompanionError("The file nests deeper than facts ever do", where, "write it flatter") from None
    if (key := _too_large(plain, "")) is not None:
        raise CompanionError(
            f"“{shorten(visible(key), 80)}” is a number of more than 64 bits", where, "mend that key and try again"
        )
    return plain
