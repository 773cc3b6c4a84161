"""The plan of trials: everything asked for is in it, nothing twice, and the same on every computer."""

from __future__ import annotations

import subprocess
import sys
from itertools import combinations
from math import comb, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.facts import Control
from companion.trials.plan import ORDERS, Setting, Trial, covering_rows, seed_from, shuffled, trials

TONE = Control(name="Tone", low=0, high=1, rest=0.5, effect="from dark to bright")
AIR = Control(name="Air", kind="switch")
SLAB = Control(name="Slab", kind="menu", low=1, high=3, rest=3)
THREE = (TONE, AIR, SLAB)


def of_kind(plan: tuple[Trial, ...], *kinds: str) -> list[Trial]:
    return [trial for trial in plan if trial.kind in kinds]


def test_each_control_alone_visits_both_its_ends_and_states_its_effect() -> None:
    alone = of_kind(trials(THREE, 1), "alone")
    assert [trial.steps for trial in alone] == [
        (Setting("Tone", 0), Setting("Tone", 1)),
        (Setting("Air", 0), Setting("Air", 1)),
        (Setting("Slab", 1), Setting("Slab", 3)),
    ]
    assert "from dark to bright" in alone[0].expect
    assert "from dark to bright" not in alone[1].expect
    assert "switch “Air” off" in alone[1].instruction
    assert "entry 3 of “Slab”" in alone[2].instruction
    assert not any("MIDI" in trial.instruction for trial in alone), "none of these answers to a controller"
    assert all(trial.instruction.startswith("Set every control to its rest position") for trial in alone)


def test_every_order_goes_out_to_the_far_end_and_back_to_rest() -> None:
    far = {"Tone": 1, "Air": 1, "Slab": 1}
    rest = {"Tone": 0.5, "Air": 0, "Slab": 3}
    orders = of_kind(trials(THREE, 1), *ORDERS)
    assert [trial.kind for trial in orders] == list(ORDERS)
    for trial in orders:
        out, back = trial.steps[:3], trial.steps[3:]
        assert {step.control: step.value for step in out} == far
        assert {step.control: step.value for step in back} == rest
        assert [step.control for step in out] == [step.control for step in back]
    names = [tuple(step.control for step in trial.steps[:3]) for trial in orders]
    assert names[0] == ("Tone", "Air", "Slab")
    assert names[1] == ("Slab", "Air", "Tone")
    assert len(set(names)) == 3


def test_one_control_has_no_order_and_two_have_no_third() -> None:
    assert [trial.kind for trial in trials((TONE,), 1)] == ["alone"]
    assert [trial.kind for trial in of_kind(trials((TONE, AIR), 1), *ORDERS)] == ["left to right", "right to left"]
    assert trials((), 1) == ()


def test_a_control_with_one_value_is_in_no_pair() -> None:
    stuck = Control(name="Stuck", low=1, high=1, rest=1)
    plan = trials((TONE, stuck, AIR), 1)
    assert of_kind(plan, "alone")[1].steps == (Setting("Stuck", 1),)
    assert {step.control for trial in of_kind(plan, "pairs") for step in trial.steps} == {"Tone", "Air"}


@pytest.mark.parametrize("count", [*range(2, 36), 56, 57, 127])
def test_any_two_columns_meet_in_all_four_ways(count: int) -> None:
    rows = covering_rows(count)
    assert {len(row) for row in rows} == {count}
    for left, right in combinations(range(count), 2):
        assert {(row[left], row[right]) for row in rows} == {(False, False), (False, True), (True, False), (True, True)}
    # No covering array of these columns has fewer rows (Katona 1973; Kleitman and Spencer 1973).
    fewer = len(rows) - 1
    assert fewer < 4 or comb(fewer - 1, (fewer + 1) // 2) < count


def test_few_columns_need_no_rows() -> None:
    assert covering_rows(0) == covering_rows(1) == ()


def test_every_pair_of_ends_is_heard_together_once_at_least() -> None:
    controls = [Control(name=f"c{index}", low=index, high=index + 0.5) for index in range(9)]
    together = {
        frozenset([(a.control, a.value), (b.control, b.value)])
        for trial in of_kind(trials(controls, 1), "pairs")
        for a, b in combinations(trial.steps, 2)
    }
    wanted = {
        frozenset([(a.name, x), (b.name, y)])
        for a, b in combinations(controls, 2)
        for x in (a.low, a.high)
        for y in (b.low, b.high)
    }
    assert together == wanted


@given(count=st.integers(0, 24), seed=st.integers(0, 2**63))
@settings(max_examples=60, deadline=None)
def test_a_shuffle_holds_everything_once_and_is_a_third_order(count: int, seed: int) -> None:
    order = shuffled(count, seed)
    assert sorted(order) == list(range(count))
    assert order == shuffled(count, seed)
    if count > 2:
        assert order not in (tuple(range(count)), tuple(range(count))[::-1])


@pytest.mark.parametrize("count", [3, 4])
def test_no_seed_shuffles_into_an_order_that_is_tried_anyway(count: int) -> None:
    """Of few controls every third or twelfth shuffle would be left to right or right to left again."""
    plain = tuple(range(count))
    assert not {shuffled(count, seed) for seed in range(300)} & {plain, plain[::-1]}


def test_seeds_differ_and_shuffle_differently() -> None:
    assert len({shuffled(8, seed) for seed in range(50)}) > 45
    assert 0 <= seed_from("content") < 10_000
    assert seed_from("content") != seed_from("other content")


def test_the_plan_is_the_same_in_another_process() -> None:
    """Hash randomisation and set order must have no part in ids: an answer is kept under them."""
    code = (
        "from companion.core.facts import Control\n"
        "from companion.trials.plan import seed_from, trials\n"
        "plan = trials([Control(name=n) for n in 'abcde'], seed_from('x'))\n"
        "print([t.id for t in plan])"
    )
    runs = {
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, env={"PYTHONHASHSEED": str(seed)}
        ).stdout
        for seed in (1, 2)
    }
    assert runs == {f"{[trial.id for trial in trials([Control(name=n) for n in 'abcde'], seed_from('x'))]}\n"}


def test_ids_are_all_different_and_follow_the_content() -> None:
    plan = trials(THREE, 7)
    assert len({trial.id for trial in plan}) == len(plan)
    brighter = Control(name="Tone", low=0, high=1, rest=0.5, effect="from thin to full")
    wider = Control(name="Tone", low=0, high=2, rest=0.5, effect="from dark to bright")
    ids = {trial.id for trial in plan}
    claims = [trial for trial in trials((brighter, AIR, SLAB), 7) if trial.id not in ids]
    assert [trial.title for trial in claims] == ["Tone alone"], "another claim is another trial, of that control only"
    moved = [trial for trial in trials((wider, AIR, SLAB), 7) if trial.id not in ids]
    assert all(Setting("Tone", 2) in trial.steps or trial.kind == "pairs" for trial in moved)
    assert any(trial.kind == "left to right" for trial in moved)


def test_another_seed_changes_the_shuffled_order_only() -> None:
    controls = [Control(name=name) for name in "abcdef"]
    first, second = trials(controls, 1), trials(controls, 2)
    assert [a.kind for a, b in zip(first, second, strict=True) if a.id != b.id] == ["shuffled"]


def test_names_from_the_facts_are_made_safe_and_kept_as_they_are() -> None:
    nasty = Control(name="To\x1b[31mne", effect="[@click=app.quit] \u202egnp", low=nan, high=1, cc=74)
    trial = trials((nasty,), 1)[0]
    assert trial.steps[0].control == nasty.name
    for text in (trial.title, trial.instruction, trial.expect):
        assert "\x1b" not in text
        assert "\u202e" not in text
    assert "[@click=app.quit]" in trial.expect
    assert "MIDI controller 74" in trial.instruction
