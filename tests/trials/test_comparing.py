"""Two bounces of one performance: each difference is found, and what may differ between honest ones is not."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

from companion.trials.performance import comparing
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
        Playable(keys=(60, 62, 64, 65, 67, 69), velocities=(40, 100), takes=2, patch="ab", middle_c="C3"), 0, None
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


@pytest.fixture(scope="module", autouse=True)
def heard_once() -> Iterator[None]:
    """Let each bounce be listened to once in this module: most are compared with several others."""
    before, known = comparing._heard, dict[int, tuple[Any, Any]]()

    def heard(sound: Any, score: Score, watch: Any) -> Any:
        data = sound._data
        if id(data) not in known:
            known[id(data)] = data, before(sound, score, watch)  # held, so that no other is taken for it
        return known[id(data)][1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(comparing, "_heard", heard)
        yield


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
    home, other = render(kind, host=host), render(kind, host=host, seed=2)
    assert held(home, other, score).differences == ()
    softer = held(home, np.concatenate([np.zeros((RATE, 2), np.float32), home * 0.25]), score)
    assert (softer.differences, softer.slots) == ((), 12)
    assert abs(softer.gain + 12.04) < 0.1


@pytest.mark.parametrize(
    ("faults", "what", "key"),
    [
        ({"silent": frozenset({64})}, "missing", 64),
        ({"transposed": {64: 1.0}}, "pitch", 64),
        ({"transposed": {64: -2.0}}, "pitch", 64),
        ({"gain": {64: 8.0}}, "level", 64),
        ({"gain": {64: -8.0}}, "level", 64),
        ({"late": {64: 0.045}}, "timing", 64),
    ],
)
def test_each_difference_is_found_at_its_key_and_nowhere_else(
    render: Render, score: Score, faults: dict[str, Any], what: str, key: int
) -> None:
    assert told(held(render(), render(**faults), score), score) == {(what, key)}
    assert told(held(render(**faults), render(**faults), score), score) == set(), "it is the same at home"


def faster(sound: Any, parts: float) -> Any:
    """The same by a clock that runs faster by so many millionths."""
    places = np.arange(0, len(sound) - 1, 1 + parts * 1e-6)
    whole = places.astype(np.int64)
    share = (places - whole)[:, None].astype(np.float32)
    return sound[whole] * (1 - share) + sound[whole + 1] * share


@pytest.mark.parametrize(("kind", "host"), [("struck", "B"), ("sustained", "A"), ("pad", "A")])
def test_what_may_begin_at_another_moment_is_not_late(render: Render, score: Score, kind: str, host: str) -> None:
    """A latency, a clock, takes by chance, a slow attack, a free chorus; and beside all that a note that is late."""

    def elsewhere(**faults: Any) -> Any:
        later = np.concatenate([np.zeros((RATE // 4, 2), np.float32), render(kind, host=host, seed=2, **faults)])
        return {
            key
            for what, key in told(held(render(kind, host=host), faster(later, 300), score), score)
            if what == "timing"
        }

    assert elsewhere() == set()
    if kind != "pad":
        assert elsewhere(late={64: 0.06}) == {64}


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
