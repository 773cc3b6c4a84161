"""Judges the pitch of samples against their declared notes, an instrument at a time."""

import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import msgspec

from companion.core.rules import Measure
from companion.sound.measures.measured import Measured
from companion.sound.zones.zones import Zone

TUNING: Final = Measure("tuning", 2)
"""Raised whenever the same pitches and zones may give another tuning."""

TRUST: Final = 0.9
FIRM_TRUST: Final = 0.95
FIRM_SPREAD: Final = 15.0
FEWEST: Final = 3
AGREE: Final = 0.6
MIXED: Final = 0.05
_NEAR_CENTS: Final = 60.0
_STEADY_SPREAD: Final = 50.0
_HALF_DB: Final = -26.0
_ODD_DB: Final = -6.0
"""Odd partials this far under the even ones, or half-way partials this near to theirs, leave the octave open."""

_FUNDAMENTAL_DB: Final = -30.0
"""A first partial this far under the highest one is missing: then only the others' spacing says which note it is."""


class Tuned(msgspec.Struct, frozen=True, kw_only=True):
    """One sample's pitch against its instrument. cents: how far off, after the instrument's octave and tuning.

    firm: steady and clear enough to judge by cents. steady: enough to tell semitones, as a bell's wandering pitch is
    not. octave_sure: the partials do not speak against an octave. octave_plain: it is heard at a note that the declared
    one could not have in it, namely below; a sound octaves above may be the declared note without its fundamental.
    """

    path: str
    declared: float
    measured: float
    cents: float
    firm: bool
    steady: bool
    octave_sure: bool
    octave_plain: bool = True


class Tuning(msgspec.Struct, frozen=True, kw_only=True):
    """What the samples of one instrument share. octaves: how many octaves they sound above their declared notes.

    cents: the tuning they have in common. from_names: whether the notes were read from names, so that ``octaves``
    tells the convention: 0 is middle C = C4, 1 is C3. pure: all but a few notes agree, whatever their takes, so that
    one that does not is wrong; otherwise the layer may be a mixture of instruments. scatter: median distance from
    ``cents``, of those that agree.
    """

    layer: str
    octaves: int
    cents: float
    from_names: bool
    pure: bool
    scatter: float
    members: tuple[Tuned, ...]


def tunings(layers: Mapping[str, Sequence[Zone]], measured: Mapping[str, Measured]) -> list[Tuning]:
    """Return the tuning of each layer whose samples agree with their declared notes well enough to judge by.

    A pitch is used when its trust is 0.9 or more. Of at least three such samples, or of their notes (half of a note's
    takes), 60 % must lie within 60 cents of what is declared, some whole octaves apart at most: drums, bells and
    effects, whose notes only say which key plays them, never do, and are left alone.
    """
    found = []
    for layer, zones in layers.items():
        pitched = list(_pitched(zones, measured))
        if len(pitched) < FEWEST:
            continue
        by_note: dict[float, list[float]] = defaultdict(list)
        for zone, _, declared, heard in pitched:
            by_note[declared if zone.key is None else zone.key].append(heard - declared)
        octaves = max(range(-4, 5), key=lambda octave: (_agreeing(by_note, octave), -abs(octave)))
        agreeing, near_files = _agreeing(by_note, octaves)
        near = [cents - 1200 * octaves for row in by_note.values() for cents in row if _near(cents, octaves)]
        if near_files < 2 or (agreeing < AGREE * len(by_note) and near_files < AGREE * len(pitched)):
            continue
        mixed = sum(not all(_near(cents, octaves) for cents in row) for row in by_note.values())
        common = statistics.median(near)
        found.append(
            Tuning(
                layer=layer,
                octaves=octaves,
                cents=common,
                from_names=all(zone.source == "name" and zone.octave_open for zone, *_ in pitched),
                pure=mixed <= max(2, MIXED * len(by_note)),
                scatter=statistics.median(abs(cents - common) for cents in near),
                members=tuple(_tuned(*each, 1200 * octaves + common) for each in pitched),
            )
        )
    return found


def _agreeing(by_note: Mapping[float, Sequence[float]], octaves: int) -> tuple[int, int]:
    """Return how many notes, and how many of their samples, lie where they are declared, so many octaves up."""
    near = [(sum(_near(cents, octaves) for cents in row), len(row)) for row in by_note.values()]
    return sum(2 * count >= of for count, of in near), sum(count for count, _ in near)


def _near(cents: float, octaves: int) -> bool:
    return abs(cents - 1200 * octaves) <= _NEAR_CENTS


def _pitched(zones: Iterable[Zone], measured: Mapping[str, Measured]) -> Iterable[tuple[Zone, Measured, float, float]]:
    """Yield zone, measures, declared pitch and measured pitch of what has both."""
    for zone in zones:
        one = measured[zone.path]
        if zone.key is not None and one.pitch_cents is not None and (one.pitch_trust or 0.0) >= TRUST:
            yield zone, one, 100.0 * zone.key + zone.cents, one.pitch_cents


def _tuned(zone: Zone, one: Measured, declared: float, heard: float, base: float) -> Tuned:
    cents = heard - declared - base
    half, odd = one.half_db, one.odd_even_db
    sure = (half is None or half < _HALF_DB) if cents > 0 else (odd is None or odd > _ODD_DB)
    fundamental = one.fundamental_db is None or one.fundamental_db > _FUNDAMENTAL_DB
    return Tuned(
        path=zone.path,
        declared=declared,
        measured=heard,
        cents=cents,
        firm=(one.pitch_trust or 0.0) >= FIRM_TRUST and (one.pitch_spread or 0.0) < FIRM_SPREAD,
        steady=(one.pitch_spread or 0.0) < _STEADY_SPREAD,
        octave_sure=sure,
        octave_plain=cents < 0 and fundamental,
    )
