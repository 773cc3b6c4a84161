"""Which other programs hold files of a folder open, where the system tells: on Linux, of the same person's programs."""

import contextlib
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from companion.core.errors import CompanionError

_PROCESSES: Final = Path("/proc")


def refuse_open(folder: Path, names: Sequence[str]) -> None:
    """Raise where another program has a file open below one of ``names`` in ``folder``.

    A program that holds samples open plays them on wherever they are moved, so a test would prove nothing. Windows
    itself refuses to move what is open; elsewhere nobody tells, and nothing is raised.
    """
    for name, path in held_open(folder, names):
        raise CompanionError(
            f"{name} has a file of the instrument open, and would go on playing it",
            path,
            "close the engine and whatever else uses it, then try again",
        )


def held_open(folder: Path, names: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Yield the name of each other program and a file it holds open below ``names`` of ``folder``."""
    below = tuple(os.fspath(folder / name) for name in names)
    for process in sorted(_PROCESSES.glob("[0-9]*")) if _PROCESSES.is_dir() else ():
        if process.name == str(os.getpid()):
            continue
        with contextlib.suppress(OSError):  # it ended, or is another person's
            for opened in (process / "fd").iterdir():
                target = ""
                with contextlib.suppress(OSError):
                    target = os.fspath(opened.readlink())
                if target in below or target.startswith(tuple(path + os.sep for path in below)):
                    yield _name(process), target


def _name(process: Path) -> str:
    with contextlib.suppress(OSError):
        if name := (process / "comm").read_text("utf-8", "replace").strip():
            return f"“{name}” (process {process.name})"
    return f"Process {process.name}"
