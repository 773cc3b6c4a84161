"""What the companion keeps of a person's own on this computer, apart from every working folder: how they like it."""

from __future__ import annotations

import contextlib
import json
import os
from pathlib import Path
from typing import Final

from companion.core.errors import CompanionError
from companion.core.files import read_capped, write_safely

HOME: Final = "COMPANION_HOME"
"""Environment variable that names the folder for it, in place of the system's own."""
_FILE: Final = "choices.json"
_MOST: Final = 65_536


def own_folder() -> Path:
    """Return where it lies: the system's folder for settings of programs (made when something is kept)."""
    if place := os.environ.get(HOME):
        return Path(place)
    from platformdirs import user_config_path

    return user_config_path("release-companion", appauthor=False)


def choice(name: str) -> str:
    """Return what was chosen under ``name``; empty where nothing was, or what was kept cannot be read."""
    value = _choices().get(name, "")
    return value if isinstance(value, str) else ""


def keep_choice(name: str, value: str) -> None:
    """Keep a choice for the next time. Raises :class:`CompanionError` where the disk will not have it."""
    place = own_folder()
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        what = f"The choice holds until you quit, and is not kept: {error.strerror or type(error).__name__}"
        raise CompanionError(what, str(place), f"make that folder writable, or name another one in {HOME}") from error
    write_safely(place / _FILE, json.dumps({**_choices(), name: value}, indent=2, sort_keys=True).encode())


def first_time(name: str) -> bool:
    """Tell whether something is to be said for the first time, and count it as said from then on."""
    if choice(name):
        return False
    with contextlib.suppress(CompanionError):  # where nothing can be kept it is said each time
        keep_choice(name, "said")
    return True


def _choices() -> dict[str, object]:
    try:
        read = json.loads(read_capped(own_folder() / _FILE, _MOST))
    except (OSError, CompanionError, ValueError, RecursionError):
        return {}
    return read if isinstance(read, dict) else {}
