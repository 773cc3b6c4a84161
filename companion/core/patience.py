"""Windows lets nobody rename, replace or remove a file that another program holds open.

A virus scanner or an indexer holds every new file for moments: that is waited out. What a person has open elsewhere is
told; see :func:`is_held`. Other systems hold nothing in this way, and there nothing is waited for.
"""

import os
import time
from collections.abc import Callable
from typing import Final, TypeVar

T = TypeVar("T")

WINDOWS: Final = os.name == "nt"
HELD: Final = (32, 33)
"""ERROR_SHARING_VIOLATION, ERROR_LOCK_VIOLATION."""
MOST_PATH: Final = 260
"""MAX_PATH, with the zero at its end (Microsoft, "Maximum Path Length Limitation")."""
_DENIED: Final = 5
"""ERROR_ACCESS_DENIED: what a replace says where another program holds what is to be replaced."""
PAUSES: Final = (0.01, 0.02, 0.04, 0.08, 0.16, 0.32, 0.5)
"""Seconds between tries, a bit over one in all."""


def is_held(error: OSError) -> bool:
    """Tell whether the system refused since another program has the file open."""
    return getattr(error, "winerror", None) in HELD


def is_too_long(error: OSError) -> bool:
    """Tell whether Windows could not find a file for nothing but the length of its path."""
    named = error.filename if isinstance(error.filename, str) else ""
    return WINDOWS and isinstance(error, FileNotFoundError) and len(named) >= MOST_PATH and named[:4] != "\\\\?\\"


def why(error: OSError) -> str:
    """Return what the system says, in plain words where it is that the file is held, or its path too long."""
    if is_held(error):
        return "another program has it open"
    if is_too_long(error):
        return f"its path is over {MOST_PATH - 1} characters, which Windows does not take here"
    return error.strerror or type(error).__name__


def patiently(call: Callable[[], T]) -> T:
    """Do what a file held by another program keeps from being done, and again for about a second. Raises OSError."""
    if WINDOWS:
        for pause in PAUSES:
            try:
                return call()
            except PermissionError as error:
                if not is_held(error) and getattr(error, "winerror", None) != _DENIED:
                    raise
            time.sleep(pause)
    return call()
