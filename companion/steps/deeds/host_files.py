"""Which files the host opens while the originals are hidden: those of the copy, and those it should not need.

What a program opens and closes between two looks is not seen, so that nothing is ever said not to have been opened. A
system tells of the same person's programs alone; on Windows and macOS of some of their files only.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.errors import Cancelled, CompanionError
from companion.core.progress import Watch
from companion.core.text import plural, same_name_key
from companion.steps.deeds import hidden

if TYPE_CHECKING:
    from companion.core.folder import Places

EVERY_S: Final = 0.5
"""Seconds between two looks."""
_OWN: Final = frozenset({".txt", ".md", ".html", ".pdf"})
"""Endings of what any program may have open beside an instrument: a readme is nobody's sample."""


class HeldFile(msgspec.Struct, frozen=True):
    """A file that a program holds open. pid: of the program; name: as its system calls it."""

    pid: int
    name: str
    path: str


class HostFiles(msgspec.Struct, frozen=True, kw_only=True):
    """What was seen of the host. hosts: programs that had files of the copy open, or were named. copy: its folder.

    opened: files of the copy seen open, below it; not_seen: the others. outside: (program, path) of files outside the
    copy that are the originals, or are called as files of the copy are. looks: how often was looked.
    """

    hosts: tuple[str, ...]
    copy: str
    opened: tuple[str, ...]
    not_seen: tuple[str, ...]
    outside: tuple[tuple[str, str], ...]
    looks: int


def held_now(only: Callable[[int, str], bool]) -> Iterator[HeldFile]:
    """Yield the files that programs hold open now, mapped into memory or not, as far as the system tells."""
    import psutil

    for process in psutil.process_iter(["pid", "name"]):
        pid, name = process.info["pid"], process.info["name"] or ""
        if pid == os.getpid() or not only(pid, name):
            continue
        paths: set[str] = set()
        for ask in ("open_files", "memory_maps"):
            try:
                paths.update(str(one.path) for one in getattr(process, ask)())
            except (psutil.Error, OSError, AttributeError, NotImplementedError):
                continue
        yield from (HeldFile(pid, name, path) for path in sorted(paths))


def watch_host(
    places: Places,
    process: str,
    seconds: float | None,
    watch: Watch,
    look: Callable[[Callable[[int, str], bool]], Iterable[HeldFile]] = held_now,
    wait: Callable[[float], None] = time.sleep,
) -> HostFiles:
    """Look at what the host holds open until ``seconds`` are over or ``watch`` is cancelled, which ends it as well.

    process: part of the host's name; empty: whichever program opens a file of the copy. Raises :class:`CompanionError`
    where no originals are hidden.
    """
    copy = hidden.copy_of(places)
    if copy is None:
        raise CompanionError(
            "No originals are hidden now",
            str(places.folder),
            "first: companion away hide FOLDER",
        )
    files = _files_of(copy)
    names = {same_name_key(Path(path).name) for path in files if Path(path).suffix.lower() not in _OWN}
    hosts: dict[int, str] = {}
    opened: set[str] = set()
    outside: dict[tuple[str, str], None] = {}
    looks, ends = 0, None if seconds is None else time.monotonic() + seconds
    with suppress(Cancelled):
        watch.stage("Watching; Ctrl+C ends it", unit="looks")
    while True:
        held = list(look(lambda pid, name: not process or pid in hosts or process.casefold() in name.casefold()))
        looks += 1
        for one in held:
            below = _below(copy, one.path)
            if below in files:
                opened.add(below)
            if process or below in files:
                hosts[one.pid] = one.name
        for one in held:
            if one.pid in hosts and _below(copy, one.path) is None and _reached(places, names, one.path):
                outside[hosts[one.pid], one.path] = None
        with suppress(Cancelled):
            watch.step(1, f"{plural(len(opened), 'file')} of the copy, {len(outside):,} outside")
        if watch.cancelled or (ends is not None and time.monotonic() >= ends):
            break
        wait(EVERY_S)
    return HostFiles(
        hosts=tuple(sorted(set(hosts.values()))),
        copy=str(copy),
        opened=tuple(sorted(opened)),
        not_seen=tuple(sorted(files - opened)),
        outside=tuple(outside),
        looks=looks,
    )


def _files_of(copy: Path) -> set[str]:
    found = {path.relative_to(copy).as_posix() for path in copy.rglob("*") if path.is_file()}
    if not found:
        raise CompanionError("The copy is gone", str(copy), "bring the originals back: companion away back FOLDER")
    return found


def _below(copy: Path, path: str) -> str | None:
    try:
        return Path(path).relative_to(copy).as_posix()
    except ValueError:
        return None


def _reached(places: Places, names: set[str], path: str) -> bool:
    """Tell whether a file outside the copy is an original, or is called as a file of the copy is."""
    place = Path(path)
    if place.is_relative_to(places.folder):
        return not place.is_relative_to(places.ours) or place.is_relative_to(places.hidden)
    return same_name_key(place.name) in names
