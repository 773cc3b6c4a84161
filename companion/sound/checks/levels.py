"""Rules about the levels of samples against one another: neighbours, dynamics, layers."""

import math
import statistics
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Final

from companion.core.findings import WARNS, At, Finding
from companion.core.text import visible
from companion.core.units import level
from companion.sound.checks.model import SoundModel, sound_rule
from companion.sound.measures.versions import LOUDNESS, PITCH, with_inputs
from companion.sound.zones.tuning import FEWEST, TRUST, TUNING
from companion.sound.zones.zones import ZONES, Zone

LEVEL_STEP_DB: Final = 9.0
SCATTERS: Final = 4.0
INVERTED_DB: Final = 1.0
IN_ORDER: Final = 0.7
LAYER_DROP_DB: Final = 15.0
_REACH: Final = 2
_OCTAVE: Final = 12
_ROUNDS: Final = 20
_FEWEST_STEPS: Final = 3

Table = Mapping[tuple[int, int], float]
"""Loudness in LUFS by (note, velocity)."""

Step = tuple[float, Zone, Zone]
"""By how much the louder of two dynamics that follow one another is louder, and a sample of each."""


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


def loudness_of(model: SoundModel, zones: Iterable[Zone]) -> dict[str, float]:
    """Return how loud each sample is, in LUFS, by its path: all by one measure, so that they can be compared.

    By their loudest 400 ms, short loops going round; where one does not last so long, all by their loudest 100 ms, and
    what is shorter still is left out.
    """
    measured = {zone.path: model.measured[zone.path] for zone in zones}
    heard = {path: one for path, one in measured.items() if one.momentary_max_lufs is not None}
    short = any(one.level_lufs is None for one in heard.values())
    found = {path: one.burst_lufs if short else one.level_lufs for path, one in heard.items()}
    return {path: value for path, value in found.items() if value is not None}


def place_levels(model: SoundModel, zones: Iterable[Zone]) -> dict[tuple[int, int], list[tuple[float, Zone]]]:
    """Return loudness and zone of every take by (note, velocity), velocity −1 where there is none."""
    levels: dict[tuple[int, int], list[tuple[float, Zone]]] = defaultdict(list)
    zones = list(zones)
    loudness = loudness_of(model, zones)
    for zone in zones:
        if zone.key is not None and zone.path in loudness:
            levels[zone.key, -1 if zone.velocity is None else zone.velocity].append((loudness[zone.path], zone))
    return levels


def median_levels(levels: Mapping[tuple[int, int], list[tuple[float, Zone]]]) -> dict[tuple[int, int], float]:
    """Return the median loudness of the takes of each (note, velocity)."""
    return {place: statistics.median(value for value, _ in takes) for place, takes in levels.items()}


def _at(zone: Zone, *others: Zone) -> At:
    return At(key=zone.note, velocity=zone.velocity, others=tuple(other.path for other in others))


@sound_rule(
    "level-step",
    WARNS,
    version=2,
    rests_on=(*with_inputs(LOUDNESS, PITCH), ZONES, TUNING),
    means="A sample is much louder or softer than its neighbours on the keyboard.",
    why="One key jumps out, or falls into a hole.",
    mend="Match its level in the patch, or replace it.",
    limit="within {bound} of its neighbours",
    unit="dB",
    bound=LEVEL_STEP_DB,
)
def level_step(model: SoundModel) -> Iterator[Finding]:
    """Samples over 9 dB from what the two neighbours on either side lead to expect at their dynamic.

    A neighbour without that dynamic stands in with its level at the others, so a loud dynamic is no step and a missing
    one no hole. A doubling of loudness is some 10 dB; neighbours within 9 are one voice. Where a layer's samples differ
    by nature (effects), four times their own median distance is allowed: 2.7 normal deviations. A kit, whose pitches
    have nothing to do with its keys, has no neighbours, and is not judged.
    """
    limit = model.facts.limits.level_step_db or LEVEL_STEP_DB
    kits = _kits(model)
    for layer, zones in model.layers.items():
        if layer in kits:
            continue
        levels = place_levels(model, zones)
        usual = expected_levels(median_levels(levels))
        apart = [(value - usual[place], value, zone) for place in usual for value, zone in levels[place]]
        most = max(limit, SCATTERS * statistics.median(abs(step) for step, _, _ in apart)) if apart else limit
        for step, value, zone in apart:
            if abs(step) > most:
                how = "louder" if step > 0 else "softer"
                says = f"{level(abs(step), 'dB')} {how}, {level(value, 'LUFS')} at its loudest"
                yield level_step.finding(zone.path, at=_at(zone), value=round(step, 2), bound=most, says=says)


def _kits(model: SoundModel) -> set[str]:
    """Return the layers whose samples sound other notes than their keys: three trusted pitches, and no tuning."""
    tuned = {tuning.layer for tuning in model.tunings}
    pitched: dict[str, int] = defaultdict(int)
    for layer, zones in model.layers.items():
        for zone in zones:
            pitched[layer] += zone.key is not None and (model.measured[zone.path].pitch_trust or 0.0) >= TRUST
    return {layer for layer, count in pitched.items() if count >= FEWEST and layer not in tuned}


def expected_levels(table: Table) -> dict[tuple[int, int], float]:
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


@sound_rule(
    "dynamics-inverted",
    WARNS,
    version=2,
    rests_on=(*with_inputs(LOUDNESS, PITCH), ZONES),
    means="A softer dynamic is louder than the next one up.",
    why="Playing harder gets quieter.",
    mend="Swap the two samples, or correct their names; see whether one was normalised alone.",
    limit="not over {bound} louder than the next dynamic",
    unit="dB",
    bound=INVERTED_DB,
)
def dynamics_inverted(model: SoundModel) -> Iterator[Finding]:
    """Notes at which a softer dynamic is over 1 dB louder than the next, in layers that are otherwise in order.

    Where most notes are not in order the samples were normalised, and the patch sets their levels. Layers of one note,
    or of none, are the drums of a kit: they need no note, and the kit as a whole says whether it is in order.
    """
    kit: list[Step] = []
    for zones in model.layers.values():
        if len({zone.key for zone in zones}) == 1:
            kit += _steps_of_drum(model, zones)
        else:
            for steps in _steps_of_notes(model, zones):
                yield from _inverted(steps)
    yield from _inverted(kit)


def _inverted(steps: Sequence[Step]) -> Iterator[Finding]:
    in_order = sum(step > INVERTED_DB for step, _, _ in steps)
    if len(steps) < _FEWEST_STEPS or in_order < IN_ORDER * len(steps):
        return
    for step, low, high in steps:
        if step < -INVERTED_DB:
            what = "on the same note" if low.key is not None else "of the same drum"
            says = f"{{value}} louder than the next dynamic {what}"
            yield dynamics_inverted.finding(low.path, at=_at(low, high), value=round(-step, 2), says=says)


def _steps_of_notes(model: SoundModel, zones: Sequence[Zone]) -> Iterator[list[Step]]:
    """Yield the steps of all notes from each dynamic of a layer to the next."""
    levels = place_levels(model, zones)
    usual = median_levels(levels)
    notes = sorted({note for note, _ in levels})
    velocities = sorted({velocity for _, velocity in levels if velocity >= 0})
    for softer, louder in pairwise(velocities):
        both = [note for note in notes if (note, softer) in usual and (note, louder) in usual]
        yield [
            (usual[note, louder] - usual[note, softer], levels[note, softer][0][1], levels[note, louder][0][1])
            for note in both
        ]


def _steps_of_drum(model: SoundModel, zones: Sequence[Zone]) -> list[Step]:
    """Return the steps from each dynamic of a drum to the next."""
    loudness = loudness_of(model, zones)
    by_velocity: dict[int, list[Zone]] = defaultdict(list)
    for zone in zones:
        if zone.velocity is not None and zone.path in loudness:
            by_velocity[zone.velocity].append(zone)
    usual = {v: statistics.median(loudness[zone.path] for zone in takes) for v, takes in by_velocity.items()}
    pairs = pairwise(sorted(usual))
    return [(usual[high] - usual[low], by_velocity[low][0], by_velocity[high][0]) for low, high in pairs]


def layer_levels(model: SoundModel) -> dict[str, tuple[float, float]]:
    """Return (median loudness in LUFS, what is lost in dB when it plays alone) of each of the maker's layers."""
    values: dict[str, list[float]] = {layer.name: [] for layer in model.facts.layers}
    for zone in model.zones.values():  # with all its microphones, which are layers of their own elsewhere
        one = model.measured[zone.path]
        value = one.momentary_max_lufs if one.level_lufs is None else one.level_lufs
        if value is not None and zone.instrument in values and not zone.release:
            values[zone.instrument].append(value)
    loudness = {layer: statistics.median(several) for layer, several in values.items() if several}
    if not loudness:
        return {}
    together = 10 * math.log10(sum(10 ** (value / 10) for value in loudness.values()))
    return {layer: (value, together - value) for layer, value in loudness.items()}


@sound_rule(
    "layer-uneven",
    WARNS,
    version=2,
    rests_on=(*with_inputs(LOUDNESS, PITCH), ZONES),
    means="One layer alone is far softer than all together.",
    why="A player who turns the other layers down hears almost nothing left.",
    mend="Raise that layer, or say in the readme that it only colours the others.",
    limit="a layer alone drops by {bound} at most",
    unit="dB",
    bound=LAYER_DROP_DB,
)
def layer_uneven(model: SoundModel) -> Iterator[Finding]:
    limit = model.facts.limits.layer_drop_db or LAYER_DROP_DB
    for layer, (loudness, drop) in sorted(layer_levels(model).items()):
        if drop > limit:
            says = f"“{visible(layer)}” alone is {{value}} down, {level(loudness, 'LUFS')}"
            yield layer_uneven.finding(value=round(drop, 2), bound=limit, says=says)
