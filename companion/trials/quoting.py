"""What a person noted, as a finding repeats it."""

from typing import Final

from companion.core.text import shorten, visible

MOST_QUOTED: Final = 200
"""Characters of a person's note that a finding repeats; the whole of it stays in the evidence."""


def quoted(note: str) -> str:
    """Return ``note`` on one safe line of at most :data:`MOST_QUOTED` characters, its middle left out if need be."""
    return shorten(visible(" ".join(note.split())), MOST_QUOTED)
