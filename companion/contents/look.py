"""Looking at a working folder: inventory, scans, references and selection put together in one go."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import msgspec

from companion.contents.inventory import Inventory, take
from companion.contents.kinds import AUDIO, PICTURES
from companion.contents.pictures import Picture, look_at_pictures
from companion.contents.references import References, resolve
from companion.contents.scan import Scan, scan_file
from companion.contents.scripts import ScriptText, read_scripts
from companion.contents.selection import Selection, shipping
from companion.contents.shapes import SUFFIXES
from companion.core.cache import Cache
from companion.core.entries import Entry, Kind
from companion.core.facts import Contents
from companion.core.files import unchanged
from companion.core.progress import Watch

SCANS: Final = "path-scan-1"
MOST_OTHER: Final = 64 << 20
"""Files of unknown kind over 64 MiB are data, not a list of files, and are not scanned."""


class Look(msgspec.Struct, frozen=True, kw_only=True):
    """What a folder holds, what ships, what was read in it."""

    inventory: Inventory
    selection: Selection
    scans: dict[str, Scan]
    references: References
    pictures: dict[str, Picture]
    scripts: dict[str, ScriptText]


def is_scanned(entry: Entry) -> bool:
    """Tell whether a file may name others: patches, scripts, and what is neither sound, picture nor text to read."""
    if entry.problem or entry.link is not None or not entry.size:
        return False
    if entry.kind is Kind.OTHER:
        return entry.suffix[1:] not in AUDIO | PICTURES and entry.size <= MOST_OTHER
    return entry.kind in (Kind.PATCH, Kind.SCRIPT)


def scan_all(folder: Path, entries: Iterable[Entry], cache: Cache, watch: Watch) -> dict[str, Scan]:
    """Return the scan of every file that may name others, by path; remembered by content."""
    listed = list(entries)
    own = frozenset(
        entry.suffix[1:]
        for entry in listed
        if entry.suffix and entry.kind in (Kind.SAMPLE, Kind.IMPULSE, Kind.SCRIPT, Kind.OTHER)
    )
    extra = sorted(suffix for suffix in own - SUFFIXES if suffix.isascii())
    mark = hashlib.sha256("\n".join(extra).encode()).digest()[:8]
    chosen = [entry for entry in listed if is_scanned(entry)]
    watch.stage("Reading paths in patches and scripts", len(chosen))
    scans: dict[str, Scan] = {}
    for entry in chosen:
        key = bytes.fromhex(entry.sha256) + mark
        kept = cache.get(SCANS, key) if entry.sha256 else None
        scan = _decoded(kept)
        if scan is None:
            scan = scan_file(folder / entry.path, watch, frozenset(extra))
            if not scan.problem and entry.sha256 and unchanged(folder, entry):
                cache.put(SCANS, [(key, msgspec.msgpack.encode(scan))])
        scans[entry.path] = scan
        watch.step()
    return scans


def _decoded(kept: bytes | None) -> Scan | None:
    try:
        return msgspec.msgpack.decode(kept, type=Scan) if kept else None
    except msgspec.MsgspecError:
        return None


def look(folder: Path, facts: Contents, cache: Cache, watch: Watch, *, rehash: bool = False) -> Look:
    """Return all that Contents and Paths judge, except what is told by the sound of files."""
    return look_at(folder, take(folder, facts, cache, watch, rehash=rehash), facts, cache, watch)


def look_at(folder: Path, inventory: Inventory, facts: Contents, cache: Cache, watch: Watch) -> Look:
    """Like :func:`look`, for an inventory already taken."""
    first = shipping(inventory, facts)
    scans = scan_all(folder, first.ships, cache, watch)
    references = resolve(scans, inventory.entries, first.paths)
    selection = shipping(inventory, facts, referenced=references.used)
    if selection.paths != first.paths:  # what is referred to ships after all, and may itself refer to more
        scans = scan_all(folder, selection.ships, cache, watch)
        references = resolve(scans, inventory.entries, selection.paths)
    return Look(
        inventory=inventory,
        selection=selection,
        scans=scans,
        references=references,
        pictures=look_at_pictures(folder, selection.ships, cache, watch),
        scripts=read_scripts(folder, selection.ships),
    )
