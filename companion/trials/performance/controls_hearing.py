"""What a bounce of the controls' performance sounds like, slot by slot: the numbers of each probe, and held notes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, Protocol

import msgspec
import numpy as np

from companion.core.progress import QUIET, Watch
from companion.trials.performance.bounce import Heard
from companion.trials.performance.controls_plan import Panel
from companion.trials.performance.features import Ground, Times, Vector, features, ground_of
from companion.trials.performance.moving import Held, hear_held
from companion.trials.performance.paired import Paired, hear_paired
from companion.trials.performance.score import LEAD_IN, Score, Slot

FULL_SCALE: Final = 0.9999
_FLAT: Final = 3
"""So many samples at full scale in a row are a flat top (as the sound step counts them)."""


class InBounce(Protocol):
    """Where the performance lies in a bounce: an alignment."""

    def at(self, seconds: float) -> float:
        """Return the second of the bounce for a second of the performance."""

    def covers(self, seconds: float) -> bool:
        """Tell whether that stretch of the performance is in the bounce."""


class Probe(msgspec.Struct, frozen=True, kw_only=True):
    """One state, played once. number: of its slot. vector: its numbers.

    loud: the level of its long note over the noise, in dB. peak: its largest sample; flat: it runs at full scale.
    """

    number: int
    kind: str
    control: int
    state: tuple[int, ...]
    vector: Vector
    loud: float
    peak: float
    flat: bool


class PanelHeard(msgspec.Struct, frozen=True, kw_only=True):
    """Everything heard. helds, paireds: by control. missing: numbers of slots that are not in the bounce."""

    panel: Panel
    probes: tuple[Probe, ...]
    helds: dict[int, Held]
    paireds: dict[int, Paired] = {}
    missing: tuple[int, ...] = ()


def hear_panel(score: Score, panel: Panel, sound: Heard, placed: InBounce, watch: Watch = QUIET) -> PanelHeard:
    """Return what is heard of the performance of the controls; ``watch`` is stepped by milliseconds of performance."""
    found = [number for number, slot in enumerate(score.slots) if _inside(slot, sound, placed)]
    # What lies between stretches that were found is there, however hard it is to hear.
    between = range(found[0], found[-1] + 1) if found else range(0)
    present = {number: score.slots[number] for number in between if score.slots[number].notes}
    homes = [slot for slot in present.values() if slot.kind == "home"]
    ground = ground_of(
        sound,
        max(0.0, placed.at(0.1)),
        max(placed.at(LEAD_IN / 1000 - 0.05), 0.1),
        times_of(homes[0], placed) if homes else None,
    )
    probes: list[Probe] = []
    helds: dict[int, Held] = {}
    paireds: dict[int, Paired] = {}
    for number, slot in present.items():
        if slot.kind == "held":
            helds[slot.control] = hear_held(sound, slot, placed.at, number)
        elif slot.kind == "paired":
            paireds[slot.control] = hear_paired(sound, slot, placed.at, number, ground)
        elif len(slot.notes) > 1:
            probes.append(_probe(number, slot, sound, placed, ground))
        watch.step(slot.end - slot.start)
    missing = tuple(number for number in range(len(score.slots)) if number not in present)
    return PanelHeard(panel=panel, probes=tuple(probes), helds=helds, paireds=paireds, missing=missing)


def _inside(slot: Slot, sound: Heard, placed: InBounce) -> bool:
    if not slot.notes:
        return False
    first, last = placed.at(slot.notes[0].on / 1000), placed.at(slot.end / 1000)
    return first > 0 and last <= sound.seconds + 0.3 and placed.covers(slot.notes[0].on / 1000)


def times_of(slot: Slot, placed: InBounce) -> Times:
    """Return when a probe's notes sound, in seconds of the bounce."""
    long, short = slot.notes[:2]
    end = slot.notes[2].on - 20 if len(slot.notes) > 2 else slot.end
    return Times(
        on=placed.at(long.on / 1000),
        off=placed.at(long.off / 1000),
        short_on=placed.at(short.on / 1000),
        short_off=placed.at(short.off / 1000),
        end=placed.at(end / 1000),
    )


def _probe(number: int, slot: Slot, sound: Heard, placed: InBounce, ground: Ground) -> Probe:
    times = times_of(slot, placed)
    data = sound.read(times.on, times.off)
    high = np.abs(data) >= FULL_SCALE
    runs = high[: 1 - _FLAT] & high[1 : 2 - _FLAT] & high[2:] if len(high) > _FLAT else high[:0]
    loud = 10 * np.log10((float(np.mean(data.astype(np.float64) ** 2)) + 1e-16) / ground.noise)
    return Probe(
        number=number,
        kind=slot.kind,
        control=slot.control,
        state=slot.state,
        vector=features(sound, times, ground),
        loud=float(loud),
        peak=float(np.abs(data).max()) if len(data) else 0.0,
        flat=bool(runs.any()),
    )


def of_kind(heard: PanelHeard, *kinds: str) -> Iterator[Probe]:
    """Yield the probes of these kinds, in the order they were played."""
    return (probe for probe in heard.probes if probe.kind in kinds)
