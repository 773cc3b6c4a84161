"""The folders of a history, held while something is written in them."""

from __future__ import annotations

from pathlib import Path

from companion.core.folder import OURS
from companion.core.hold import Hold


def root_of(history: Path) -> Path:
    """Return what of the way to a history is a person's own: up to the working folder, or to where a mirror lies."""
    return history.parent.parent if history.parent.name == OURS else history.parent


def hold(history: Path, part: str = "", *, make: bool = False) -> Hold:
    """Hold a folder of a history. Raises :class:`CompanionError` where one on the way is a link, and OSError."""
    return Hold(history / part, root_of(history), make=make)


def hold_packs(folder: Path) -> Hold:
    """Hold ``folder``, the ``objects/pack`` of a history."""
    return Hold(folder, root_of(folder.parent.parent))
