"""Checks of samples against one another: takes, holes, overlaps."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from itertools import combinations, pairwise
from typing import Final

from companion.core.findings import Finding
from companion.core.text import listed, visible
from companion.core.units import note_name
from companion.sound.checks import texts as rules
from companion.sound.checks.model import SoundModel
from companion.sound.zones.zones import Zone, by_layer

GRID: Final = 0.8
FEWEST_NOTES: Final = 5
_MOST_TAKES: Final = 24
_MOST_OVERLAPS: Final = 50


def _named(model: SoundModel, zones: Iterable[Zone], number: int) -> str:
    """Return a note's name; where the octave is open, as the files themselves write it (middle C = C4)."""
    is_open = any(zone.note is None and zone.octave_open for zone in zones)
    return note_name(number, "C4" if is_open else model.facts.naming.middle_c or "C4")


def takes_same(model: SoundModel) -> list[Finding]:
    """Takes of one note and dynamic whose outlines correlate over 0.99: see ``takes.likeness``.

    Measured on recorded round robins: two strokes stay under 0.92; copies at another gain, shifted or dithered are over
    0.999. Takes equal to the bit are told by ``duplicate``.
    """
    from companion.sound.measures.takes import SAME, likeness

    groups: dict[tuple[str, int | None, int | None], list[Zone]] = defaultdict(list)
    for zone in model.zones.values():
        if zone.take and model.measured[zone.path].outline:
            groups[zone.layer, zone.key, zone.velocity].append(zone)
    findings = []
    for zones in groups.values():
        told: set[str] = set()
        for one, other in combinations(sorted(zones, key=lambda zone: zone.path)[:_MOST_TAKES], 2):
            first, second = model.measured[one.path], model.measured[other.path]
            if other.path in told or first.digest == second.digest:
                continue
            value = likeness(first.outline, second.outline)
            if value >= SAME:
                told.add(other.path)
                measured = f"correlation {value:.3f} with {visible(one.path)}"
                findings.append(rules.TAKES_SAME.finding(other.path, measured=measured))
    return findings


def note_gap(model: SoundModel) -> list[Finding]:
    """Holes in a layer: keys that no range covers, notes left out of an even grid, dynamics that single notes lack.

    A grid is even when 80 % of its steps are alike; then a step of twice that or more is a hole. A note lacks a
    dynamic when 80 % of its layer's notes have it.
    """
    findings = []
    for layer, zones in by_layer(model.zones.values()).items():
        spans = [(zone.low_key, zone.high_key) for zone in zones]
        if spans and all(low is not None and high is not None for low, high in spans):
            holes = _uncovered([(low, high) for low, high in spans if low is not None and high is not None])
            text = [f"{_named(model, zones, low)} to {_named(model, zones, high)}" for low, high in holes]
            what = "no sample for"
        else:
            keys = {zone.key for zone in zones} - {None}
            text = [_named(model, zones, note) for note in _off_grid(sorted(key for key in keys if key is not None))]
            what = "left out of the grid:"
        if text:
            measured = f"“{visible(layer)}”: {what} {listed(text, most=6)}"
            findings.append(rules.NOTE_GAP.finding(measured=measured))
        findings += _missing_dynamics(model, layer, zones)
    return findings


def _uncovered(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    holes, reached = [], None
    for low, high in sorted(spans):
        if reached is not None and low > reached + 1:
            holes.append((reached + 1, low - 1))
        reached = high if reached is None else max(reached, high)
    return holes


def _off_grid(notes: list[int]) -> list[int]:
    steps = [after - before for before, after in pairwise(notes)]
    if len(notes) < FEWEST_NOTES:
        return []
    usual, count = Counter(steps).most_common(1)[0]
    if count < GRID * len(steps):
        return []
    return [
        note
        for before, after in pairwise(notes)
        if after - before >= 2 * usual
        for note in range(before + usual, after, usual)
    ]


def _missing_dynamics(model: SoundModel, layer: str, zones: list[Zone]) -> list[Finding]:
    held: dict[int, set[int]] = defaultdict(set)
    for zone in zones:
        key = zone.key
        if key is not None and zone.velocity is not None:
            held[key].add(zone.velocity)
    if len(held) < FEWEST_NOTES:
        return []
    usual = Counter(velocity for velocities in held.values() for velocity in velocities)
    findings = []
    for velocity, count in sorted(usual.items()):
        lacking = sorted(note for note, velocities in held.items() if velocity not in velocities)
        if lacking and count >= GRID * len(held):
            names = listed([_named(model, zones, note) for note in lacking], most=6)
            measured = f"“{visible(layer)}”: no dynamic {velocity} for {names}"
            findings.append(rules.NOTE_GAP.finding(measured=measured))
    return findings


def range_overlap(model: SoundModel) -> list[Finding]:
    """Pairs of samples of a layer and take whose key and velocity ranges meet in part; equal ranges are takes."""
    findings: list[Finding] = []
    for zones in by_layer(model.zones.values()).values():
        ranged = sorted(
            (zone.low_key, zone.high_key, zone.low_velocity or 0, zone.high_velocity or 127, zone.take, zone.path)
            for zone in zones
            if zone.low_key is not None and zone.high_key is not None
        )
        for place, (low, high, soft, loud, take, path) in enumerate(ranged):
            for other in ranged[place + 1 :]:
                if other[0] > high or len(findings) >= _MOST_OVERLAPS:
                    break
                same = other[:4] == (low, high, soft, loud)
                if not same and other[4] == take and other[2] <= loud and soft <= other[3]:
                    shared = f"{_named(model, zones, other[0])} to {_named(model, zones, min(high, other[1]))}"
                    findings.append(
                        rules.RANGE_OVERLAP.finding(path, measured=f"shares {shared} with {visible(other[5])}")
                    )
    return findings


ZONE_CHECKS: Final[tuple[Callable[[SoundModel], list[Finding]], ...]] = (
    takes_same,
    note_gap,
    range_overlap,
)
