"""Two bounces of one performance: each difference is found, and what may differ between honest ones is not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from companion.trials.performance.bounce import ArraySound
from companion.trials.performance.comparing import Compared, compare
from companion.trials.performance.keys import Playable, plan_keys
from companion.trials.performance.midi import PLAIN, midi_bytes
from companion.trials.performance.score import Score

RATE = 22_050
Render = Callable[..., Any]


@pytest.fixture(scope="module")
def score() -> Score:
    return plan_keys(
        Playable(keys=tuple(range(60, 72)), velocities=(40, 100), takes=2, patch="ab", middle_c="C3"), 0, None
    )


@pytest.fixture(scope="module")
def render(standin: Any, score: Score) -> Render:
    midi = midi_bytes(score, "Slate", PLAIN)
    made: dict[str, Any] = {}

    def rendered(kind: str = "organ", *, host: str = "A", seed: int = 1, **faults: Any) -> Any:
        name = repr((kind, host, seed, sorted(faults.items())))
        if name not in made:
            instrument = standin.Made(kind, seed=5, rate=RATE, takes=2)
            made[name] = standin.render(midi, instrument, host=host, seed=seed, faults=standin.Faults(**faults))
        return made[name]

    return rendered


def held(home: Any, away: Any, score: Score) -> Compared:
    found = compare(ArraySound(home, RATE), ArraySound(away, RATE), score)
    assert found is not None
    return found


def told(found: Compared, score: Score) -> set[tuple[str, int]]:
    return {
        (one.what, score.slots[one.slot].notes[0].key if score.slots[one.slot].notes else -1)
        for one in found.differences
    }


@pytest.mark.parametrize("kind", ["organ", "struck"])
@pytest.mark.parametrize("host", ["A", "B"])
def test_two_honest_bounces_do_not_differ(render: Render, score: Score, kind: str, host: str) -> None:
    home = render(kind, host=host)
    for away in (render(kind, host=host, seed=2), home * 0.25, np.concatenate([np.zeros((RATE, 2), np.float32), home])):
        found = held(home, away, score)
        assert found.differences == ()
        assert found.slots > 20
    assert abs(held(home, home * 0.25, score).gain + 12.04) < 0.1


@pytest.mark.parametrize(
    ("faults", "what", "key"),
    [
        ({"silent": frozenset({64})}, "missing", 64),
        ({"transposed": {64: 1.0}}, "pitch", 64),
        ({"transposed": {64: -2.0}}, "pitch", 64),
        ({"gain": {64: 8.0}}, "level", 64),
        ({"gain": {64: -8.0}}, "level", 64),
    ],
)
def test_each_difference_is_found_at_its_key_and_nowhere_else(
    render: Render, score: Score, faults: dict[str, Any], what: str, key: int
) -> None:
    assert told(held(render(), render(**faults), score), score) == {(what, key)}
    assert told(held(render(**faults), render(**faults), score), score) == set(), "it is the same at home"


def test_noise_that_is_there_alone(render: Render, score: Score) -> None:
    home = render()
    noise = np.random.default_rng(3).normal(0, 10 ** (-55 / 20), home.shape).astype(np.float32)
    found = held(home, home + noise, score)
    assert {one.what for one in found.differences} == {"noise"}
    assert len(found.differences) == 1
    assert held(home + noise, home + noise[::-1], score).differences == ()
    assert held(home, home + noise * 0.01, score).differences == (), "nobody hears that"


def test_what_is_no_bounce_of_it_is_not_compared(render: Render, score: Score) -> None:
    noise = np.random.default_rng(3).normal(0, 0.1, (RATE * 20, 2)).astype(np.float32)
    assert compare(ArraySound(render(), RATE), ArraySound(noise, RATE), score) is None
    assert compare(ArraySound(np.zeros((RATE, 2), np.float32), RATE), ArraySound(render(), RATE), score) is None
