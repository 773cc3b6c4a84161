"""How large a cover is and how long a preview: files that may be anybody's, measured and never shown."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from companion.core.entries import Entry
    from companion.steps.desk import Desk


def cover_side(path: Path) -> int | str:
    """Return the longest side of a picture in pixels, as its header says; or why it does not read as one."""
    from companion.contents.reading.pictures import picture_size

    size = picture_size(path)
    return size if isinstance(size, str) else max(size)


def preview_lengths(desk: Desk, previews: Sequence[Entry]) -> dict[str, float | str]:
    """Return the length of each recording in seconds, or why it does not read as one, by path.

    They are decoded to their ends in worker processes, since a header may claim anything, and remembered by content.
    """
    from companion.sound.measures.batch import measure_files

    files = [(entry.path, desk.folder / entry.path, entry.sha256) for entry in previews]
    measured = measure_files(files, desk.cache, desk.watch, still=desk.still)
    return {path: one.seconds if one.readable else one.problem_text or one.problem for path, one in measured.items()}
