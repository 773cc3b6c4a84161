"""Rules about samples against one another: takes, holes, overlaps."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from itertools import accumulate, combinations, pairwise
from typing import Any, Final

from companion.core.findings import WARNS, At, Finding
from companion.core.text import listed, visible
from companion.core.units import note_name
from companion.sound.checks.model import SoundModel, sound_rule
from companion.sound.measures.versions import DIGEST, LOUDNESS, OUTLINE, PITCH, with_inputs
from companion.sound.zones.zones import ZONES, Zone

SAME: Final = 0.99
GRID: Final = 0.8
FEWEST_NOTES: Final = 5
_MOST_TAKES: Final = 24
_MOST_OVERLAPS: Final = 50


def _is_open(zones: Iterable[Zone]) -> bool:
    return any(zone.note is None and zone.octave_open for zone in zones)


def _named(model: SoundModel, zones: Iterable[Zone], number: int) -> str:
    """Return a note's name; where the octave is open, as the files themselves write it (middle C = C4)."""
    return note_name(number, "C4" if _is_open(zones) else model.facts.naming.middle_c or "C4")


def _at(zones: Iterable[Zone], key: int | None, **more: Any) -> At:
    """Return the place of a finding about ``key``, left out where its octave is open."""
    return At(key=None if _is_open(zones) else key, **more)


@sound_rule(
    "takes-same",
    WARNS,
    rests_on=(*with_inputs(OUTLINE, DIGEST, PITCH, LOUDNESS), ZONES),
    means="Two round robins are one recording, perhaps at another gain or shifted.",
    why="Repeated notes sound like a machine, which is what round robins are there to avoid.",
    mend="Replace one with another recording, or take it out.",
    limit="correlation under {bound}",
    bound=SAME,
)
def takes_same(model: SoundModel) -> Iterator[Finding]:
    """Takes of one note and dynamic whose outlines correlate over 0.99: see ``takes.likeness``.

    Measured on recorded round robins: two strokes stay under 0.92; copies at another gain, shifted or dithered are over
    0.999. Takes equal to the bit are found by ``duplicate``.
    """
    from companion.sound.measures.takes import likeness

    groups: dict[tuple[str, int | None, int | None], list[Zone]] = defaultdict(list)
    for zone in model.zones.values():
        if zone.take and model.measured[zone.path].outline:
            groups[zone.layer, zone.key, zone.velocity].append(zone)
    for zones in groups.values():
        found: set[str] = set()
        for one, other in combinations(sorted(zones, key=lambda zone: zone.path)[:_MOST_TAKES], 2):
            first, second = model.measured[one.path], model.measured[other.path]
            if other.path in found or first.digest == second.digest:
                continue
            value = likeness(first.outline, second.outline)
            if value >= SAME:
                found.add(other.path)
                take = int(other.take) if other.take.isdecimal() and other.take.isascii() else None
                at = _at([other], other.key, velocity=other.velocity, take=take, others=(one.path,))
                says = f"correlation {value:.3f} with {visible(one.path)}"
                yield takes_same.finding(other.path, at=at, value=round(value, 3), says=says)


@sound_rule(
    "note-gap",
    WARNS,
    rests_on=(*with_inputs(PITCH, LOUDNESS), ZONES),
    means="A layer has a hole in its keys or dynamics.",
    why="Some keys are silent, or jump to another sound at some strengths.",
    mend="Record or render what is missing, or widen the neighbours to cover it.",
    limit="no hole",
    unit="note",
)
def note_gap(model: SoundModel) -> Iterator[Finding]:
    """Holes in a layer: keys that no range covers, notes left out of an even grid, dynamics that single notes lack.

    A grid is even when 80 % of its steps are alike; then a step of twice that or more is a hole. A note lacks a
    dynamic when 80 % of its layer's notes have it.
    """
    for layer, zones in model.layers.items():
        ranges = [(one.low_key, one.high_key) for one in zones if one.low_key is not None and one.high_key is not None]
        if len(ranges) == len(zones):
            holes = uncovered(ranges)
            text = [f"{_named(model, zones, low)} to {_named(model, zones, high)}" for low, high in holes]
            count, what = sum(high - low + 1 for low, high in holes), "no sample for"
            first = holes[0][0] if holes else None
        else:
            missing = off_grid(sorted({zone.key for zone in zones if zone.key is not None}))
            text = [_named(model, zones, note) for note in missing]
            count, what = len(missing), "missing from an even grid:"
            first = missing[0] if missing else None
        if text:
            says = f"“{visible(layer)}”: {what} {listed(text, most=6)}"
            yield note_gap.finding(at=_at(zones, first), value=count, says=says)
        yield from _missing_dynamics(model, layer, zones)


def uncovered(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the (lowest, highest) of each stretch that lies between spans and in none of them."""
    ordered = sorted(spans)
    reached = accumulate((high for _, high in ordered), max)
    return [(high + 1, low - 1) for high, (low, _) in zip(reached, ordered[1:], strict=False) if low > high + 1]


def off_grid(notes: list[int]) -> list[int]:
    """Return the notes that an even grid of ``notes``, in order, leaves out; none where there is no such grid."""
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


def _missing_dynamics(model: SoundModel, layer: str, zones: Sequence[Zone]) -> Iterator[Finding]:
    for velocity, lacking in lacking_dynamics(zones).items():
        names = listed([_named(model, zones, note) for note in lacking], most=6)
        says = f"“{visible(layer)}”: no dynamic {velocity} for {names}"
        yield note_gap.finding(at=_at(zones, lacking[0], velocity=velocity), value=len(lacking), says=says)


def lacking_dynamics(zones: Iterable[Zone]) -> dict[int, list[int]]:
    """Return by velocity the notes of a layer that lack a dynamic which 80 % of its notes have."""
    held: dict[int, set[int]] = defaultdict(set)
    for zone in zones:
        if zone.key is not None and zone.velocity is not None:
            held[zone.key].add(zone.velocity)
    if len(held) < FEWEST_NOTES:
        return {}
    usual = Counter(velocity for velocities in held.values() for velocity in velocities)
    found = {}
    for velocity, count in sorted(usual.items()):
        lacking = sorted(note for note, velocities in held.items() if velocity not in velocities)
        if lacking and count >= GRID * len(held):
            found[velocity] = lacking
    return found


@sound_rule(
    "range-overlap",
    WARNS,
    rests_on=(*with_inputs(PITCH, LOUDNESS), ZONES),
    means="Two samples of a layer share some of their keys and velocities.",
    why="Both sound at once, louder and doubled, or the engine picks one by chance.",
    mend="Set the ranges so that one ends where the next begins; a crossfade that is meant may be waived.",
    limit="no overlap but between takes",
    unit="key",
)
def range_overlap(model: SoundModel) -> Iterator[Finding]:
    """Pairs of samples of a layer and take whose key and velocity ranges meet in part; equal ranges are takes."""
    left = _MOST_OVERLAPS
    for zones in model.layers.values():
        ranged = sorted(
            (zone.low_key, zone.high_key, zone.low_velocity or 0, zone.high_velocity or 127, zone.take, zone.path)
            for zone in zones
            if zone.low_key is not None and zone.high_key is not None
        )
        for place, (low, high, soft, loud, take, path) in enumerate(ranged):
            for other in ranged[place + 1 :]:
                if other[0] > high or not left:
                    break
                same = other[:4] == (low, high, soft, loud)
                if not same and other[4] == take and other[2] <= loud and soft <= other[3]:
                    left -= 1
                    first, last = other[0], min(high, other[1])
                    says = f"shares {_named(model, zones, first)} to {_named(model, zones, last)} with "
                    at = _at(zones, first, others=(other[5],))
                    yield range_overlap.finding(path, at=at, value=last - first + 1, says=says + visible(other[5]))
