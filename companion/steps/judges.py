"""Who judges each step: the versions of its rules and measures, as the catalogue has them.

To import every rule of every room takes longer than a look at an unchanged folder. So the versions are remembered
beside what was measured, under what tells the installed code from any other, and a look that runs no rule of a room
imports none of it.
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Iterator, Mapping
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import companion
from companion.core.cache import Cache, Table

if TYPE_CHECKING:
    from companion.steps.model import Step

CATALOGUE: Final = "companion.steps.catalogue"

Judges = dict[str, dict[str, int]]
"""By the id of a step: the versions of rules and measures, by theirs."""


def judges_of(steps: Mapping[str, Step[Any]], cache: Cache) -> Judges:
    """Return who judges each step: by rules of its own, and by those of others that it names.

    Where the catalogue is there already, it is asked; else what it said of exactly this code.
    """
    if CATALOGUE in sys.modules:
        return _asked(steps)
    table: Table[Judges] = Table(cache, "judges", 1, Judges)
    package = Path(companion.__file__).parent
    key = _code(package)
    if key and (known := table.get(key)) and known.keys() == steps.keys():
        return known
    judges = _asked(steps)
    if key and _code(package) == key:  # else it was changed while it was being read
        table.drop(table.keys() - {key})
        table.put([(key, judges)])
    return judges


def _asked(steps: Mapping[str, Step[Any]]) -> Judges:
    catalogue = import_module(CATALOGUE)
    return {name: catalogue.judge_of(name, *step.judges) for name, step in steps.items()}


def _code(package: Path) -> bytes:
    """Return what tells the source of a package from any other; empty where there is none to look at.

    That is what Python itself goes by when it takes a compiled file for that of a source, its size and time, with the
    version, the place and the inode beside them: an edit, an update or another installation is other code.
    """
    digest = hashlib.sha256(f"{companion.__version__}\0{package}\0".encode("utf-8", "surrogatepass"))
    try:
        found = sorted(_sources(str(package)))
    except OSError:
        return b""
    digest.update(repr(found).encode("utf-8", "surrogatepass"))
    return digest.digest() if found else b""


def _sources(folder: str) -> Iterator[tuple[str, int, int, int]]:
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.endswith(".py"):
                status = entry.stat()
                yield entry.path, status.st_size, status.st_mtime_ns, status.st_ino
            elif entry.name[0] not in "_." and entry.is_dir():
                yield from _sources(entry.path)
