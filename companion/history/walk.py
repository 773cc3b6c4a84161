"""What of a working folder a snapshot holds, without reading a byte of it and without following a link."""

from __future__ import annotations

import stat
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from companion.core.errors import CompanionError
from companion.core.folder import OURS, RELEASES
from companion.core.progress import Watch
from companion.core.text import listed, visible
from companion.core.walk import Found, Walk
from companion.history.names import KEPT_OF_OURS, cannot_be_held


class Walked(NamedTuple):
    """Everything there is to keep. empty: folders with no kept file below. left_out: path and reason."""

    files: list[Found]
    empty: tuple[str, ...]
    left_out: list[tuple[str, str]]


def walk(folder: Path, watch: Watch) -> Walked:
    """Return everything in ``folder`` that a snapshot holds.

    Raises :class:`CompanionError`, before anything is written, when a name is one that git cannot hold.
    """
    refused: list[str] = []

    def skips(parent: str) -> Callable[[str], bool]:
        ours, prefix = parent.rpartition("/")[2] == OURS, parent + "/" if parent else ""

        def skipped(name: str) -> bool:
            if cannot_be_held(name):
                refused.append(prefix + name)
            return (ours and name not in KEPT_OF_OURS) or (not parent and name == RELEASES)

        return skipped

    found = Walk(folder, watch, skips)
    files = list(found)
    if refused:
        names = listed([f"“{visible(path)}”" for path in sorted(refused)])
        raise CompanionError(
            f"No snapshot was taken: a history cannot hold {names}",
            str(folder),
            "rename it; some systems take that name for a version-control folder",
        )
    # What is in the place of a link without being one is a junction: a way out of the folder on Windows.
    junctions = [(path, "a junction, not followed") for path, status in found.links if not stat.S_ISLNK(status.st_mode)]
    files += [(path, status) for path, status in found.links if stat.S_ISLNK(status.st_mode)]
    return Walked(files, tuple(sorted(found.empty)), found.problems + junctions)
