"""Judges the pitch of samples against their declared notes, an instrument at a time."""

import statistics
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import msgspec

from companion.core.rules import Measure
from companion.sound.measures.measured import Measured
from companion.sound.zones.zones import Zone

TUNING: Final = Measure("tuning", 1)
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


class Tuned(msgspec.Struct, frozen=True, kw_only=True):
    """One sample's pitch against its instrument. cents: how far off, after the instrument's octave and tuning.

    firm: steady and clear enough to judge by cents. steady: enough to tell semitones, as a bell's wandering pitch is
    not. octave_sure: the partials show that an octave is no illusion.
    """

    path: str
    declared: float
    measured: float
    cents: float
    firm: bool
    steady: bool
    octave_sure: bool


class Tuning(msgspec.Struct, frozen=True, kw_only=True):
    """What the samples of one instrument share. octaves: how many octaves they sound above their declared notes.

    cents: the tuning they have in common. from_names: whether the notes were read from names, so that ``octaves``
    tells the convention: 0 is middle C = C4, 1 is C3. pure: all but a few agree, so that one that does not is wrong;
    otherwise the layer may be a mixture of instruments. scatter: median distance from ``cents``, of those that agree.
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

    A pitch is used when its trust is 0.9 or more. Of at least three such samples 60 % must lie within 60 cents of
    their declared notes, some whole octaves apart at most: drums, bells and effects, whose notes only say which key
    plays them, never do, and are left alone.
    """
    found = []
    for layer, zones in layers.items():
        pitched = list(_pitched(zones, measured))
        if len(pitched) < FEWEST:
            continue
        apart = [heard - declared for *_, declared, heard in pitched]
        octaves = max(range(-4, 5), key=lambda octave: (sum(_near(cents, octave) for cents in apart), -abs(octave)))
        near = [cents - 1200 * octaves for cents in apart if _near(cents, octaves)]
        if len(near) < max(2, AGREE * len(apart)):
            continue
        common = statistics.median(near)
        found.append(
            Tuning(
                layer=layer,
                octaves=octaves,
                cents=common,
                from_names=all(zone.source == "name" for zone, *_ in pitched),
                pure=len(apart) - len(near) <= max(2, MIXED * len(apart)),
                scatter=statistics.median(abs(cents - common) for cents in near),
                members=tuple(_tuned(*each, 1200 * octaves + common) for each in pitched),
            )
        )
    return found


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
    return Tuned(
        path=zone.path,
        declared=declared,
        measured=heard,
        cents=cents,
        firm=(one.pitch_trust or 0.0) >= FIRM_TRUST and (one.pitch_spread or 0.0) < FIRM_SPREAD,
        steady=(one.pitch_spread or 0.0) < _STEADY_SPREAD,
        octave_sure=sure,
    )
