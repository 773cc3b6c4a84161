"""Checks of format, noise and impulse responses: each fault beside its innocent neighbour."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from companion.core.entries import Kind
from companion.core.facts import Facts, Limits, Naming
from companion.sound.checks.model import sound_model
from companion.sound.measures.hum import Spectrum, lines_of, rings_by_itself, rings_on, spectrum_of
from companion.sound.measures.mains import hum_of
from companion.sound.measures.weight import savings_of

RATE = 48000


def test_channels(write: Any, sine: Any, measure: Any, found: Any) -> None:
    left, right = sine(330), sine(331, phase=0.4)
    write("same.wav", np.column_stack((left, left)))
    write("near.wav", np.column_stack((left, left + 1e-4 * right)))
    write("turned.wav", np.column_stack((left, -left)))
    write("wide.wav", np.column_stack((left, right)))
    write("silent.wav", np.zeros((4800, 2)))
    measured = measure()
    by_rule = found(measured)
    assert by_rule["mono-as-stereo"] == ["same.wav"]
    assert by_rule["polarity-inverted"] == ["turned.wav"]
    assert measured["turned.wav"].correlation == pytest.approx(-1.0)
    assert measured["wide.wav"].correlation == pytest.approx(0.0, abs=0.95)
    assert savings_of([measured["same.wav"]]).mono == 24000 * 3


def test_bits(write: Any, sine: Any, measure: Any, found: Any) -> None:
    tone = sine(330)
    steps = np.round(tone * 2**15) / 2**15
    write("padded.wav", steps)
    write("whole.wav", tone)
    write("sixteen.wav", tone, subtype="PCM_16")
    write("half gain.wav", np.round(tone * 2**22) / 2**22)
    write("wide.wav", np.round(tone * 2**23) / 2**23, subtype="PCM_32")
    measured = measure()
    assert {name: one.effective_bits for name, one in measured.items()} == {
        "padded.wav": 16,
        "whole.wav": 24,
        "sixteen.wav": 16,
        "half gain.wav": 23,
        "wide.wav": 24,
    }
    assert found(measured)["depth-padded"] == ["padded.wav", "wide.wav"]


def test_empty_band(write: Any, measure: Any, found: Any) -> None:
    from scipy.signal import resample

    rng = np.random.default_rng(7)
    noise = 0.1 * rng.standard_normal(RATE)
    write("upsampled.wav", resample(noise[: RATE // 2], RATE))
    write("full.wav", noise)
    # Falls off by nature, 12 dB an octave, without a cliff.
    write("dull.wav", np.convolve(noise, np.exp(-np.arange(200) / 4), "same") * 0.3)
    measured = measure()
    assert found(measured)["band-empty"] == ["upsampled.wav"]
    assert measured["upsampled.wav"].bandwidth_hz == pytest.approx(12000, rel=0.05)


def strokes(rng: Any, noise: float, hum: float, mains: float) -> Any:
    """A stroke that dies away into room noise, with mains hum or without."""
    time = np.arange(3 * RATE) / RATE
    wave = 0.5 * np.sin(2 * np.pi * rng.uniform(200, 900) * time) * np.exp(-9 * time) + noise * rng.standard_normal(
        len(time)
    )
    return wave + sum(hum / n * np.sin(2 * np.pi * mains * n * time + n) for n in range(1, 8))


@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_hum_of_a_folder(write: Any, measure: Any, found: Any, mains: float) -> None:
    rng = np.random.default_rng(8)
    for take in range(3):
        write(f"hums/{take}.wav", strokes(rng, 1e-4, 1e-4, mains))
        write(f"clean/{take}.wav", strokes(rng, 1e-4, 0.0, mains))
        write(f"one of three/{take}.wav", strokes(rng, 1e-4, 6e-6 if take == 1 else 0.0, mains))
    measured = measure()
    assert found(measured)["hum"] == ["hums"]
    assert {one.hum_hz for name, one in measured.items() if name.startswith("hums")} == {mains}


def test_hum_of_one_file_only_when_it_is_plain(write: Any, measure: Any, found: Any) -> None:
    rng = np.random.default_rng(9)
    write("a/hums.wav", strokes(rng, 1e-5, 1e-3, 50.0))
    write("a/clean.wav", strokes(rng, 1e-5, 0.0, 50.0))
    assert found(measure())["hum"] == ["a/hums.wav"]


def test_noise_builds_up(write: Any, measure: Any, found: Any) -> None:
    rng = np.random.default_rng(10)
    for take in range(3):
        write(f"hiss/x_{take}.wav", strokes(rng, 3e-4, 0.0, 50.0))  # −70 dBFS
        write(f"quiet/y_{take}.wav", strokes(rng, 3e-6, 0.0, 50.0))  # −110 dBFS
    measured = measure()
    one = measured["hiss/x_0.wav"]
    assert one.noise_is_bound is False
    assert one.noise_floor_dbfs == pytest.approx(-70.5, abs=1.0)
    assert "noise-builds-up" not in found(measured)
    assert len(found(measured, Facts(limits=Limits(voices=32)))["noise-builds-up"]) == 1
    assert "noise-builds-up" not in found(measured, Facts(limits=Limits(voices=32, noise_dbfs=-50.0)))


def test_one_loud_floor_is_not_the_noise_of_a_layer(good: Any, found: Any) -> None:
    """The median of −90, −90 and −50 dBFS with 32 voices (+15.1 dB) is −74.9; of −90, −70 and −70 it is −54.9."""

    def layer(*floors: float) -> Any:
        return {
            f"hiss/x_{take}.wav": good(noise_floor_dbfs=floor, noise_is_bound=False)
            for take, floor in enumerate(floors)
        }

    facts = Facts(limits=Limits(voices=32))
    assert found(layer(-90.0, -90.0, -50.0), facts) == {}
    assert found(layer(-90.0, -70.0, -70.0), facts) == {"noise-builds-up": [""]}


def lines(*heights: float) -> tuple[float, ...]:
    """Lines at 50, 100, 150 … Hz of these heights in dB, and none at multiples of 60 Hz."""
    return (*heights, *(0.0,) * (20 - len(heights)))


def test_one_humming_file_is_not_the_hum_of_a_folder(good: Any, found: Any) -> None:
    """The median of 15, 2 and 2 dB is 2; of three or four sounds 6 dB are asked, of five 5.5."""

    def folder(*heights: float) -> Any:
        return {f"hums/{take}.wav": good(hum_lines=lines(*(height,) * 4)) for take, height in enumerate(heights)}

    assert found(folder(15.0, 2.0, 2.0)) == {}
    assert found(folder(15.0, 14.0, 2.0)) == {"hum": ["hums"]}
    assert found(folder(5.8, 5.8, 5.8, 5.8)) == {}
    assert found(folder(5.8, 5.8, 5.8, 2.0, 2.0)) == {"hum": ["hums"]}
    assert found(folder(5.3, 5.3, 5.3, 2.0, 2.0)) == {}
    assert found(folder(15.0, 14.0)) == {}


def test_lines_that_lie_elsewhere_in_each_file_are_partials(good: Any, found: Any) -> None:
    """Four lines in each of five files, each line in two of them: its median is 0."""
    other = {f"x/{n}.wav": good(hum_lines=lines(*(20.0 * ((m - 2 * n) % 10 < 4) for m in range(10)))) for n in range(5)}
    assert found(other) == {}
    same = {f"x/{n}.wav": good(hum_lines=lines(0.0, 20.0, 20.0, 0.0, 20.0, 20.0)) for n in range(6)}
    assert found(same) == {"hum": ["x"]}


def test_copies_of_one_note_are_one_sound(good: Any, found: Any) -> None:
    """Eight takes of one note share its partials; eight notes do not."""
    facts = Facts(naming=Naming(pattern="{note}_rr{take}", middle_c="C4"))
    takes = {f"C3_rr{take}.wav": good(hum_lines=lines(20.0, 20.0, 20.0, 20.0)) for take in range(8)}
    assert "hum" not in found(takes, facts)
    notes = {f"{note}3_rr1.wav": good(hum_lines=lines(20.0, 20.0, 20.0, 20.0)) for note in "CDEFGAB"}
    assert found(notes, facts)["hum"] == [""]


@pytest.mark.parametrize(("telling", "of", "hums"), [(5, 20, True), (5, 21, False)])
def test_a_quarter_of_a_folder_must_tell(good: Any, found: Any, telling: int, of: int, hums: bool) -> None:
    files = {f"x/{n}.wav": good(hum_lines=lines(*(20.0,) * 4) if n < telling else ()) for n in range(of)}
    assert ("hum" in found(files)) is hums


@pytest.mark.parametrize(("telling", "of", "noisy"), [(3, 12, True), (3, 13, False)])
def test_a_quarter_of_a_layer_must_die_away(good: Any, found: Any, telling: int, of: int, noisy: bool) -> None:
    files = {
        f"hiss/x_{n}.wav": good(noise_floor_dbfs=-60.0, noise_is_bound=n >= telling, outline=b"") for n in range(of)
    }
    assert ("noise-builds-up" in found(files, Facts(limits=Limits(voices=32)))) is noisy


def test_a_sound_without_a_floor_only_bounds_it(write: Any, sine: Any, measure: Any) -> None:
    write("sounds.wav", sine(300, 1.0))
    one = measure()["sounds.wav"]
    assert one.noise_is_bound is True
    assert one.hum_hz is None
    assert "hum_hz" in one.not_judged


@pytest.mark.parametrize("hertz", [41.2, 51.9, 61.7])
def test_a_low_note_that_rings_on_at_one_level_is_no_noise_floor(
    write: Any, measure: Any, found: Any, hertz: float
) -> None:
    """Low partials near 50 and 60 Hz, at a steady level for the last half second: neither a floor nor hum."""
    time = np.arange(3 * RATE) / RATE
    level = 0.5 * np.exp(-3 * np.minimum(time, 2.3))
    noise = 1e-5 * np.random.default_rng(12).standard_normal(len(time))
    partials = sum(np.sin(2 * np.pi * hertz * n * time + n * n) / n for n in range(1, 11))
    write("low/ring.wav", level * partials * np.minimum(1, time / 0.002) + noise)
    measured = measure()
    assert measured["low/ring.wav"].noise_is_bound is True
    assert "hum" not in found(measured)


def test_hum_and_partials_are_told_apart_in_a_short_stretch() -> None:
    """0.4 s are 2.5 Hz a bin: the skirt of a partial at 51.9 Hz covers 50 Hz, but has no peak of its own there."""
    time = np.arange(round(0.4 * RATE)) / RATE
    noise = 1e-5 * np.random.default_rng(13).standard_normal(len(time))

    def spectrum(sound: Any) -> Spectrum:
        found = spectrum_of(sound.astype(np.float32), RATE)
        assert found is not None
        return found

    def partials(hertz: float) -> Any:
        return (noise + sum(1e-3 * np.sin(2 * np.pi * hertz * n * time + n) for n in range(1, 9))).astype(np.float32)

    found = hum_of(lines_of(partials(50.0), RATE))
    assert found is not None
    assert found[0] == 50.0
    assert found[1] == pytest.approx(40, abs=15)
    other = hum_of(lines_of(partials(51.9), RATE))
    assert other is None or other[1] < 12
    assert rings_on(spectrum(partials(51.9)), 51.9)
    assert not rings_on(spectrum(partials(50.0)), 180.3)
    assert not rings_on(spectrum(noise), 51.9)
    assert rings_by_itself(spectrum(partials(51.9)), lines_of(partials(51.9), RATE))
    assert not rings_by_itself(spectrum(partials(50.0)), lines_of(partials(50.0), RATE)), "it hums"
    assert not rings_by_itself(spectrum(noise), lines_of(noise.astype(np.float32), RATE))


def room(seconds: float, decay: float, delay: float = 0.0, peak: float = 0.9) -> Any:
    time = np.arange(round(seconds * RATE)) / RATE
    tail = np.random.default_rng(12).standard_normal(len(time)) * np.exp(-6.9078 * time / decay) * 0.1
    tail[0] = 1.0
    return np.concatenate((np.zeros(round(delay * RATE)), tail * peak))


def test_impulse_responses(write: Any, measure: Any, found: Any) -> None:
    write("hall.wav", room(2.5, 2.0))
    write("late.wav", room(2.5, 2.0, 0.08))
    write("cut.wav", room(0.6, 2.0))
    clipped = np.clip(np.convolve(room(2.5, 2.0), np.hanning(200), "same") * 3, -0.9, 0.9)
    write("clipped.wav", clipped)
    measured = measure()
    by_rule = found(measured, kinds=dict.fromkeys(measured, Kind.IMPULSE))
    assert by_rule["impulse-late"] == ["late.wav"]
    assert by_rule["impulse-cut"] == ["cut.wav"]
    assert by_rule["impulse-clipped"] == ["clipped.wav"]
    assert set(by_rule) <= {"impulse-late", "impulse-cut", "impulse-clipped"}
    decay = measured["hall.wav"].decay
    assert decay is not None
    assert decay.t30_s == pytest.approx(2.0, rel=0.1)


def test_weight_counts_bytes(write: Any, sine: Any, measure: Any) -> None:
    tone = np.round(sine(330, 1.0) * 2**15) / 2**15
    write("a.wav", tone)
    write("b.wav", tone)
    write("long.wav", np.concatenate((0.9 * tone, np.zeros(RATE))))
    savings = savings_of(measure().values())
    assert savings.bits == pytest.approx(2 * RATE, rel=0.01)
    assert savings.twins > 3 * RATE
    assert savings.trimming == pytest.approx(0.95 * RATE * 3, rel=0.02)
    assert savings.mono == 0


def test_models_are_cheap_without_samples() -> None:
    assert sound_model({}, {}, Facts()).tunings == ()
