"""Where each sample plays: key, velocity, take and layer, from chunk, file name or the maker's table."""

import csv
import io
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from contextlib import suppress
from itertools import islice
from typing import Final

from companion.core.facts import Facts
from companion.core.globs import globs
from companion.core.rules import Measure
from companion.core.units import read_note
from companion.sound.files.chunks import RANGES
from companion.sound.measures.measured import Measured
from companion.sound.zones.naming import Placed, guess_note, place_all, read_velocity

MOST_ROWS: Final = 200_000
_MARK: Final = r"(?i)((v|vel|rr|r|t|take)?\d+)?"
"""What numbers a sample in its name, or nothing."""

ZONES: Final = Measure("zones", 1)
"""Raised whenever the same names, chunks and facts may place a sample otherwise."""


class Zone(Placed, frozen=True, kw_only=True):
    """Where one sample plays. note: MIDI note it was recorded at; None while it or its octave is open.

    name_note: the note as the name writes it, under middle C = C4. source: table, chunk, name or empty. layer: the
    maker's layer, else the name's, else folder and name without its note. take: as written, empty when there is one.
    velocity: what orders dynamics; None when nothing tells. Ranges are inclusive.
    """

    path: str
    cents: float = 0.0
    name_note: int | None = None
    source: str = ""

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


def zones_of(
    measured: Mapping[str, Measured], facts: Facts, table: Mapping[str, Mapping[str, str]] | None = None
) -> dict[str, Zone]:
    """Return the zone of every readable file, by path. The table wins over the name, the name over the chunk.

    Raises CompanionError for a file-name pattern that is wrong.
    """
    places = place_all(measured, facts.naming.pattern)
    zones = {}
    for path, one in measured.items():
        if one.readable:
            place = places.get(path) or (Placed() if facts.naming.pattern else guess_note(path))
            zones[path] = _zone(path, one, place, (table or {}).get(path, {}), facts)
    return zones


def _zone(path: str, one: Measured, place: Placed, row: Mapping[str, str], facts: Facts) -> Zone:
    middle_c = facts.naming.middle_c
    tabled = Placed.of(row)
    value, cents, source = tabled.note_under(middle_c or "C4"), 0.0, "table"
    if value is None and one.root_note is not None:
        value, cents, source = one.root_note, one.fine_cents, "chunk"
    if value is None and place.note is not None:
        value, source = place.note_under(middle_c), "name"

    bounds = {
        name: next((bound for said in (tabled, place, one) if (bound := getattr(said, name)) is not None), None)
        for name in RANGES
    }
    return Zone(
        path=path,
        layer=tabled.layer or layer_of(path, facts) or place.layer or _family(path),
        note=value,
        cents=cents,
        name_note=place.note if source != "table" else tabled.note,
        octave_open=place.octave_open,
        velocity=tabled.velocity if row.get("velocity") else place.velocity,
        take=tabled.take or place.take,
        **bounds,
        source=source if value is not None or place.note is not None else "",
    )


def layer_of(path: str, facts: Facts) -> str:
    """Return the name of the first of the maker's layers whose patterns ``path`` fits, or an empty string."""
    return next((layer.name for layer in facts.layers if globs(layer.files).matches(path)), "")


def _family(path: str) -> str:
    """Return folder and name without note, numbers and marks: what the samples of one instrument share."""
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
