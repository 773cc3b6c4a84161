"""Measuring sound against the general tool: ffmpeg's loudness, true peak and statistics, once a file.

Both take the same files, two at a time, in turns, so that a busy machine slows both.
Run: pytest tests/benchmarks/test_sound.py -m benchmark -n0 -s
"""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Self

import numpy as np
import psutil
import pytest
import soundfile

from companion.core.cache import Cache
from companion.core.facts import Facts, Naming
from companion.core.progress import QUIET
from companion.core.rules import findings_of
from companion.sound.checks.model import sound_model
from companion.sound.measures.batch import measure_files
from companion.sound.rules import RULES

RATE = 48000
AudioFiles = list[tuple[str, Path, str]]


def note(number: int, seconds: float, channels: int = 2) -> np.ndarray:
    """A struck note with sixteen partials and a little noise, decaying."""
    rng = np.random.default_rng(number)
    time_axis = np.arange(round(seconds * RATE)) / RATE
    hertz = 55 * 2 ** (number % 48 / 12)
    wave = np.zeros((len(time_axis), channels))
    for partial in range(1, 17):
        if partial * hertz < 20000:
            phases = rng.uniform(0, 6.28, channels)
            wave += (
                np.sin(2 * np.pi * partial * hertz * time_axis[:, None] + phases)
                * np.exp(-partial * 0.4 * time_axis)[:, None]
                / partial
            )
    wave += 1e-4 * rng.standard_normal(wave.shape)
    return 0.2 * wave * np.minimum(1, time_axis / 0.002)[:, None]


def instrument(folder: Path, count: int, seconds: float, channels: int = 2) -> AudioFiles:
    folder.mkdir(parents=True)
    files: AudioFiles = []
    for number in range(count):
        path = folder / f"slate_{number % 48 + 24}_rr{number // 48}.wav"
        soundfile.write(path, note(number, seconds, channels), RATE, subtype="PCM_24")
        files.append((path.name, path, f"{number:064x}"))
    return files


@pytest.mark.benchmark
@pytest.mark.skipif(not shutil.which("ffmpeg"), reason="ffmpeg is not installed")
@pytest.mark.parametrize("seconds", [1.0, 5.0])
def test_against_ffmpeg(tmp_path: Path, seconds: float) -> None:
    files = instrument(tmp_path / "samples", 160, seconds)

    def other(path: Path) -> None:
        filters = "ebur128=peak=true,astats"
        command = ["ffmpeg", "-hide_banner", "-nostats", "-i", str(path), "-af", filters, "-f", "null", "-"]
        subprocess.run(command, capture_output=True, check=True)

    ours, theirs, again = [], [], []
    for _ in range(3):
        began = time.perf_counter()
        with Cache(tmp_path / "cache.sqlite3") as cache:
            measure_files(files, cache, QUIET, workers=2)
            ours.append(time.perf_counter() - began)
            began = time.perf_counter()
            facts = Facts(naming=Naming(pattern="{layer}_{note}_rr{take}"))
            findings_of(RULES, sound_model(measure_files(files, cache, QUIET, workers=2), {}, facts))
            again.append(time.perf_counter() - began)
        (tmp_path / "cache.sqlite3").unlink()
        began = time.perf_counter()
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(other, [path for _, path, _ in files]))
        theirs.append(time.perf_counter() - began)
    ratio, second = min(ours) / min(theirs), min(again) / min(ours)
    real_time = len(files) * seconds / min(ours)
    print(
        f"\n{len(files)} notes of {seconds:g} s: ours {min(ours):.2f} s ({real_time:.0f} × real time), "
        f"ffmpeg {min(theirs):.2f} s, ratio {ratio:.3f}; "
        f"second look and checks {min(again) * 1e3:.0f} ms, {second:.4f} of the first"
    )
    assert ratio <= 0.25
    assert second <= 0.03


class Highest:
    """The memory of this process and all below it, at its highest, looked at every 50 ms while it is entered."""

    def __init__(self) -> None:
        self.bytes = 0
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._watch)

    def _watch(self) -> None:
        me = psutil.Process()
        while not self._done.wait(0.05):
            total = me.memory_info().rss
            for child in me.children(recursive=True):
                with contextlib.suppress(psutil.NoSuchProcess):
                    total += child.memory_info().rss
            self.bytes = max(self.bytes, total)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_error: object) -> None:
        self._done.set()
        self._thread.join()


def long_recording(path: Path, minutes: int, rate: int) -> None:
    """Write a stereo recording, minute by minute."""
    minute = note(3, 60.0)
    with soundfile.SoundFile(path, "w", rate, 2, subtype="PCM_24") as stream:
        for _ in range(minutes * rate // RATE):
            stream.write(minute)


@pytest.mark.benchmark
@pytest.mark.parametrize(
    ("notes", "recordings", "minutes", "rate"), [(24, 1, 10, RATE), (1000, 0, 0, RATE), (0, 2, 30, 2 * RATE)]
)
def test_memory(tmp_path: Path, notes: int, recordings: int, minutes: int, rate: int) -> None:
    """Notes, and recordings of ten minutes, and of thirty at 96 kHz in both workers: blocks decide how much is held."""
    files = instrument(tmp_path / "samples", notes, 1.0)
    for number in range(recordings):
        path = tmp_path / "samples" / f"long{number}.wav"
        long_recording(path, minutes, rate)
        files.append((path.name, path, f"{number + 1:064x}"[::-1]))
    with Highest() as highest, Cache(tmp_path / "cache.sqlite3") as cache:
        measured = measure_files(files, cache, QUIET, workers=2)
    print(f"\n{notes} notes, {recordings} of {minutes} min at {rate} Hz: {highest.bytes / 1e6:.0f} MB at the highest")
    assert all(one.readable for one in measured.values())
    assert sum(one.seconds == 60 * minutes for one in measured.values()) == recordings
    assert highest.bytes <= 400e6


@pytest.mark.benchmark
def test_cost_is_linear(tmp_path: Path) -> None:
    """500 files and 20,000: the same cost a file, and a second look that does not grow faster than they do."""
    folder = tmp_path / "samples"
    folder.mkdir()
    sounds = [note(number, 0.1, 1) for number in range(50)]
    files: AudioFiles = []
    for number in range(20_000):
        path = folder / f"slate_{number}.wav"
        soundfile.write(path, sounds[number % 50] * (1 - number / 40_000), RATE, subtype="PCM_16")
        files.append((path.name, path, f"{number:064x}"))
    costs, looks = {}, {}
    for count in (500, 20_000):
        with Cache(tmp_path / f"{count}.sqlite3") as cache:
            began = time.perf_counter()
            findings_of(RULES, sound_model(measure_files(files[:count], cache, QUIET, workers=2), {}, Facts()))
            costs[count] = (time.perf_counter() - began) / count
            began = time.perf_counter()
            findings_of(RULES, sound_model(measure_files(files[:count], cache, QUIET, workers=2), {}, Facts()))
            looks[count] = (time.perf_counter() - began) / count
    print(
        f"\na file: {costs[500] * 1e3:.2f} ms among 500, {costs[20_000] * 1e3:.2f} ms among 20,000; "
        f"second look {looks[500] * 1e6:.0f} µs and {looks[20_000] * 1e6:.0f} µs"
    )
    assert costs[20_000] <= 1.5 * costs[500]
    assert looks[20_000] <= 3 * looks[500]
    assert looks[20_000] <= 0.03 * costs[20_000]
