"""Controls moved back and forth inside a note: what is heard of that, and when it shows that a control does nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import msgspec
import numpy as np
import pytest

from companion.trials.performance.bounce import ArraySound
from companion.trials.performance.controls_hearing import PanelHeard, Probe
from companion.trials.performance.controls_panel import PanelView
from companion.trials.performance.controls_plan import (
    HIGH,
    LOW,
    MIDDLE,
    PAIRS,
    VISITS,
    Knob,
    Panel,
    plan_controls,
    visits_of,
)
from companion.trials.performance.controls_verdicts import judge_controls
from companion.trials.performance.features import NAMES, Ground
from companion.trials.performance.insides import FEWEST, WHERE, insides
from companion.trials.performance.paired import MEASURED, Paired, hear_paired
from companion.trials.performance.score import Slot

RATE = 8_000
Doubles = Any

# What is heard


def slot() -> Slot:
    return next(one for one in plan_controls(Panel(knobs=(Knob(name="Tone", cc=20),))).slots if one.kind == "paired")


def heard(effect: Callable[[Doubles, Doubles], Doubles], noise: float = 1e-5) -> Paired:
    """What is heard of notes of six partials: ``effect`` of the seconds and of where the control stands, 0 to 1."""
    asked = slot()
    time = np.arange(int((asked.end / 1000 + 1) * RATE)) / RATE
    stands = np.zeros(len(time))
    for move in asked.moves:
        stands[time >= move.at / 1000] = move.value / HIGH
    ramped = np.convolve(stands, np.ones(80) / 80)[: len(time)]
    sounding = sum(((time >= note.on / 1000) & (time < note.off / 1000)) for note in asked.notes)
    draw = np.random.default_rng(3)
    data = effect(time, ramped) * np.asarray(sounding)[:, None] + noise * draw.standard_normal((len(time), 2))
    ground = Ground(noise=noise**2, bands=(noise**2 / 8,) * 8)
    return hear_paired(ArraySound(data.astype(np.float32), RATE), asked, lambda second: second, 7, ground)


def tone(time: Doubles, cents: Any = 0.0) -> Doubles:
    phase = 2 * np.pi * np.cumsum(220.0 * 2 ** (np.broadcast_to(cents, time.shape) / 1200)) / RATE
    one, other = (sum(np.sin(n * phase + n * turn) / n for n in range(1, 7)) for turn in (0.0, 0.4))
    return 0.05 * np.stack([one, other], axis=1)


def change(paired: Paired) -> dict[str, float]:
    found = insides({0: paired})[0]
    return dict(zip(MEASURED, found.change.tolist(), strict=True))


def chorused(time: Doubles, stands: Doubles) -> Doubles:
    """A chorus that runs free, four times a second: no two stretches are alike."""
    late = (0.006 + 0.003 * np.sin(2 * np.pi * 0.9 * time)) * RATE
    dry, place = tone(time), np.clip(np.arange(len(time)) - late, 0, None)
    return dry + 0.8 * dry[place.astype(int)]


def test_every_pair_of_three_notes_is_heard_and_nothing_is_no_change() -> None:
    found = heard(lambda time, _: tone(time))
    assert (found.number, len(found.up), len(found.down)) == (7, VISITS * PAIRS // 2, VISITS * PAIRS // 2)
    assert {name: value for name, value in change(found).items() if abs(value) > 0.5} == {}
    assert insides({0: found})[0].apart < 1


@pytest.mark.parametrize(
    ("name", "size", "effect"),
    [
        ("level", 3.0, lambda time, up: tone(time) * (10 ** (3 * up / 20))[:, None]),
        ("level", -6.0, lambda time, up: tone(time) * (10 ** (-6 * up / 20))[:, None]),
        ("pitch", 50 / 8, lambda time, up: tone(time, 50 * up)),
        ("pan", 6.0, lambda time, up: tone(time) * np.stack([10 ** (-3 * up / 20), 10 ** (3 * up / 20)], axis=1)),
    ],
)
def test_what_moves_with_the_control_is_measured_in_its_unit(name: str, size: float, effect: Any) -> None:
    found = change(heard(effect))
    assert found[name] == pytest.approx(size, rel=0.1)
    # One side 3 dB up and the other 3 dB down are a decibel more in all.
    others = {"pitch", "pan", "level"} - {name, "level" if name == "pan" else ""}
    assert all(abs(found[other]) < 0.3 for other in others)


def test_what_moves_by_itself_keeps_no_time_and_an_effect_under_it_is_heard() -> None:
    still = insides({0: heard(chorused)})[0]
    assert still.apart < 1.25
    assert abs(still.change[0]) < 3 * still.error[0]
    moved = insides({0: heard(lambda time, up: chorused(time, up) * (10 ** (6 * up / 20))[:, None])})[0]
    assert moved.apart > 2.5
    assert moved.change[0] == pytest.approx(6.0, abs=3 * moved.error[0])


def test_a_note_that_dies_away_brings_no_change_and_pairs_in_the_noise_say_nothing() -> None:
    asked = slot()
    begins = [note.on / 1000 for note in asked.notes]

    def falling(time: Doubles, _: Doubles) -> Doubles:
        since = time - np.array(begins)[np.clip(np.searchsorted(begins, time, "right") - 1, 0, None)]
        return tone(time) * (10 ** (-25 * since / 20))[:, None]

    found = heard(falling)
    assert max(abs(value) for value in change(found).values()) < 0.5
    faint = heard(falling, noise=1e-3)
    assert FEWEST <= len(faint.up) < len(found.up)
    silent = heard(lambda time, _: 0 * tone(time), noise=1e-3)
    assert len(silent.up) == len(silent.down) == 0
    assert insides({0: silent}) == {}


def test_stretches_are_those_of_the_plan() -> None:
    for _, stretches, _ in visits_of(slot()):
        assert {value for _, value in stretches} == {LOW, HIGH}


# What follows from it


def pairs(numbers: Mapping[str, float], spread: float = 0.2, seed: int = 1, count: int = 9) -> Paired:
    draw, step = np.random.default_rng(seed), np.array([numbers.get(name, 0.0) for name in MEASURED])
    up, down = (sign * step + spread * draw.standard_normal((count, len(MEASURED))) for sign in (1, -1))
    return Paired(number=9, up=up, down=down)


def view(
    effect: str,
    inside: Paired | None,
    heard_at: Callable[[int], Mapping[str, float]] = lambda _: {},
    spread: float = 1.6,
    loud: float = 60.0,
) -> PanelView:
    """A panel of one control whose notes all differ without cause: by ``spread``, in just noticeable differences."""
    draw = np.random.default_rng(11)

    def probe(number: int, kind: str, value: int) -> Probe:
        numbers = heard_at(value)
        vector = np.array([numbers.get(name, 0.0) for name in NAMES]) + draw.normal(0, spread, len(NAMES))
        return Probe(
            number=number, kind=kind, control=0, state=(value,), vector=vector, loud=loud, peak=0.3, flat=False
        )

    values: Sequence[int] = (LOW, LOW, 32, MIDDLE, 96, HIGH, HIGH, MIDDLE)
    probes = [probe(number, "home", LOW) for number in range(12)]
    probes += [probe(12 + number, "probe", value) for number, value in enumerate(values)]
    knob = Knob(name="Tone", cc=20, effect=effect)
    heard = PanelHeard(panel=Panel(knobs=(knob,)), probes=tuple(probes), helds={})
    return PanelView(msgspec.structs.replace(heard, paireds={0: inside} if inside else {}))


def told(panel: PanelView) -> str:
    return next(one.outcome for one in judge_controls(panel.heard) if one.rule == "control-no-effect")


LOUD, SLOW = "from soft to loud", "from a fast to a slow attack"


@pytest.mark.parametrize("effect", [LOUD, "from left to right", "raises the pitch", "from dark to bright"])
def test_in_an_unsteady_bounce_nothing_inside_a_note_shows_a_control_to_be_dead(effect: str) -> None:
    assert view(effect, None).spread.usual > 0.85
    assert told(view(effect, pairs({}))) == "fault"
    assert told(view(effect, None)) == "unjudged", "without it nobody knows"
    few = pairs({}, count=FEWEST - 1)
    assert told(view(effect, few)) == "unjudged"


@pytest.mark.parametrize("effect", ["from dry to wet", "adds grit", "adds velocity"])
def test_what_does_not_show_in_one_note_or_promises_nothing_is_not_called_dead_by_it(effect: str) -> None:
    assert told(view(effect, pairs({}))) == "unjudged"


def test_what_may_hide_inside_a_note_is_asked_by_hand() -> None:
    assert told(view(LOUD, pairs({}, spread=6.0))) == "unjudged"
    assert told(view(LOUD, pairs({"pan": 0.5}, spread=0.2))) == "unjudged", "something is there, if not that"
    assert told(view(LOUD, pairs({"pan": 0.03}, spread=0.2))) == "fault"


def test_near_to_the_noise_brightness_says_nothing_and_the_level_does() -> None:
    assert told(view("from dark to bright", pairs({}), loud=25.0)) == "unjudged"
    assert told(view(LOUD, pairs({}), loud=25.0)) == "fault"
    assert told(view(LOUD, pairs({}), loud=15.0)) == "unjudged", "at rest nothing sounds"


def test_what_stands_out_inside_a_note_is_alive_and_of_its_direction() -> None:
    panel = view(LOUD, pairs({"level": 3.0}))
    assert told(panel) == "fine"
    assert panel.sure(panel.sweeps[0], "loud") == 1
    turned = view(LOUD, pairs({"level": -3.0}))
    assert turned.sure(turned.sweeps[0], "loud") == -1
    assert any(one.rule == "control-wrong-effect" and one.outcome == "fault" for one in judge_controls(turned.heard))


def test_notes_and_what_is_inside_them_must_not_say_opposite_things() -> None:
    def louder(value: int) -> Mapping[str, float]:
        return {"level": 12.0 * value / HIGH, "early": 12.0 * value / HIGH}

    agreed, against = (view(LOUD, pairs({"level": size}), louder, spread=0.3) for size in (3.0, -3.0))
    assert agreed.sure(agreed.sweeps[0], "loud") == 1
    assert against.sure(against.sweeps[0], "loud") == 0


@pytest.mark.parametrize(("effect", "names"), [(SLOW, ("rise", "attack 25")), (LOUD, ("release late", "tail late"))])
def test_an_attack_or_release_that_moves_is_not_called_dead_for_what_is_inside(
    effect: str, names: tuple[str, ...]
) -> None:
    def moved(value: int) -> Mapping[str, float]:
        return {name: (-6.0 if name == "attack 25" else 6.0) * value / HIGH for name in names}

    assert told(view(effect, pairs({}), moved)) != "fault"


def test_what_two_pairs_of_notes_show_by_chance_and_nothing_else_does_is_not_alive() -> None:
    def other(value: int) -> Mapping[str, float]:
        return dict.fromkeys(("crest", "rough", "falls"), 6.0 * value / HIGH)

    notes = view("adds grit", None, other, spread=1.2)
    least = max(0.9, 2 * notes.spread.usual)
    assert least <= notes.effect(notes.sweeps[0]) < 2 * least
    assert notes.agreement(notes.sweeps[0]) >= 0.5
    assert told(notes) == "fine"
    assert told(view("adds grit", pairs({}), other, spread=1.2)) == "unjudged"
    assert told(view("adds grit", pairs({"band 500": 2.0}), other, spread=1.2)) == "fine"


def test_every_direction_that_shows_inside_a_note_has_its_number() -> None:
    assert {MEASURED[place] for place in WHERE.values()} <= set(NAMES)
    assert "slow" not in WHERE
    assert "long" not in WHERE
    assert "wet" not in WHERE
