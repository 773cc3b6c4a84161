"""What the figures of the controls rest on: real recordings, panels and faults, decided by digests of names.

Most of the instruments are there to set limits by; the others were frozen before any of their bounces was heard. What a
bounce was heard as is kept in a folder, so that verdicts can be changed and counted again in seconds.
"""

from __future__ import annotations

import hashlib
import pickle
import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from companion.trials.performance import align as aligning
from companion.trials.performance import (
    controls_hearing,
    features,
    gliding,
    hearing,
    listening,
    moving,
    paired,
    strength,
)
from companion.trials.performance.bounce import ArraySound
from companion.trials.performance.controls_hearing import PanelHeard, hear_panel
from companion.trials.performance.controls_plan import Knob, Panel, plan_controls
from companion.trials.performance.directions import said
from companion.trials.performance.midi import midi_bytes
from companion.trials.performance.score import Score

from . import host_d, panel_d
from . import panel_host as host

EFFECTS: Final = tuple(effect for effect in host.WORDS if effect != "other")
CLICKS: Final = ("level", "fade", "pan", "lowpass")
"""Effects of which an engine that does not glide makes clicks."""
GLIDES: Final = ("level", "fade", "pan", "lowpass", "tune", "drive", "layer", "width")
"""Effects that move the sound of a held note, so that a jump in them is to be heard."""
FIRST_CC: Final = 20
TUNED: Final = 48
"""So many instruments, the first by digest, were looked at when limits were set; those behind them were not."""
SECOND: Final = 12
"""So many families are opened by a second note of theirs, one that was never listened to,"""
AWAY: Final = 5
"""at least so many semitones from the first: another recording, another panel, other faults."""


@dataclass(frozen=True)
class Case:
    """One bounce. faults: as the host takes them, by the places of controls."""

    instrument: str
    source: host.Source
    effects: tuple[str, ...]
    on: str
    faults: dict[str, Any] = field(default_factory=dict)
    amount: float = 1.0

    @property
    def name(self) -> str:
        return f"{self.instrument}/{self.on}/{self.amount}/{sorted(self.faults.items())}"


def _digest(name: str) -> bytes:
    return hashlib.sha256(f"controls/{name}".encode()).digest()


def _drawn(name: str) -> random.Random:
    return random.Random(_digest(name))


def sources(instruments: dict[str, list[Any]], *, second: bool = False) -> list[tuple[str, host.Source]]:
    """Return a note of each family of instruments, by digest of its name; a family shares no recording with another.

    Two of five die away, at 6 to 25 dB a second; there are two takes or three. second: the note furthest from that one,
    of families that have one.
    """
    found = []
    for name, fit in sorted(_families(instruments), key=lambda one: _digest(one[0])):
        one = min(fit, key=lambda one: (abs(one.root - 60), one.name))
        if second:
            one, first = max(fit, key=lambda other: (abs(other.root - one.root), other.name)), one
            if abs(one.root - first.root) < AWAY:
                continue
        called = f"{name}, second" if second else name
        draw = _drawn(called)
        falls = draw.uniform(6, 25) if draw.random() < 0.4 else 0.0
        found.append((called, _source(one, falls, draw.choice([2, 2, 3]), draw.randrange(1000))))
    return found


def _families(instruments: dict[str, list[Any]]) -> list[tuple[str, list[Any]]]:
    families: list[tuple[set[int], list[str], list[Any]]] = []
    for name, members in sorted(instruments.items()):
        fit = [one for one in members if _fit(one)]
        marks, names = {id(one) for one in fit}, [name] if fit else []
        for family in [family for family in families if family[0] & marks]:
            families.remove(family)
            marks, names, fit = marks | family[0], family[1] + names, family[2] + fit
        if fit:
            families.append((marks, names, fit))
    return [(min(names), fit) for _, names, fit in families]


def _fit(one: Any) -> bool:
    return bool(one.loop_end) and len(one.samples) > 0.06 * one.rate and one.rate >= 11_000 and 36 <= one.root <= 90


def _source(one: Any, falls: float, takes: int, seed: int) -> host.Source:
    samples = np.asarray(one.samples, np.float32)
    loop = (one.loop_start, one.loop_end)
    if falls:
        place = np.arange(4 * one.rate)
        place = np.where(place < loop[1], place, loop[0] + (place - loop[0]) % (loop[1] - loop[0]))
        samples = samples[place] * (10 ** (-falls * np.arange(len(place)) / one.rate / 20)).astype(np.float32)
        return host.recorded(samples, one.root, one.rate, None, seed=seed, takes=takes)
    return host.recorded(samples, one.root, one.rate, loop, seed=seed, takes=takes)


def cases(name: str, source: host.Source, hosts: str) -> list[Case]:
    """Return the bounces of one instrument: clean; dead, reversed and clicking; swapped, jumping and remembering; not
    coming back (host A); and a clean one whose controls do a fifth of what they do (all but C).
    """
    draw = _drawn(f"{name}/faults")
    effects = tuple(draw.sample(EFFECTS, 4))
    order = draw.sample(range(4), 4)
    clicking = [place for place in order if effects[place] in CLICKS][:1]
    dead, turned = [place for place in order if place not in clicking][:2]
    broken: dict[str, Any] = {"dead": [dead], "reversed": [turned], "clicking": clicking}
    jumping = [place for place in order if effects[place] in GLIDES][:1]
    left = [place for place in order if place not in jumping]
    pair = [place for place in left[1:] if effects[place] != "fade"]  # another's rest may be its silence
    sides = {said(host.WORDS[effects[place]]) for place in pair}
    swapped = [tuple(pair)] if len(sides) == 2 and None not in sides else []
    other: dict[str, Any] = {"jumping": jumping, "hysteresis": left[:1], "swapped": swapped}
    late: dict[str, Any] = {"unreturned": order[:1]}
    bounces = [
        Case(name, source, effects, on, {fault: places for fault, places in faults.items() if places})
        for on in hosts
        for faults in ({}, broken, other, *([late] if on == "A" else []))
    ]
    return bounces + [Case(name, source, effects, on, amount=0.2) for on in hosts if on != "C"]


def part_of(instruments: dict[str, list[Any]], on: str, part: str) -> list[Case]:
    """Return the bounces by one host of a part: ``tuned``, by which limits were set; ``frozen`` before; ``second``."""
    chosen = sources(instruments, second=part == "second")
    several = {"tuned": chosen[:TUNED], "frozen": chosen[TUNED:], "second": chosen[:SECOND]}[part]
    return [case for name, source in several for case in cases(name, source, on)]


def _by_cc(places: Any) -> Any:
    return FIRST_CC + places if isinstance(places, int) else tuple(_by_cc(one) for one in places)


def performed(case: Case) -> tuple[Score, Panel]:
    """Return what is played of a case."""
    wires = [host.wired(effect, FIRST_CC + place, case.amount) for place, effect in enumerate(case.effects)]
    knobs = tuple(
        Knob(name=effect, cc=wire.cc, rest=wire.rest, effect=host.WORDS[effect])
        for effect, wire in zip(case.effects, wires, strict=True)
    )
    panel = Panel(knobs=knobs, key=case.source.key, takes=len(case.source.takes))
    return plan_controls(panel), panel


def bounce(case: Case) -> host.Sound:
    """Render a bounce."""
    wires = [host.wired(effect, FIRST_CC + place, case.amount) for place, effect in enumerate(case.effects)]
    faults = {fault: _by_cc(places) for fault, places in case.faults.items()}
    midi = midi_bytes(performed(case)[0], "x")
    return host.render(midi, case.source, wires, faults, case.on, seed=_drawn(case.name).randrange(1 << 30))


def hear_case(case: Case) -> PanelHeard | None:
    """Render a bounce and return what is heard; None where the performance is not found in it."""
    score, panel = performed(case)
    sound = ArraySound(bounce(case), case.source.rate)
    listened = listening.listen(sound.blocks(), case.source.rate)
    onsets = [at / 1000 for at in score.onsets]
    place = aligning.align(listened.onsets, listened.seconds, onsets, score.length / 1000)
    return hear_panel(score, panel, sound, place) if place else None


def _heard_by() -> str:
    """Return a digest of everything that what is heard depends on."""
    digest = hashlib.sha256()
    heard = (aligning, controls_hearing, features, gliding, hearing, listening, moving, paired, strength)
    for module in (*heard, host, host_d, panel_d):
        digest.update(Path(str(module.__file__)).read_bytes())
    for name in ("controls_plan.py", "score.py", "bounce.py"):
        digest.update((Path(str(features.__file__)).parent / name).read_bytes())
    digest.update(Path(__file__).read_bytes())
    return digest.hexdigest()[:16]


def kept(case: Case, folder: Path) -> PanelHeard | None:
    """Return what is heard of a bounce, kept in ``folder`` from the last time if nothing it rests on has changed."""
    name = hashlib.sha256(f"{_heard_by()}/{case.name}/{case.effects}".encode()).hexdigest()[:24]
    path = folder / f"{name}.heard"
    if not path.exists():
        heard = hear_case(case)
        folder.mkdir(parents=True, exist_ok=True)
        unready = path.with_suffix(f".{hashlib.sha256(case.name.encode()).hexdigest()[:8]}")
        unready.write_bytes(pickle.dumps(heard))
        unready.replace(path)
    found: PanelHeard | None = pickle.loads(path.read_bytes())
    return found


def keep_all(wanted: Sequence[Case], folder: Path, processes: int = 2) -> list[PanelHeard | None]:
    """Return what is heard of each bounce, in their order."""
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        return list(pool.map(kept, wanted, [folder] * len(wanted), chunksize=4))
