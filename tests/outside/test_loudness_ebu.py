"""Loudness against published cases.

EBU Tech 3341 (2016), table 1, "minimum requirements test signals": cases 1 to 6, 9 and 12 to 14, each made from its
description; 7, 8, 10 and 11 need recordings or a display. Required ±0.1 LU, our own aim ±0.05. ITU-R BS.1770-5, annex
1: coefficients at 48 kHz, and a full-scale 997 Hz sine in one channel reads −3.01 LKFS.
"""

from __future__ import annotations

import math
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from companion.sound.measures.loudness import Loudness, k_weighting

AIM = 0.05


def tone(dbfs: float, seconds: float, rate: int, channels: int = 2) -> Any:
    """A 1 kHz sine whose peak is ``dbfs``, the same in each channel."""
    wave = 10 ** (dbfs / 20) * np.sin(2 * np.pi * 1000 * np.arange(round(seconds * rate)) / rate)
    return np.tile(wave, (channels, 1)).astype(np.float32)


def measured(signal: Any, rate: int, block: int = 1 << 16) -> tuple[float | None, float | None]:
    """(integrated, highest momentary), taken in block by block."""
    loudness = Loudness(rate, len(signal))
    for start in range(0, signal.shape[1], block):
        loudness.add(signal[:, start : start + block])
    return loudness.result()


def steps(rate: int, *parts: tuple[float, float]) -> Any:
    return np.concatenate([tone(dbfs, seconds, rate) for dbfs, seconds in parts], axis=1)


CASES = {
    1: (((-23, 20),), -23.0),
    2: (((-33, 20),), -33.0),
    3: (((-36, 10), (-23, 60), (-36, 10)), -23.0),
    4: (((-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)), -23.0),
    5: (((-26, 20), (-20, 20.1), (-26, 20)), -23.0),
}


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("case", CASES)
def test_integrated_cases_1_to_5(case: int, rate: int) -> None:
    parts, expected = CASES[case]
    integrated, _ = measured(steps(rate, *parts), rate)
    assert integrated == pytest.approx(expected, abs=AIM)


def test_integrated_case_6_five_channels() -> None:
    levels = (-28.0, -28.0, -24.0, -30.0, -30.0)
    signal = np.concatenate([tone(dbfs, 20, 48000, 1) for dbfs in levels])
    assert measured(signal, 48000)[0] == pytest.approx(-23.0, abs=AIM)


@pytest.mark.parametrize("rate", [22050, 44100, 48000, 192000])
def test_momentary_case_12(rate: int) -> None:
    """−20 dBFS for 0.18 s and −30 dBFS for 0.22 s by turns: each 400 ms reads −23.0."""
    signal = steps(rate, *(((-20, 0.18), (-30, 0.22)) * 25))
    assert measured(signal, rate)[1] == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize("offset_ms", [0, 20, 55, 200, 395])
def test_momentary_cases_13_and_14(offset_ms: int) -> None:
    """A tone of −23 dBFS for 400 ms, after silence of any length, reads −23.0 at its highest."""
    rate = 48000
    signal = np.concatenate((np.zeros((2, rate * offset_ms // 1000), np.float32), tone(-23, 0.4, rate)), axis=1)
    assert measured(signal, rate)[1] == pytest.approx(-23.0, abs=0.1)


def test_short_term_case_9_by_its_energy() -> None:
    """−20 dBFS for 1.34 s and −30 dBFS for 1.66 s by turns: any 3 s reads −23.0, so the whole without gates does."""
    rate = 48000
    loudness = Loudness(rate, 2)
    loudness.add(steps(rate, *(((-20, 1.34), (-30, 1.66)) * 5)))
    hops = loudness.hops()[:1500]
    for start in (0, 137, 600, 1199):
        energy = float(hops[start : start + 300].mean())
        assert -0.691 + 10 * math.log10(energy) == pytest.approx(-23.0, abs=0.1)


def test_full_scale_sine_in_one_channel() -> None:
    wave = np.sin(2 * np.pi * 997 * np.arange(5 * 48000) / 48000).astype(np.float32)
    assert measured(np.stack((wave, 0 * wave)), 48000)[0] == pytest.approx(-3.01, abs=0.02)


def test_filter_is_the_published_one_at_48_khz() -> None:
    """BS.1770-5, tables 1 and 2."""
    shelf, high_pass = k_weighting(48000)
    assert shelf == pytest.approx(
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1, -1.69065929318241, 0.73248077421585], abs=1e-9
    )
    assert high_pass == pytest.approx([1, -2, 1, 1, -1.99004745483398, 0.99007225036621], abs=1e-9)


def test_strided_filter_equals_a_plain_loop() -> None:
    signal = np.random.default_rng(3).standard_normal(1000).astype(np.float32)
    expected = signal.astype(np.float64)
    for b0, b1, b2, _, a1, a2 in k_weighting(44100):
        output, first, second = np.zeros(len(expected)), 0.0, 0.0
        for place, value in enumerate(expected):
            output[place] = b0 * value + first
            first = b1 * value - a1 * output[place] + second
            second = b2 * value - a2 * output[place]
        expected = output
    from companion.sound.measures.loudness import weighted

    state = np.zeros(4)
    got = np.concatenate([weighted(signal[start : start + 256], 44100, state) for start in range(0, 1000, 256)])
    assert np.abs(got - expected).max() < 1e-5


@pytest.mark.parametrize("rate", [44100, 48000])
def test_agrees_with_another_meter(tmp_path: Path, installed: Callable[[str, str], str], rate: int) -> None:
    """ffmpeg's ``ebur128`` as an independent meter, on noise whose level wanders."""
    ffmpeg = installed("ffmpeg", "ffmpeg")
    import soundfile

    rng = np.random.default_rng(11)
    gain = np.repeat(10 ** (rng.uniform(-40, -6, 40) / 20), rate // 4)
    signal = (rng.standard_normal((len(gain), 2)) * 0.2 * gain[:, None]).clip(-1, 1)
    path = tmp_path / "noise.wav"
    soundfile.write(path, signal, rate, subtype="FLOAT")
    text = subprocess.run(
        [ffmpeg, "-hide_banner", "-nostats", "-i", str(path), "-af", "ebur128", "-f", "null", "-"],
        capture_output=True,
        text=True,
        check=True,
    ).stderr
    found = re.findall(r"I:\s+(-?[\d.]+) LUFS", text)[-1]
    assert measured(signal.T.astype(np.float32), rate)[0] == pytest.approx(float(found), abs=0.1)
