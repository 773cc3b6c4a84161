"""When a control counts as alive, as another's twin, or as one that jumps: on numbers set by hand, at the edges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from companion.trials.performance.controls_hearing import PanelHeard, Probe
from companion.trials.performance.controls_panel import PanelView
from companion.trials.performance.controls_plan import HIGH, LOW, MIDDLE, Knob, Panel
from companion.trials.performance.controls_verdicts import judge_controls
from companion.trials.performance.features import NAMES
from companion.trials.performance.gliding import Glide
from companion.trials.performance.moving import Held

Numbers = Mapping[str, float]
POINTS = (LOW, LOW, 32, MIDDLE, 96, HIGH, HIGH, MIDDLE)


def vector(numbers: Numbers) -> np.ndarray:
    return np.array([numbers.get(name, 0.0) for name in NAMES], np.float64)


def probe(number: int, kind: str, control: int, state: tuple[int, ...], numbers: Numbers) -> Probe:
    """A note with a little noise in all of its numbers."""
    noise = np.random.default_rng(number).normal(0, 0.15, len(NAMES))
    heard = vector(numbers) + noise
    return Probe(number=number, kind=kind, control=control, state=state, vector=heard, loud=60.0, peak=0.3, flat=False)


def view(*controls: Sequence[Numbers], effects: Sequence[str] = (), step: float = 0.1) -> PanelView:
    """A panel whose controls sound so at each of :data:`POINTS`; at rest, at low, all is 0."""
    count = len(controls)
    home = (LOW,) * count
    knobs = tuple(Knob(name=f"K{n}", cc=20 + n, effect=effects[n] if effects else "") for n in range(count))
    probes = [probe(number, "home", -1, home, {}) for number in range(1, 5)]
    number = len(probes)
    for place, heard in enumerate(controls):
        for value, numbers in zip(POINTS, heard, strict=True):
            state = tuple(value if at == place else LOW for at in range(count))
            probes.append(probe(number := number + 1, "probe", place, state, numbers))
        for value in (LOW, HIGH, LOW) if count > 1 else ():
            state = tuple(value if at == place else MIDDLE for at in range(count))
            probes.append(probe(number := number + 1, "company", place, state, {}))
        probes.append(probe(number := number + 1, "home", place, home, {}))
    glide = Glide(step, step * 1.2, 0.001, 0.2, "spectrum")
    helds = {
        place: Held(number=0, clicks=(1.0,), still=(1.0,), alike=((1.0, 1.0), (1.0, 1.0)), clear=100.0, glide=glide)
        for place in range(count)
    }
    return PanelView(PanelHeard(panel=Panel(knobs=knobs), probes=tuple(probes), helds=helds))


def along(name: str, size: float) -> list[Numbers]:
    return [{name: size * value / HIGH} for value in POINTS]


def outcome(panel: PanelView, rule: str, control: int = 0) -> str:
    (found,) = [one for one in judge_controls(panel.heard) if (one.rule, one.control) == (rule, control)]
    return found.outcome


# Alive


def test_what_shows_at_both_ends_is_alive_and_nothing_is_dead() -> None:
    assert view(along("level", 8.0)).live(view(along("level", 8.0)).sweeps[0])
    assert outcome(view(along("level", 8.0)), "control-no-effect") == "fine"
    assert outcome(view(along("level", 0.0)), "control-no-effect") == "fault"


@pytest.mark.parametrize("place", [0, 1, 5, 6])
def test_one_stray_note_at_an_end_makes_nothing_alive_and_leaves_nothing_proven(place: int) -> None:
    heard: list[Numbers] = [{}] * len(POINTS)
    heard[place] = {"pitch moves": 5.5}
    panel = view(heard)
    (sweep,) = panel.sweeps
    assert panel.effect(sweep) > 0.9, "by its mean alone it would be"
    assert panel.agreement(sweep) < 0.5
    assert outcome(panel, "control-no-effect") != "fine"


def test_one_stray_note_between_the_ends_makes_nothing_alive_but_two_places_do() -> None:
    one: list[Numbers] = [{}] * len(POINTS)
    one[3] = {"level": 12.0}
    assert not view(one).live(view(one).sweeps[0])
    two = [*one]
    two[2] = {"level": 12.0}
    assert view(two).live(view(two).sweeps[0])


def test_pairs_of_ends_agree_wholly_on_what_is_there_and_not_on_chance() -> None:
    panel = view(along("level", 8.0))
    assert panel.agreement(panel.sweeps[0]) > 0.8
    turned: list[Numbers] = [{}] * len(POINTS)
    turned[0], turned[1], turned[5], turned[6] = {"level": 3.0}, {"level": -3.0}, {"level": 4.0}, {"level": -2.0}
    panel = view(turned)
    assert panel.agreement(panel.sweeps[0]) < 0


def test_a_faint_effect_that_both_pairs_show_is_alive() -> None:
    panel = view(along("level", 2.2))
    (sweep,) = panel.sweeps
    assert 0.9 <= panel.effect(sweep) < 1.8
    assert panel.agreement(sweep) > 0.5
    assert panel.live(sweep)


# Twins

SWELL, SWAY = "from a fast to a slow attack", "deeper tremolo"


def mixed(slow: float, sway: float) -> list[Numbers]:
    return [{"rise": slow * v / HIGH, "attack 25": -slow * v / HIGH, "level moves": sway * v / HIGH} for v in POINTS]


def test_two_controls_each_of_which_does_the_others_work_above_all_are_twins() -> None:
    panel = view(mixed(1.8, 6.0), mixed(9.0, 1.1), effects=(SWELL, SWAY))
    told = [one for one in judge_controls(panel.heard) if one.rule == "control-wrong-effect"]
    assert (told[0].outcome, told[0].others) == ("fault", (1,))


def test_each_doing_its_own_and_a_little_of_the_others_are_none() -> None:
    panel = view(mixed(9.0, 1.8), mixed(1.8, 6.0), effects=(SWELL, SWAY))
    assert [outcome(panel, "control-wrong-effect", place) for place in (0, 1)] == ["fine", "fine"]


def test_two_that_both_do_both_are_not_told_apart() -> None:
    panel = view(mixed(1.8, 6.0), mixed(9.0, 4.0), effects=(SWELL, SWAY))
    assert outcome(panel, "control-wrong-effect") != "fault"


# Jumps


@pytest.mark.parametrize(("step", "told"), [(0.45, "unjudged"), (0.31, "unjudged"), (0.27, "fine"), (0.1, "fine")])
def test_a_glide_is_fine_only_where_its_largest_step_is_far_from_a_jump(step: float, told: str) -> None:
    assert outcome(view(along("level", 8.0), step=step), "control-jumps") == told


@pytest.mark.parametrize(("by", "told"), [(10.0, "unjudged"), (4.0, "fine")])
def test_a_control_that_another_far_outdoes_in_what_it_is_said_to_do_is_not_proven(by: float, told: str) -> None:
    """Two wires are crossed, and the vibrato of a bell reads as noise as well."""
    effects = ("adds breath noise", "raises the pitch")
    panel = view(along("flat", 2.5), along("flat", by), effects=effects)
    assert outcome(panel, "control-wrong-effect") == told


def test_one_that_does_its_own_work_as_well_outdoes_nobody() -> None:
    both = [{"flat": 10.0 * value / HIGH, "pitch": 10.0 * value / HIGH} for value in POINTS]
    panel = view(along("flat", 2.5), both, effects=("adds breath noise", "raises the pitch"))
    assert outcome(panel, "control-wrong-effect") == "fine"
