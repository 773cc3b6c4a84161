"""Everything that Contents and Paths judge of a working folder, read in one go."""

import hashlib
from collections.abc import Callable, Collection, Iterable
from pathlib import Path
from typing import Final

import msgspec

from companion.contents.inventory import Inventory
from companion.contents.kinds import AUDIO, PICTURES
from companion.contents.reading.names import FolderNames
from companion.contents.reading.pictures import Picture, read_pictures
from companion.contents.reading.scan import scan_file
from companion.contents.reading.scanned import Scan
from companion.contents.reading.scripts import ScriptText, read_scripts
from companion.contents.reading.shapes import SUFFIXES, WEAK
from companion.contents.references import References, resolve
from companion.contents.selection import Selection, select
from companion.contents.versions import PATH_SCAN
from companion.core.cache import Cache, Table
from companion.core.entries import Entry, Kind
from companion.core.facts import Contents
from companion.core.files import unchanged
from companion.core.progress import Watch

MOST_OTHER: Final = 64 << 20
"""Files of unknown kind over 64 MiB are data, not a list of files, and are not scanned."""


class FolderScan(msgspec.Struct, frozen=True, kw_only=True):
    """What a folder holds, what ships of it, and what was read in that."""

    inventory: Inventory
    selection: Selection
    scans: dict[str, Scan]
    references: References
    pictures: dict[str, Picture]
    scripts: dict[str, ScriptText]


def _is_scanned(entry: Entry) -> bool:
    """Tell whether a file may name others: patches, scripts, and what is neither sound, picture nor text to read."""
    if entry.problem or entry.link is not None or not entry.size:
        return False
    if entry.kind is Kind.OTHER:
        return entry.suffix[1:] not in AUDIO | PICTURES and entry.size <= MOST_OTHER
    return entry.kind in (Kind.PATCH, Kind.SCRIPT)


def _names(entries: Iterable[Entry], suffixes: Collection[str]) -> FolderNames:
    """Return the names to learn from: of files that patches name, whether they ship or not."""
    wanted = (SUFFIXES - WEAK) | set(suffixes)
    return FolderNames(entry.path for entry in entries if entry.link is None and entry.suffix[1:] in wanted)


def _scan_paths(
    folder: Path, everything: Iterable[Entry], entries: Iterable[Entry], cache: Cache, watch: Watch
) -> dict[str, Scan]:
    """Return the scan of every file of ``entries`` that may name others, by path.

    It is remembered by content and by the names in the folder it was read with.
    """
    listed = list(entries)
    named = (Kind.SAMPLE, Kind.IMPULSE, Kind.SCRIPT, Kind.OTHER)
    own = {entry.suffix[1:] for entry in listed if entry.suffix and entry.kind in named}
    extra = sorted(suffix for suffix in own - SUFFIXES if suffix.isascii())
    names = _names(everything, extra)
    mark = hashlib.sha256("\n".join(extra).encode() + names.mark).digest()[:8]
    chosen = [entry for entry in listed if _is_scanned(entry)]
    watch.stage("Reading paths in patches and scripts", len(chosen))
    kept = Table(cache, PATH_SCAN.id, PATH_SCAN.version, Scan)
    scans: dict[str, Scan] = {}
    for entry in chosen:
        key = bytes.fromhex(entry.sha256) + mark
        scan = kept.get(key)
        if scan is None:
            scan = scan_file(folder / entry.path, watch, frozenset(extra), names)
            if not scan.problem and unchanged(folder, entry):
                kept.put([(key, scan)])
        scans[entry.path] = scan
        watch.step()
    return scans


def scan_folder(
    folder: Path,
    inventory: Inventory,
    facts: Contents,
    cache: Cache,
    watch: Watch,
    is_preview: Callable[[str], bool] = lambda path: False,
) -> FolderScan:
    """Return all that Contents and Paths judge of a folder, but what the audio files hold.

    is_preview: tells of a path whether the facts show it beside the page; it is no sample unless a patch refers to it.
    """
    selection = select(inventory, facts)
    scans = _scan_paths(folder, inventory.entries, selection.ships, cache, watch)
    references = resolve(scans, inventory.entries, selection.paths)
    final = select(inventory, facts, referenced=references.used)
    if final.paths != selection.paths:  # what is referred to ships after all, and may itself refer to more
        scans = _scan_paths(folder, inventory.entries, final.ships, cache, watch)
        references = resolve(scans, inventory.entries, final.paths)
    final = msgspec.structs.replace(
        final,
        ships=tuple(
            msgspec.structs.replace(entry, kind=Kind.OTHER)
            if entry.kind.audible and is_preview(entry.path) and entry.path not in references.used
            else entry
            for entry in final.ships
        ),
    )
    return FolderScan(
        inventory=inventory,
        selection=final,
        scans=scans,
        references=references,
        pictures=read_pictures(folder, final.ships, cache, watch),
        scripts=read_scripts(folder, final.ships),
    )
