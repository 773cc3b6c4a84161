"""Checks of the levels of samples against one another: neighbours, dynamics, layers."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from itertools import pairwise
from typing import Final

from companion.core.findings import Finding
from companion.core.text import visible
from companion.core.units import level
from companion.sound.checks import texts as rules
from companion.sound.checks.model import SoundModel
from companion.sound.zones.zones import Zone, by_layer

LEVEL_STEP_DB: Final = 9.0
SCATTERS: Final = 4.0
INVERTED_DB: Final = 1.0
IN_ORDER: Final = 0.7
LAYER_DROP_DB: Final = 15.0
_REACH: Final = 2
_OCTAVE: Final = 12
_ROUNDS: Final = 20

Table = Mapping[tuple[int, int], float]
"""Loudness in LUFS by (note, velocity)."""


def polished(table: Table) -> tuple[dict[int, float], dict[int, float]]:
    """Return the level of each note and what each dynamic adds to it, in dB, by median polish.

    Medians of rows and of columns are taken out in turn until nothing moves (Tukey, "Exploratory Data Analysis", 1977,
    chapter 11), so that one odd sample shifts neither its note nor its dynamic.
    """
    by_note: dict[int, list[tuple[int, float]]] = defaultdict(list)
    by_velocity: dict[int, list[tuple[int, float]]] = defaultdict(list)
    for (note, velocity), value in table.items():
        by_note[note].append((velocity, value))
        by_velocity[velocity].append((note, value))
    notes, dynamics = dict.fromkeys(by_note, 0.0), dict.fromkeys(by_velocity, 0.0)
    for _ in range(_ROUNDS):
        before = dict(dynamics)
        notes = {note: statistics.median(value - dynamics[v] for v, value in row) for note, row in by_note.items()}
        dynamics = {v: statistics.median(value - notes[note] for note, value in row) for v, row in by_velocity.items()}
        if all(abs(dynamics[velocity] - was) < 1e-3 for velocity, was in before.items()):
            break
    return notes, dynamics


def _levels(model: SoundModel, zones: Iterable[Zone]) -> dict[tuple[int, int], list[tuple[float, str]]]:
    """Return momentary loudness and path of every take by (note, velocity), velocity −1 where there is none."""
    levels: dict[tuple[int, int], list[tuple[float, str]]] = defaultdict(list)
    for zone in zones:
        key, loudness = zone.key, model.measured[zone.path].momentary_max_lufs
        if key is not None and loudness is not None:
            levels[key, -1 if zone.velocity is None else zone.velocity].append((loudness, zone.path))
    return levels


def level_step(model: SoundModel) -> list[Finding]:
    """Samples over 9 dB from what the two neighbours on either side lead to expect at their dynamic.

    A neighbour without that dynamic stands in with its level at the others, so a loud dynamic is no step and a missing
    one no hole. A doubling of loudness is some 10 dB; neighbours within 9 are one voice. Where a layer's samples differ
    by nature (a kit, effects), four times their own median distance is allowed: 2.7 normal deviations.
    """
    limit = model.facts.limits.level_step_db or LEVEL_STEP_DB
    findings = []
    for zones in by_layer(model.zones.values()).values():
        levels = _levels(model, zones)
        usual = _expected({place: statistics.median(value for value, _ in takes) for place, takes in levels.items()})
        apart = [(value - usual[place], value, path) for place in usual for value, path in levels[place]]
        most = max(limit, SCATTERS * statistics.median(abs(step) for step, _, _ in apart)) if apart else limit
        findings += [
            rules.LEVEL_STEP.finding(
                path,
                measured=f"{level(abs(step), 'dB')} {'louder' if step > 0 else 'softer'}, "
                f"{level(value, 'LUFS')} at its loudest 400 ms",
                limit=f"within {level(most, 'dB')} of its neighbours",
            )
            for step, value, path in apart
            if abs(step) > most
        ]
    return findings


def _expected(table: Table) -> dict[tuple[int, int], float]:
    """Return what is expected of each sample that has at least three neighbours within an octave."""
    levels, dynamics = polished(table)
    notes = sorted(levels)
    expected = {}
    for note, velocity in table:
        place = notes.index(note)
        near = notes[max(0, place - _REACH) : place] + notes[place + 1 : place + 1 + _REACH]
        if len(near) >= 3 and max(abs(other - note) for other in near) <= _OCTAVE:
            added = dynamics[velocity]
            around = [table.get((other, velocity), levels[other] + added) - added for other in near]
            expected[note, velocity] = statistics.median(around) + added
    return expected


def dynamics_inverted(model: SoundModel) -> list[Finding]:
    """Notes at which a softer dynamic is over 1 dB louder than the next, in layers that are otherwise in order.

    Where most notes are not in order the samples were normalised, and the patch sets their levels.
    """
    findings = []
    for zones in by_layer(model.zones.values()).values():
        levels = _levels(model, zones)
        velocities = sorted({velocity for _, velocity in levels if velocity >= 0})
        for softer, louder in pairwise(velocities):
            steps = {}
            for note in {note for note, _ in levels}:
                if (note, softer) in levels and (note, louder) in levels:
                    low = statistics.median(loudness for loudness, _ in levels[note, softer])
                    steps[note] = statistics.median(loudness for loudness, _ in levels[note, louder]) - low
            in_order = sum(step > INVERTED_DB for step in steps.values())
            if len(steps) < 3 or in_order < IN_ORDER * len(steps):
                continue
            findings += [
                rules.DYNAMICS_INVERTED.finding(
                    levels[note, softer][0][1],
                    measured=f"{level(-step, 'dB')} louder than the next dynamic on the same note",
                )
                for note, step in sorted(steps.items())
                if step < -INVERTED_DB
            ]
    return findings


def layer_levels(model: SoundModel) -> dict[str, tuple[float, float]]:
    """Return (median loudness in LUFS, what is lost in dB when it plays alone) of each of the maker's layers."""
    names = {layer.name for layer in model.facts.layers}
    loudness: dict[str, float] = {}
    for layer, zones in by_layer(model.zones.values()).items():
        values = [value for zone in zones if (value := model.measured[zone.path].momentary_max_lufs) is not None]
        if layer in names and values:
            loudness[layer] = statistics.median(values)
    if not loudness:
        return {}
    together = 10 * math.log10(sum(10 ** (value / 10) for value in loudness.values()))
    return {layer: (value, together - value) for layer, value in loudness.items()}


def layer_uneven(model: SoundModel) -> list[Finding]:
    """Layers that drop by more than the limit (default 15 dB) when they play alone."""
    limit = model.facts.limits.layer_drop_db or LAYER_DROP_DB
    levels = layer_levels(model)
    return [
        rules.LAYER_UNEVEN.finding(
            measured=f"“{visible(layer)}” alone is {level(drop, 'dB')} down, {level(loudness, 'LUFS')}",
            limit=f"{level(limit, 'dB')} at most",
        )
        for layer, (loudness, drop) in sorted(levels.items())
        if len(levels) > 1 and drop > limit
    ]


LEVEL_CHECKS: Final[tuple[Callable[[SoundModel], list[Finding]], ...]] = (level_step, dynamics_inverted, layer_uneven)
