"""How true the verdicts on the controls are, on instruments that no limit was chosen by. Prints the table.

Two made-up notes and two recordings of the bank, on both stand-in hosts, fifteen effects on panels of four; faults by
chance. ``python -m pytest tests/outside/test_controls_rates.py -m campaign -n 0 -s``, with ``COMPANION_SEED=N`` of
others.
"""

from __future__ import annotations

import os
import random
from collections import Counter
from typing import Any

import pytest

from companion.trials.performance.align import align
from companion.trials.performance.bounce import ArraySound
from companion.trials.performance.controls_hearing import hear_panel
from companion.trials.performance.controls_judged import ControlVerdict
from companion.trials.performance.controls_plan import Knob, Panel, plan_controls
from companion.trials.performance.controls_verdicts import judge_controls
from companion.trials.performance.directions import said
from companion.trials.performance.listening import listen
from companion.trials.performance.midi import midi_bytes

SEED = int(os.environ.get("COMPANION_SEED", "171"))
PANELS = (
    ("release", "tune", "width", "level"),
    ("vibrato", "attack", "pan", "lowpass"),
    ("fade", "reverb", "drive", "breath"),
    ("tremolo", "layer", "detune", "lowpass"),
)
CLICKS = ("level", "fade", "pan", "lowpass")
"""Effects of which an engine that does not glide makes clicks."""
FIRST_CC = 20


def _sources(host: Any, recorded_bank: list[Any]) -> dict[str, Any]:
    draw = random.Random(SEED)
    looped = [
        one for one in recorded_bank if one.loop_end and len(one.samples) > 0.25 * one.rate and one.rate >= 16_000
    ]
    chosen = draw.sample([one for one in looped if 40 <= one.root <= 84], 2)
    return {
        "struck": host.synthetic("struck", seed=SEED),
        "sustained": host.synthetic("sustained", seed=SEED),
        **{
            one.name: host.recorded(one.samples, one.root, one.rate, (one.loop_start, one.loop_end), seed=SEED)
            for one in chosen
        },
    }


def _judged(host: Any, source: Any, effects: tuple[str, ...], faults: dict[str, Any], on: str) -> list[ControlVerdict]:
    wires = [host.wired(effect, FIRST_CC + place) for place, effect in enumerate(effects)]
    knobs = tuple(
        Knob(name=effect, cc=wire.cc, rest=wire.rest, effect=host.WORDS[effect])
        for effect, wire in zip(effects, wires, strict=True)
    )
    panel = Panel(knobs=knobs, key=min(max(source.key, 36), 84), takes=2)
    score = plan_controls(panel)
    bounce = host.render(midi_bytes(score, "x"), source, wires, faults, on, seed=SEED)
    sound = ArraySound(bounce, source.rate)
    heard = listen(sound.blocks(), source.rate)
    place = align(heard.onsets, heard.seconds, [at / 1000 for at in score.onsets], score.length / 1000)
    return judge_controls(hear_panel(score, panel, sound, place)) if place else []


def _broken(effects: tuple[str, ...], draw: random.Random) -> dict[str, Any]:
    order = draw.sample(range(4), 4)
    clicking = next((place for place in order if effects[place] in CLICKS), None)
    dead, reverse = [place for place in order if place != clicking][:2]
    faults = {"dead": [FIRST_CC + dead], "reversed": [FIRST_CC + reverse]}
    return faults | ({"clicking": [FIRST_CC + clicking]} if clicking is not None else {})


@pytest.mark.campaign
@pytest.mark.timeout(7200)
def test_rates_of_the_controls(recorded_bank: list[Any], panel_host: Any, capsys: pytest.CaptureFixture[str]) -> None:
    host, draw = panel_host, random.Random(SEED)
    sources = _sources(host, recorded_bank)
    counts: Counter[tuple[str, str, str]] = Counter()
    warned, bounces = Counter[str](), Counter[str]()
    for source in sources.values():
        for effects in PANELS:
            for on in "AB":
                for faults in ({}, _broken(effects, draw)):
                    told = _judged(host, source, effects, faults, on)
                    if not told:
                        counts[on, "bounce", "not aligned"] += 1
                        continue
                    if not faults:
                        bounces[on] += 1
                        warned[on] += any(one.outcome == "fault" for one in told)
                    _count(counts, on, host, effects, faults, told)
    with capsys.disabled():
        for on, what, outcome in sorted(counts):
            print(f"{on}  {what:<10} {outcome:<12} {counts[on, what, outcome]}")
        print("clean bounces with a finding:", dict(warned), "of", dict(bounces))
    for on in "AB":
        assert counts[on, "live", "fault"] == 0
        assert counts[on, "said", "fault"] == 0
    assert sum(warned.values()) <= max(1, sum(bounces.values()) // 10)


def _count(
    counts: Counter[tuple[str, str, str]],
    on: str,
    host: Any,
    effects: tuple[str, ...],
    faults: dict[str, Any],
    told: list[ControlVerdict],
) -> None:
    found = {(one.rule, one.control): one.outcome for one in told}
    for place, effect in enumerate(effects):
        cc = FIRST_CC + place
        alive = found["control-no-effect", place]
        counts[on, "dead" if cc in faults.get("dead", ()) else "live", alive] += 1
        if alive != "fine" or cc in faults.get("dead", ()):
            continue
        if said(host.WORDS[effect]):
            kind = "reversed" if cc in faults.get("reversed", ()) else "said"
            counts[on, kind, found["control-wrong-effect", place]] += 1
        kind = "clicking" if cc in faults.get("clicking", ()) else "gliding"
        counts[on, kind, found["control-clicks", place]] += 1
