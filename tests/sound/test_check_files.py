"""Checks of single files and of the set: each fault beside its nearest innocent neighbour."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from companion.core.entries import Kind
from companion.core.facts import Facts, Limits
from companion.core.rules import findings_of
from companion.sound.checks.model import sound_model
from companion.sound.measures.measured import Run
from companion.sound.rules import RULES


def test_clipped(write: Any, sine: Any, measure: Any, found: Any) -> None:
    write("hard.wav", np.clip(sine(440, amplitude=1.4), -1, 1 - 2**-23))
    write("below.wav", np.clip(sine(440, amplitude=1.0), -0.7, 0.7))
    write("one long run.wav", np.where(np.arange(24000) == 12000, 0, np.clip(sine(1.0, amplitude=1.02), -1, 0.98)))
    # Innocent: normalised to full scale, at several frequencies; a square wave; a low tone of few bits.
    write("whole.wav", sine(440, amplitude=1 - 2**-23))
    write("low.wav", sine(20, 1.0, 1 - 2**-15), subtype="PCM_16")
    write("coarse.wav", sine(40, 1.0, 0.99), subtype="PCM_U8")
    write("square.wav", 0.9 * np.sign(sine(441, amplitude=1.0) + 1e-9))
    paths = set(found(measure()).get("clipped", []))
    assert {"hard.wav", "below.wav"} <= paths
    assert not paths & {"whole.wav", "low.wav", "coarse.wav", "square.wav"}


@pytest.mark.parametrize(
    ("lengths", "fault"),
    [((), False), ((3,), False), ((4,), False), ((4, 4), False), ((3, 3, 3), True), ((5,), True), ((3, 5), True)],
)
def test_clipped_is_a_run_of_five_or_three_of_three(
    good: Any, found: Any, lengths: tuple[int, ...], fault: bool
) -> None:
    """A flat top or two of three samples is what normalising to full scale makes; an impulse response has its rule."""
    runs = tuple(Run(1000 * number, length, 0, 0.02) for number, length in enumerate(lengths))
    samples = {"a.wav": good(clipped_runs=runs)}
    assert found(samples) == ({"clipped": ["a.wav"]} if fault else {})
    assert found(samples, kinds={"a.wav": Kind.IMPULSE}) == ({"impulse-clipped": ["a.wav"]} if lengths else {})


def test_impulse_responses_are_not_judged_as_samples(write: Any, sine: Any, measure: Any, found: Any) -> None:
    write("hall.wav", np.clip(sine(440, amplitude=1.4), -1, 1 - 2**-23), rate=44100)
    write("a.wav", sine(440))
    measured = measure()
    assert set(found(measured, kinds={"hall.wav": Kind.IMPULSE})) & {"clipped", "rate-mixed"} == set()
    assert set(found(measured)) >= {"clipped", "rate-mixed"}


def test_not_finite(write: Any, sine: Any, measure: Any, found: Any) -> None:
    samples = sine(440)
    write("loud.wav", samples * 3, subtype="FLOAT")
    samples[100] = np.nan
    write("nan.wav", samples, subtype="FLOAT")
    assert found(measure())["not-finite"] == ["nan.wav"]


def test_silent(write: Any, sine: Any, measure: Any, found: Any) -> None:
    write("nothing.wav", np.zeros(4800))
    write("next to nothing.wav", sine(440, amplitude=0.00005))
    write("key noise.wav", sine(440, amplitude=0.001))
    measured = measure()
    assert found(measured)["silent"] == ["next to nothing.wav", "nothing.wav"]
    strict = Facts(limits=Limits(silence_dbfs=-50.0))
    assert len(found(measured, strict)["silent"]) == 3


def test_channel_dead(write: Any, sine: Any, measure: Any, found: Any) -> None:
    tone = sine(440)
    write("left only.wav", np.column_stack((tone, 0 * tone)))
    write("far left.wav", np.column_stack((tone, 0.001 * tone)))
    write("mono.wav", tone)
    assert found(measure())["channel-dead"] == ["left only.wav"]


def test_rates_and_depths(write: Any, sine: Any, measure: Any, found: Any) -> None:
    for name in ("a.wav", "b.wav"):
        write(name, sine(440, phase=ord(name[0])))
    measured = dict(measure())
    assert not found(measured).keys() & {"rate-mixed", "depth-mixed"}
    write("c.wav", sine(440, rate=44100), rate=44100)
    write("d.wav", sine(330), subtype="PCM_16")
    by_rule = found(measure())
    assert by_rule["rate-mixed"] == [""]
    assert by_rule["depth-mixed"] == [""]
    mixed = [one for one in findings_of(RULES, sound_model(measure(), {}, Facts())) if one.rule == "rate-mixed"]
    assert mixed[0].measured == "3 at 48,000 Hz and 1 at 44,100 Hz"
    assert "c.wav" in mixed[0].where


@pytest.mark.parametrize(
    ("loop", "fault"),
    [
        ((0, 100, 23999), False),
        ((0, 100, 24000), False),
        ((0, 100, 24001), True),
        ((0, 900, 800), True),
        ((0, 30000, 30001), True),
    ],
)
def test_loop_invalid(
    write: Any,
    sine: Any,
    measure: Any,
    append_chunks: Any,
    smpl: Any,
    loop: tuple[int, int, int],
    fault: bool,
    found: Any,
) -> None:
    append_chunks(write("a.wav", sine(440)), smpl(60, 0.0, (loop,)))
    assert ("loop-invalid" in found(measure())) is fault


def test_duplicate(write: Any, sine: Any, measure: Any, found: Any) -> None:
    write("a.wav", sine(440))
    write("b.wav", sine(440))
    write("c.wav", sine(440, amplitude=0.4))
    write("s1.wav", np.zeros(4800))
    write("s2.wav", np.zeros(4800))
    assert found(measure())["duplicate"] == ["b.wav"]


def test_the_same_numbers_at_another_rate_are_another_recording(
    write: Any, sine: Any, measure: Any, found: Any
) -> None:
    """Played back, one is the other at another speed; as are the same numbers in one channel and in two."""
    tone = sine(440)
    write("at 48.wav", tone)
    write("at 44.wav", tone, 44100)
    write("stereo.wav", tone.reshape(-1, 2))
    measured = measure()
    assert len({one.digest for one in measured.values()}) == 3
    assert "duplicate" not in found(measured)
