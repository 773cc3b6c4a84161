"""The map of the keys: layers and dynamics in rows, samples in cells, and what is wrong with them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from companion.core.findings import Finding
from companion.core.text import listed, plural, visible
from companion.core.units import note_name
from companion.drawing.shapes import Cell, CellRow, Drawing, Figure, KeyMap, State
from companion.sound.checks.model import SoundModel
from companion.sound.checks.zones import lacking_dynamics, off_grid, uncovered
from companion.sound.zones.zones import Zone
from companion.steps.drawn.common import figures_of, short_layer, title_of

_MOST_ROWS: Final = 200
_MOST_LISTED: Final = 12
_STATES: Final[dict[str, State]] = {
    "off-pitch": "pitch",
    "wrong-root": "pitch",
    "takes-same": "same",
    "duplicate": "same",
    "range-overlap": "overlap",
}
_WORST: Final[tuple[State, ...]] = ("none", "covered", "here", "same", "softer", "louder", "pitch", "overlap", "hole")
_NO_DYNAMIC: Final = -1

Place = tuple[str, int, int]
"""A layer, a dynamic (−1 where nothing tells) and a key."""


def key_map(model: SoundModel, findings: Sequence[Finding], finding: Finding | None = None) -> Drawing:
    """Return the map. findings: those of the sound step; finding: the one that is shown, None for none."""
    mapped = [zone for zone in model.zones.values() if zone.key is not None]
    cells = _Cells(mapped, findings, finding)
    for layer, zones in model.layers.items():
        cells.add_holes(layer, zones)
    if finding:
        cells.point_at(finding)
    keys = cells.keys()
    convention = model.facts.naming.middle_c or "C4"
    rows = [CellRow(layer=layer, dynamic=said, cells=found) for layer, said, found in cells.rows(keys)]
    shown = KeyMap(low=keys.start, names=tuple(note_name(key, convention) for key in keys), rows=tuple(rows))
    left = len(model.zones) - len(mapped)
    notes = [f"{plural(left, 'sample')} without a note {'is' if left == 1 else 'are'} not on the map."] if left else []
    notes += [f"{len(rows) - _MOST_ROWS:,} more rows are left out."] if len(rows) > _MOST_ROWS else []
    if not mapped:
        notes.append("No sample says which note it plays, so that there is nothing to map.")
    return Drawing(
        kind="map",
        title=title_of(finding, "Keys, by layer and dynamic"),
        path=finding.path if finding else "",
        rule=finding.rule if finding else "",
        panes=(KeyMap(low=shown.low, names=shown.names, rows=shown.rows[:_MOST_ROWS]),) if mapped else (),
        figures=(*figures_of(finding), *_figures(cells, rows, keys, shown.names)),
        note=" ".join(notes),
    )


class _Cells:
    """What is known of each key of each row."""

    def __init__(self, zones: Iterable[Zone], findings: Sequence[Finding], finding: Finding | None) -> None:
        self.zones = {zone.path: zone for zone in zones}
        self.takes: dict[Place, list[str]] = defaultdict(list)
        self.covered: dict[Place, list[str]] = defaultdict(list)
        self.wrong: dict[Place, dict[State, str]] = defaultdict(dict)
        self.shown: set[Place] = set()
        for zone in self.zones.values():
            place = _place(zone)
            self.takes[place].append(zone.path)
            low, high = zone.low_key, zone.high_key
            if low is not None and high is not None:
                for key in range(max(0, low), min(127, high) + 1):
                    self.covered[(place[0], place[1], key)].append(zone.path)
        for one in findings:
            self._add(one)
        if finding and finding not in findings:
            self._add(finding)

    def point_at(self, finding: Finding) -> None:
        """Note the cells a finding is about: those of its samples, else those on its key."""
        self.shown.update(self._places(finding))
        if not self.shown and finding.at.key is not None:
            self.shown.update(
                place
                for place in (*self.takes, *self.covered, *self.wrong)
                if place[2] == finding.at.key and finding.at.velocity in (None, place[1])
            )

    def _places(self, finding: Finding) -> list[Place]:
        zone = self.zones.get(finding.path)
        if finding.rule == "range-overlap" and zone and finding.at.others:
            return self._shared(zone, self.zones.get(finding.at.others[0]))
        return [_place(zone)] if zone else []

    def _add(self, finding: Finding) -> None:
        """Note what a finding says of its cells, waived or not."""
        state = _STATES.get(finding.rule)
        if finding.rule == "level-step" and isinstance(finding.value, int | float):
            state = "louder" if finding.value > 0 else "softer"
        elif finding.rule == "dynamics-inverted":
            state = "louder"
        for place in self._places(finding) if state else ():
            self._put(place, state or "none", finding.measured)

    def _shared(self, zone: Zone, other: Zone | None) -> list[Place]:
        """Return the cells that two ranges share, in the rows of both."""
        if other is None or None in (zone.low_key, zone.high_key, other.low_key, other.high_key):
            return []
        first = max(zone.low_key or 0, other.low_key or 0)
        last = min(zone.high_key or 0, other.high_key or 0)
        rows = {_place(zone)[:2], _place(other)[:2]}
        return [(*row, key) for row in sorted(rows) for key in range(first, last + 1)]

    def _put(self, place: Place, state: State, says: str) -> None:
        self.wrong[place].setdefault(state, says)

    def add_holes(self, layer: str, zones: Sequence[Zone]) -> None:
        """Note the keys that the layer leaves out, by the same reckoning as the rule."""
        ranges = [(one.low_key, one.high_key) for one in zones if one.low_key is not None and one.high_key is not None]
        if len(ranges) == len(zones):
            missing = [key for low, high in uncovered(ranges) for key in range(low, high + 1)]
        else:
            missing = off_grid(sorted({zone.key for zone in zones if zone.key is not None}))
        dynamics = {_place(zone)[1] for zone in zones if zone.key is not None}
        for velocity in dynamics:
            for key in missing:
                self._put((layer, velocity, key), "hole", "no sample")
        for velocity, keys in lacking_dynamics(zones).items():
            for key in keys:
                self._put((layer, velocity, key), "hole", f"no dynamic {velocity}")

    def keys(self) -> range:
        """Return the keys from the lowest to the highest that anything is known of."""
        known = [place[2] for place in (*self.takes, *self.covered, *self.wrong)]
        return range(min(known), max(known) + 1) if known else range(0)

    def rows(self, keys: range) -> Iterable[tuple[str, str, tuple[Cell, ...]]]:
        """Yield layer, dynamic and cells; the loudest dynamic of each layer first."""
        found = {place[:2] for place in (*self.takes, *self.covered, *self.wrong)}
        for layer, velocity in sorted(found, key=lambda row: (row[0], -row[1])):
            cells = tuple(self._cell((layer, velocity, key)) for key in keys)
            yield short_layer(layer), "" if velocity == _NO_DYNAMIC else f"v{velocity}", cells

    def _cell(self, place: Place) -> Cell:
        takes, covered = self.takes.get(place, []), self.covered.get(place, [])
        usual: State = "here" if takes else "covered" if covered else "none"
        wrong = self.wrong.get(place, {})
        return Cell(
            key=place[2],
            state=max(wrong, key=_WORST.index, default=usual),
            takes=len(takes),
            paths=tuple(dict.fromkeys((*takes, *covered))),
            says="; ".join(says for says in wrong.values() if says),
            at=place in self.shown,
        )

    def places(self, state: State) -> list[Place]:
        """Return where something is wrong in one way, also where something worse is drawn; in order."""
        return sorted(place for place, wrong in self.wrong.items() if state in wrong)


def _place(zone: Zone) -> Place:
    assert zone.key is not None
    return zone.layer, _NO_DYNAMIC if zone.velocity is None else zone.velocity, zone.key


_COUNTED: Final[Mapping[State, str]] = {
    "hole": "Holes",
    "overlap": "Overlaps",
    "pitch": "Off pitch",
    "louder": "Louder",
    "softer": "Softer",
    "same": "Same",
}


def _figures(cells: _Cells, rows: Sequence[CellRow], keys: range, names: Sequence[str]) -> list[Figure]:
    """Return how many samples there are, and which keys something is wrong with, by what it is."""
    held = {cell.key for row in rows for cell in row.cells if cell.takes}
    figures = [Figure("Samples", f"{plural(len(cells.zones), 'sample')} on {plural(len(held), 'key')}")]
    for state, label in _COUNTED.items():
        places = [
            f"{names[key - keys.start]} of {visible(short_layer(layer))}{'' if velocity < 0 else f' v{velocity}'}"
            for layer, velocity, key in cells.places(state)
        ]
        if places:
            figures.append(Figure(label, listed(places, most=_MOST_LISTED)))
    return figures
