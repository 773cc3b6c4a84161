"""Checks of level, edges, clicks and seams on sounds made for it: each fault beside its innocent neighbour."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.signal import lfilter

from companion.core.facts import Facts, Limits
from companion.core.rules import findings_of
from companion.sound.checks.model import sound_model
from companion.sound.rules import RULES

RATE = 48000


def faded(signal: Any, seconds: float = 0.01) -> Any:
    ramp = np.minimum(1, np.arange(len(signal)) / (seconds * RATE))
    return signal * ramp * ramp[::-1]


def rung(sine: Any, seconds: float = 1.0, hertz: float = 440.0, decay: float = 8.0) -> Any:
    """A struck tone: a millisecond of attack, then an exponential decay."""
    time = np.arange(round(seconds * RATE)) / RATE
    return sine(hertz, seconds) * np.exp(-decay * time) * np.minimum(1, time / 0.001)


def test_over_full_scale(write: Any, sine: Any, measure: Any, found: Any) -> None:
    write("over.wav", faded(sine(440, amplitude=1.5)), subtype="FLOAT")
    write("whole.wav", faded(sine(440, amplitude=0.999)), subtype="FLOAT")
    # fs/4 at 45°: samples at 0.6, between them 0.85.
    write("between.wav", faded(0.85 * np.sin(np.arange(RATE // 2) * np.pi / 2 + np.pi / 4)))
    measured = measure()
    assert found(measured)["peak-over"] == ["over.wav"]
    assert measured["between.wav"].peak_dbfs == pytest.approx(-4.42, abs=0.02)
    assert measured["between.wav"].true_peak_dbtp == pytest.approx(-1.41, abs=0.05)
    strict = Facts(limits=Limits(true_peak_dbtp=-2.0))
    assert found(measured, strict)["peak-over"] == ["between.wav", "over.wav", "whole.wav"]


def test_dc_offset(write: Any, sine: Any, measure: Any, found: Any) -> None:
    write("offset.wav", faded(sine(100) + 0.03))
    write("little.wav", faded(sine(100) + 0.005))
    write("short.wav", 0.5 * np.hanning(480))  # one half wave is no offset
    assert found(measure())["dc-offset"] == ["offset.wav"]


def test_onsets_and_tails(write: Any, sine: Any, measure: Any, found: Any) -> None:
    stroke = rung(sine)
    write("late.wav", np.concatenate((np.zeros(RATE // 10), stroke)))
    write("prompt.wav", np.concatenate((np.zeros(RATE // 50), stroke)))
    swell = sine(220, 3.0)
    write("swell.wav", faded(swell * np.linspace(0, 1, len(swell)), 0.05))
    write("waste.wav", np.concatenate((stroke, np.zeros(2 * RATE))))
    write("ring.wav", faded(rung(sine, 6.0, decay=1.2)))
    measured = measure()
    by_rule = found(measured)
    assert by_rule["late-onset"] == ["late.wav"]
    assert by_rule["tail-wasteful"] == ["waste.wav"]
    assert measured["late.wav"].onset_s == pytest.approx(0.1, abs=0.002)
    assert measured["waste.wav"].tail_s == pytest.approx(2.0, abs=0.1)
    waste = next(one for one in findings_of(RULES, sound_model(measured, {}, Facts())) if one.rule == "tail-wasteful")
    assert "kB" in waste.measured
    assert waste.where.startswith("1.0")


def test_hot_starts_and_ends(write: Any, sine: Any, measure: Any, found: Any, append_chunks: Any, smpl: Any) -> None:
    steady = sine(220, 1.0, phase=1.2)
    quiet_end = np.minimum(1, np.arange(RATE, 0, -1) / 4800)
    write("cut into.wav", steady * quiet_end)
    write("struck.wav", rung(sine, decay=12.0))
    write("from zero.wav", sine(220, 1.0) * quiet_end)
    write("cut off.wav", faded(sine(220))[: RATE // 4])
    write("faded.wav", faded(sine(220)))
    append_chunks(write("looped.wav", sine(220)), smpl(57, 0.0, ((0, 2400, 21600),)))
    by_rule = found(measure())
    assert by_rule["starts-hot"] == ["cut into.wav"]
    assert by_rule["ends-hot"] == ["cut off.wav"]


def test_a_swell_is_not_late(write: Any, sine: Any, measure: Any, found: Any) -> None:
    """A squared fade of four seconds is within 40 dB of its loudest after 400 ms, and sounds from the first."""
    tone = sine(220, 4.0) * np.linspace(0, 1, 4 * RATE) ** 2
    write("swell.wav", tone)
    write("late swell.wav", np.concatenate((np.zeros(RATE // 4), tone)))
    measured = measure()
    assert found(measured)["late-onset"] == ["late swell.wav"]
    (one,) = [one for one in findings_of(RULES, sound_model(measured, {}, Facts())) if one.rule == "late-onset"]
    assert isinstance(one.value, int)
    assert 250 <= one.value <= 320


def told(measured: Any, rule: str) -> list[tuple[str, str, str]]:
    findings = findings_of(RULES, sound_model(measured, {}, Facts()))
    return [(one.path, one.severity.value, one.measured) for one in findings if one.rule == rule]


@pytest.mark.parametrize("rule", ["ends-hot", "starts-hot"])
def test_a_layer_that_is_so_throughout_is_asked_once(good: Any, rule: str) -> None:
    """Half of a layer and three samples make a habit; fewer are faults, each told by itself."""
    fault = {"end_db": -3.0} if rule == "ends-hot" else {"start_jump": 0.4, "start_steady": True}
    layer = {f"pad_{note}.wav": good(**fault) for note in ("C3", "D3", "E3")}
    layer |= {f"pad_{note}.wav": good() for note in ("F3", "G3", "A3")}
    (asked,) = told(layer, rule)
    assert asked[:2] == ("", "notes")
    assert asked[2].startswith("3 of 6 samples of “pad”: ")
    assert asked[2].endswith("?")
    layer["pad_B3.wav"] = good()
    assert [path for path, *_ in told(layer, rule)] == ["pad_C3.wav", "pad_D3.wav", "pad_E3.wav"]
    two = {f"pad_{note}.wav": good(**fault) for note in ("C3", "D3")}
    assert [severity for _, severity, _ in told(two, rule)] == ["warns"] * 2
    joined = {f"pad_{note}.wav": good(**fault, joins=True) for note in ("C3", "D3")}
    assert told(joined, rule) == []


def test_a_file_that_goes_round_is_no_cut_tail(write: Any, sine: Any, measure: Any, found: Any) -> None:
    """220 Hz for half a second are 110 whole turns; for a quarter less a half of one, the wave jumps."""
    write("a/round.wav", sine(220, 0.5))
    write("b/cut.wav", sine(220, 0.5)[: -RATE // 440])
    write("c/struck.wav", rung(sine, 0.3, decay=4.0))
    measured = measure()
    assert [measured[name].joins for name in sorted(measured)] == [True, False, False]
    assert found(measured)["ends-hot"] == ["b/cut.wav", "c/struck.wav"]


def test_a_start_at_the_peak_is_cut_into_even_where_it_decays(write: Any, measure: Any, found: Any) -> None:
    time = np.arange(RATE) / RATE
    cut = 0.9 * np.cos(2 * np.pi * 220 * time) * np.exp(-40 * time)
    write("cut.wav", cut)
    write("struck.wav", cut * np.minimum(1, time / 2e-4))
    measured = measure()
    assert measured["cut.wav"].start_jump == 1.0
    assert found(measured)["starts-hot"] == ["cut.wav"]


def test_click_inside(write: Any, sine: Any, measure: Any, found: Any) -> None:
    rng = np.random.default_rng(1)
    tone = faded(sum(sine(220 * n, 1.0, 0.3 / n) for n in range(1, 6)) + 0.001 * rng.standard_normal(RATE))
    write("clean.wav", tone)
    clicked = tone.copy()
    clicked[20000] += 0.25 * np.abs(tone).max()
    write("click.wav", clicked)
    spliced = np.concatenate((tone[:20000], tone[20100:]))
    write("splice.wav", spliced)
    write("noise.wav", faded(0.2 * rng.standard_normal(RATE)))
    strokes = np.zeros(RATE)
    for start in (0, 12000, 24000, 36000):
        strokes[start : start + 12000] += rung(sine, 0.25, 660, 20)
    write("strokes.wav", faded(strokes))
    pulses = np.zeros(RATE)
    pulses[::480] = 1.0
    write("reed.wav", faded(np.convolve(pulses, np.exp(-np.arange(200) / 20), "same") * 0.3))
    measured = measure()
    assert found(measured)["click-inside"] == ["click.wav", "splice.wav"]
    assert abs(measured["click.wav"].clicks[0].frame - 20000) <= 2
    assert abs(measured["splice.wav"].clicks[0].frame - 20000) <= 48


def test_loop_seam(write: Any, sine: Any, measure: Any, found: Any, append_chunks: Any, smpl: Any) -> None:
    tone = sine(240, 1.0)  # 200 frames a period
    append_chunks(write("whole.wav", tone), smpl(58, 0.0, ((0, 4000, 43999),)))
    append_chunks(write("inclusive.wav", tone), smpl(58, 0.0, ((0, 4000, 44000),)))
    append_chunks(write("half.wav", tone), smpl(58, 0.0, ((0, 4000, 43899),)))
    append_chunks(write("one turn.wav", tone[:4200]), smpl(58, 0.0, ((0, 4000, 4199),)))
    noise = 0.2 * np.random.default_rng(3).standard_normal(RATE)
    append_chunks(write("noise.wav", noise), smpl(58, 0.0, ((0, 4000, 43899),)))
    measured = measure()
    assert found(measured)["loop-seam"] == ["half.wav"]
    assert measured["noise.wav"].loops[0].seam == "not judged"
    assert measured["whole.wav"].loops[0].seam == "clean"


def test_shortest_files_are_measured(write: Any, sine: Any, measure: Any, found: Any) -> None:
    """Under 40 ms, down to a single frame: levels are there, and what is not says why."""
    for frames in (1, 5, 63, 480, 1900):
        write(f"{frames}.wav", sine(1000, 1.0)[20 : 20 + frames])
    for name, one in measure().items():
        assert not one.problem, name
        assert one.peak_dbfs is not None
        assert one.true_peak_dbtp is not None
        assert one.momentary_max_lufs is not None
        assert "loudness_lufs" in one.not_judged
        assert one.loudness_lufs is None


def test_a_second_stroke_that_is_bright_but_hardly_louder_is_no_click(
    write: Any, sine: Any, measure: Any, found: Any
) -> None:
    """A tine is plucked again while it sounds: the level hardly rises, the brightness does. A cut stays a click."""
    noise = np.random.default_rng(4).standard_normal(RATE) * 1e-5
    tone = faded(sine(523.25, 1.0, 0.3)) + noise
    time = np.arange(RATE - 24_000) / RATE
    stroke = tone.copy()
    stroke[24_000:] += 0.12 * np.cos(2 * np.pi * 4_186 * time) * np.exp(-20 * time)
    write("stroke.wav", stroke)
    cut = tone.copy()
    cut[24_000:] = faded(sine(523.25, 1.0, 0.3, phase=0.9))[24_000:] + noise[24_000:]
    write("cut.wav", cut)
    assert found(measure())["click-inside"] == ["cut.wav"]


def test_a_click_in_sound_without_pitch_must_be_plain(write: Any, measure: Any, found: Any) -> None:
    """Resonant noise, as a cymbal's: 9 dB above all around may be chance; 20 is not; scores of them are its texture.

    What drives the noise peaks near 4 standard deviations in any 50 ms. A click added behind the resonance is 2.6 times
    as high in the residual (the filter's largest weight), so 5 deviations stand 10 dB above and 20 stand 22.
    """
    deviation = 0.004
    noise = np.random.default_rng(6).standard_normal(2 * RATE) * deviation
    wash = lfilter([1.0], np.poly([0.97 * np.exp(0.4j), 0.97 * np.exp(-0.4j), 0.9]).real, noise)
    heights = {"faint.wav": 5, "plain.wav": 20}
    for name, height in heights.items():
        clicked = wash.copy()
        clicked[RATE] += height * deviation
        write(name, clicked)
    crackle = wash.copy()
    crackle[4_000:-4_000:4_000] += 20 * deviation
    write("crackle.wav", crackle)
    measured = measure()
    assert measured["faint.wav"].pitch_trust is None or measured["faint.wav"].pitch_trust < 0.5
    assert found(measured)["click-inside"] == ["plain.wav"]
    assert "texture" in measured["crackle.wav"].not_judged["clicks"]


def test_a_low_wave_moved_by_little_still_breaks_at_its_seam(
    write: Any, sine: Any, measure: Any, found: Any, append_chunks: Any, smpl: Any
) -> None:
    """An eighth of a period off: the two sides look alike by four fifths, but no predictor expects the step."""
    tone = sine(RATE / 200, 1.0) + np.random.default_rng(8).standard_normal(RATE) * 1e-4
    for name, last in (("whole.wav", 6_000 + 12_000 - 1), ("moved.wav", 6_000 + 12_000 - 1 - 25)):
        append_chunks(write(name, tone), smpl(36, loops=((0, 6_000, last),)))
    measured = measure()
    assert found(measured)["loop-seam"] == ["moved.wav"]
    seam = measured["moved.wav"].loops[0]
    assert seam.error < 0.4
    assert seam.breaks > 4
    assert measured["whole.wav"].loops[0].breaks < 2


def test_a_breathy_loop_is_unlike_at_its_seam_but_does_not_break(
    write: Any, sine: Any, measure: Any, found: Any, append_chunks: Any, smpl: Any
) -> None:
    """Breath 8.4 dB under the tone makes the two sides unlike by an eighth, as any two places of it are."""
    breath = np.random.default_rng(14).standard_normal(RATE)
    tone = sine(RATE / 200, 1.0)
    breath *= 10 ** (-8.4 / 20) * tone.std() / breath.std()
    append_chunks(write("flute.wav", tone + breath), smpl(58, loops=((0, 6_000, 17_999),)))
    measured = measure()
    seam = measured["flute.wav"].loops[0]
    assert 0.1 < seam.error < 0.4
    assert seam.breaks < 4
    assert seam.seam == "clean"
    assert "loop-seam" not in found(measured)
