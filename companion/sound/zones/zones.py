"""Where each sample plays: key, velocity, take and layer, from chunk, file name or the maker's table."""

import csv
import io
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from contextlib import suppress
from itertools import islice
from typing import Final

import msgspec

from companion.core.facts import Facts
from companion.core.globs import globs
from companion.core.rules import Measure
from companion.core.units import read_note
from companion.sound.files.chunks import RANGES
from companion.sound.measures.measured import Measured
from companion.sound.zones.hearing import heard_of
from companion.sound.zones.naming import Placed
from companion.sound.zones.reading import NameReading, read_names
from companion.sound.zones.vocabulary import read_velocity

MOST_ROWS: Final = 200_000
_MARK: Final = r"(?i)((v|vel|rr|r|t|take)?\d+)?"
"""What numbers a sample in its name, or nothing."""

_FEW: Final = 3
"""So many notes are no chance."""

ZONES: Final = Measure("zones", 3)
"""Raised whenever the same names, chunks and facts may place a sample otherwise."""


class Zone(Placed, frozen=True, kw_only=True):
    """Where one sample plays. note: MIDI note it was recorded at; None while it or its octave is open.

    name_note: the note as the name writes it, under middle C = C4; named: under the convention there is. source:
    table, chunk, name or empty. layer: the maker's layer, else the name's, else folder and name without its note; each
    microphone, and the releases, are a layer of their own: they are no takes of one another; instrument: the layer
    without those. take: as written, empty
    when there is one. velocity: what orders dynamics; None when nothing tells. Ranges are inclusive.
    """

    path: str
    name_note: int | None = None
    named: int | None = None
    source: str = ""
    instrument: str = ""

    @property
    def key(self) -> int | None:
        """The note, or as long as its octave is open the note that the name writes."""
        return self.note if self.note is not None else self.name_note


def read_table(text: str) -> dict[str, dict[str, str]]:
    """Return the rows of a maker's CSV by path. Columns: path, note, velocity, take, layer, low_key, high_key, …"""
    rows: dict[str, dict[str, str]] = {}
    with suppress(csv.Error):  # what stands before the fault is read
        for row in islice(csv.DictReader(io.StringIO(text)), MOST_ROWS):
            cells = {(key or "").strip().lower(): (value or "").strip() for key, value in row.items() if key}
            if cells.get("path"):
                rows[cells["path"].replace("\\", "/")] = cells
    return rows


def reading_of(measured: Mapping[str, Measured], facts: Facts) -> NameReading:
    """Return how the names of the readable files are read, settled by what was measured of them where that is needed.

    Raises CompanionError for a file-name pattern that is wrong.
    """
    readable = {path: one for path, one in measured.items() if one.readable}
    return read_names(readable, facts.naming, heard_of(readable))


def zones_of(
    measured: Mapping[str, Measured],
    facts: Facts,
    table: Mapping[str, Mapping[str, str]] | None = None,
    reading: NameReading | None = None,
) -> dict[str, Zone]:
    """Return the zone of every readable file, by path. The table wins over the chunk, the chunk over the name.

    reading: of the names, where it is there already. A chunk says nothing where all chunks of a layer state one note
    and the names many: it was never set. Raises CompanionError for a file-name pattern that is wrong.
    """
    reading = reading or reading_of(measured, facts)
    facts = reading.applied(facts)
    zones = {
        path: _zone(path, one, reading.places.get(path, Placed()), (table or {}).get(path, {}), facts)
        for path, one in measured.items()
        if one.readable
    }
    zones = {path: _without_default(zone, zones_here) for path, zone, zones_here in _beside(zones)}
    return _with_first_takes(_parted(zones, facts))


def _beside(zones: Mapping[str, Zone]) -> Iterable[tuple[str, Zone, bool]]:
    """Yield each zone with whether the chunks of its layer all state one note while the names have three or more."""
    stated: dict[str, set[int | None]] = defaultdict(set)
    named: dict[str, set[int | None]] = defaultdict(set)
    for zone in zones.values():
        if zone.source == "chunk" and zone.name_note is not None:
            stated[zone.layer].add(zone.note)
            named[zone.layer].add(zone.name_note)
    for path, zone in zones.items():
        yield path, zone, len(stated[zone.layer]) == 1 and len(named[zone.layer]) >= _FEW


def _without_default(zone: Zone, is_default: bool) -> Zone:
    if zone.source != "chunk" or zone.name_note is None or not is_default:
        return zone
    return msgspec.structs.replace(zone, note=zone.named, cents=0.0, source="name")


def _zone(path: str, one: Measured, place: Placed, row: Mapping[str, str], facts: Facts) -> Zone:
    middle_c = facts.naming.middle_c
    tabled = Placed.of(row, facts.naming.language)
    value, cents, source = tabled.note_under(middle_c or "C4"), 0.0, "table"
    if value is None and one.root_note is not None:
        value, cents, source = one.root_note, one.fine_cents, "chunk"
    if value is None and place.note is not None:
        value, cents, source = place.note_under(middle_c), place.cents, "name"

    bounds = {
        name: next((bound for said in (tabled, place, one) if (bound := getattr(said, name)) is not None), None)
        for name in RANGES
    }
    microphone, release = tabled.microphone or place.microphone, tabled.release or place.release
    layer = tabled.layer or layer_of(path, facts) or place.layer or _family(path, place)
    return Zone(
        path=path,
        layer=" · ".join(part for part in (layer, microphone, "release" if release else "") if part),
        note=value,
        cents=cents,
        name_note=place.note if source != "table" else tabled.note,
        named=place.note_under(middle_c),
        octave_open=place.octave_open,
        velocity=tabled.velocity if row.get("velocity") else place.velocity,
        take=tabled.take or place.take,
        microphone=microphone,
        release=release,
        instrument=layer,
        folder=place.folder,
        **bounds,
        source=source if value is not None or place.note is not None else "",
    )


def _parted(zones: Mapping[str, Zone], facts: Facts) -> dict[str, Zone]:
    """Return zones, those of one layer by name parted by folder where two folders are two instruments.

    They are where both hold the same note at the same touch and take, or several touches of the same notes. Folders
    that share out one layer, its low and its high notes or its soft and its loud ones, leave it whole.
    """
    named = {layer.name for layer in facts.layers}
    folders: dict[tuple[object, ...], set[str]] = defaultdict(set)
    touches: dict[tuple[str, int | None, str], set[int | None]] = defaultdict(set)
    for zone in zones.values():
        folders[(*_place(zone), zone.take)].add(zone.folder)
        touches[zone.layer, zone.key, zone.folder].add(_touch(zone))
    whole = Counter((layer, key) for (layer, key, _), several in touches.items() if len(several) > 1)
    doubled = Counter(layer for (layer, _), count in whole.items() if count > 1)
    parted = {layer for (layer, *_), several in folders.items() if len(several) > 1}
    parted |= {layer for layer, notes in doubled.items() if notes >= _FEW}
    return {
        path: msgspec.structs.replace(zone, layer=f"{zone.folder}/{zone.layer}")
        if zone.layer in parted and zone.instrument not in named
        else zone
        for path, zone in zones.items()
    }


def _touch(zone: Zone) -> int | None:
    return zone.velocity if zone.velocity is not None else zone.low_velocity


def _with_first_takes(zones: Mapping[str, Zone]) -> dict[str, Zone]:
    """Return zones with a take for each that has none beside others that have: ``C3`` beside ``C3 (1)``, the first."""
    takes: dict[tuple[object, ...], set[str]] = defaultdict(set)
    for zone in zones.values():
        takes[_place(zone)].add(zone.take)
    found = {}
    for path, zone in zones.items():
        others = takes[_place(zone)]
        first = "" if zone.take or len(others) == 1 else "0" if "1" in others else "1"
        found[path] = msgspec.structs.replace(zone, take=first) if first else zone
    return found


def _place(zone: Zone) -> tuple[object, ...]:
    return zone.layer, zone.key, _touch(zone)


def layer_of(path: str, facts: Facts) -> str:
    """Return the name of the first of the maker's layers whose patterns ``path`` fits, or an empty string."""
    return next((layer.name for layer in facts.layers if globs(layer.files).matches(path)), "")


def _family(path: str, place: Placed) -> str:
    """Return folder and name without note, numbers and marks: what the samples of one instrument share."""
    if place != Placed():
        return place.folder
    folder, _, name = path.rpartition("/")
    stem = name.rpartition(".")[0] or name
    parts = [part for part in re.split(r"[_\-\s.()\[\]]+", stem) if not re.fullmatch(_MARK, part)]
    return f"{folder}/{' '.join(part for part in parts if read_note(part)[0] is None and read_velocity(part) is None)}"


def by_layer(zones: Iterable[Zone]) -> dict[str, list[Zone]]:
    """Return zones grouped by layer, each group in the order of its paths."""
    groups: dict[str, list[Zone]] = defaultdict(list)
    for zone in sorted(zones, key=lambda zone: zone.path):
        groups[zone.layer].append(zone)
    return dict(groups)
