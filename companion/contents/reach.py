"""Which of the files that ship a patch opens, as far as that can be told from outside."""

from typing import Final

from companion.contents.folder_scan import FolderScan
from companion.contents.kinds import AUDIO, suffix_of
from companion.core.entries import Kind
from companion.core.globs import folded

_MOST_UNNAMED: Final = 0.5
"""Of the sounds that ship, the share that patches may leave unnamed and still be believed to name what they open."""


def named(look: FolderScan) -> frozenset[str] | None:
    """Return the files that the patches name; None where they may open any.

    That is so where a patch could not be read to its end, where a script ships (it may put names together while it
    runs), and where most sounds are named nowhere: the patch then finds them by folder or pattern.
    """
    ships = look.selection.ships
    scans = [look.scans.get(entry.path) for entry in ships if entry.kind is Kind.PATCH]
    if not scans or not all(scan and scan.readable and scan.complete for scan in scans):
        return None
    if any(entry.kind is Kind.SCRIPT for entry in ships):
        return None
    sounds = [entry.path for entry in ships if entry.kind.audible]
    unnamed = [path for path in sounds if path not in look.references.used]
    if len(unnamed) > _MOST_UNNAMED * len(sounds):
        return None
    return look.references.used


def shown(look: FolderScan) -> frozenset[str]:
    """Return the sounds that are no samples, such as a demo: they are listened to outside the instrument."""
    others = (entry.path for entry in look.selection.ships if entry.kind is Kind.OTHER)
    return frozenset(path for path in others if suffix_of(folded(path)) in AUDIO)
