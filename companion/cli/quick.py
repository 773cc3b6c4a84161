"""The list of snapshots, answered before anything else of the companion is imported.

It is looked at more often than anything is done, and it is there already, in one small file: to import the command
line, the facts and the cache for it would cost four times what it costs. Whatever is not plainly that, such as an
option, a folder in which something is to be mended first, or a list that is not remembered, is for the whole command
line, which says the same in the same words.
"""

import os
import sys
from collections.abc import Sequence
from pathlib import Path

from companion.core.folder import Places
from companion.core.plain import charset_of, prepare
from companion.history.store.snapshot_list import remembered


def answered(words: Sequence[str]) -> bool:
    """Print what ``companion snapshots WORDS`` asks for, if it is plainly the list, and tell whether it was."""
    if "_COMPANION_COMPLETE" in os.environ or not (lines := _listed(words)):
        return False
    prepare(sys.stdout)  # a label may hold what the terminal's encoding lacks
    try:
        sys.stdout.write(charset_of(sys.stdout).shown("\n".join(lines)) + "\n")
        sys.stdout.flush()
    except BrokenPipeError:  # a reader that has gone, as ``head`` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return True


def _listed(words: Sequence[str]) -> list[str]:
    if len(words) > 1 or words[:1] == [""] or any(word.startswith("-") for word in words):
        return []
    try:
        places = Places(Path(*words).resolve())
        first = (places.restoring, places.hiding, places.format)  # to be finished, brought back or told of
        rows = None if any(map(os.path.lexists, first)) else remembered(places.history)
    except (OSError, RuntimeError, ValueError):
        return []
    if not rows:
        return []
    from companion.cli.render.history import snapshots_lines

    return snapshots_lines(rows)
