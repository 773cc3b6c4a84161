"""What samples take as FLAC, against what is written to disk and decoded again."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from companion.core.cache import Cache
from companion.core.errors import Cancelled
from companion.core.progress import QUIET, Progress, Watch
from companion.sound.measures.lossless import flac_sizes

_SHIFT = {"PCM_U8": 24, "PCM_S8": 24, "PCM_16": 16, "PCM_24": 8, "PCM_32": 0}
SHA = "ab" * 32
TABLE = "flac-2"


@pytest.fixture
def steps(sine: Callable[..., Any]) -> Callable[..., Any]:
    """A decaying tone with a little noise: int32, left-aligned, ``bits`` of them used, shape (frames, channels)."""

    def make(bits: int, channels: int = 1, frames: int = 30_000) -> Any:
        noise = np.random.default_rng(bits).standard_normal((frames, channels)) * 0.003
        tone = sine(220, frames / 48000)[:frames, None] * np.exp(-np.arange(frames) / 9000)[:, None]
        return (np.round((tone + noise) * 2.0 ** (bits - 1)).astype(np.int64) << (32 - bits)).astype(np.int32)

    return make


def counted(*paths: Path, cache: Cache | None = None, **more: Any) -> list[int | None]:
    files = [(path.name, path, more.pop("sha", "")) for path in paths]
    if cache is not None:
        return list(flac_sizes(files, cache, QUIET, **more).values())
    with Cache(None) as own:
        return list(flac_sizes(files, own, QUIET, **more).values())


@pytest.mark.parametrize("channels", [1, 2, 8])
@pytest.mark.parametrize(
    ("name", "subtype", "bits", "depth"),
    [
        ("a.wav", "PCM_U8", 8, "PCM_S8"),
        ("a.aiff", "PCM_S8", 8, "PCM_S8"),
        ("a.wav", "PCM_16", 16, "PCM_16"),
        ("a.aiff", "PCM_24", 24, "PCM_24"),
        ("a.wav", "PCM_24", 24, "PCM_24"),
        ("a.wav", "PCM_32", 24, "PCM_24"),
        ("a.w64", "PCM_32", 16, "PCM_24"),
    ],
)
def test_as_large_as_on_disk_and_exact(
    write: Any, steps: Any, name: str, subtype: str, bits: int, depth: str, channels: int
) -> None:
    path = write(name, steps(bits, channels), subtype=subtype)
    flac = write("same.flac", steps(bits, channels), subtype=depth)
    again, rate = soundfile.read(flac, dtype="int32", always_2d=True)
    assert np.array_equal(again, soundfile.read(path, dtype="int32", always_2d=True)[0])
    assert np.array_equal(again, steps(bits, channels))
    assert rate == 48000
    assert counted(path) == [flac.stat().st_size]


def test_a_recording_of_several_blocks(write: Any, steps: Any) -> None:
    samples = steps(24, 2, 300_001)
    flac = write("a.flac", samples)
    assert counted(write("a.wav", samples)) == [flac.stat().st_size]


def test_what_flac_cannot_give_back(write: Any, steps: Any) -> None:
    """And beside each what it can."""
    whole, tone = steps(32), steps(24)
    late = steps(24, 1, 400_000)
    late[-1] |= 1  # one low bit, behind the first block
    refused = [
        write("float.wav", tone / 2.0**31, subtype="FLOAT"),
        write("double.wav", tone / 2.0**31, subtype="DOUBLE"),
        write("32.wav", whole, subtype="PCM_32"),
        write("late.wav", late, subtype="PCM_32"),
        write("nine.wav", steps(16, 9), subtype="PCM_16"),
        write("rate.wav", tone, 400_001),
        write("fast.wav", tone, 2_000_000),
        write("coded.flac", tone),
        write("law.wav", tone, subtype="ULAW"),
        write("adpcm.wav", tone, subtype="IMA_ADPCM"),
        write("coded.ogg", tone / 2.0**31, subtype="VORBIS"),
        write("none.wav", tone[:0]),
        write("one.wav", tone[:1]),  # the header of FLAC alone is longer
        write("noise.wav", np.random.default_rng(0).integers(-(2**31), 2**31, 9000, dtype=np.int32) & ~0xFF),
    ]
    assert dict(zip(refused, counted(*refused), strict=True)) == dict.fromkeys(refused)
    assert None not in counted(
        write("24 in 32.wav", tone, subtype="PCM_32"), write("8.wav", steps(16, 8)), write("odd.wav", tone, 43_999)
    )


@pytest.mark.parametrize("name", ["a.wav", "a.aiff", "a.w64", "a.rf64"])
def test_truncated_is_not_counted(write: Any, steps: Any, name: str) -> None:
    path = write(name, steps(24))
    data = path.read_bytes()
    for keep in (len(data) - 2000, len(data) // 2, 60, 20, 0):
        path.write_bytes(data[:keep])
        assert counted(path) == [None], keep
    path.write_bytes(data)
    assert counted(path) != [None]


def test_damage_costs_the_file_only(write: Any, steps: Any, tmp_path: Path) -> None:
    good = write("good.wav", steps(16), subtype="PCM_16")
    random, paths = np.random.default_rng(3), [good, tmp_path / "nowhere.wav", tmp_path]
    data = good.read_bytes()
    for number in range(60):
        hurt = bytearray(data[:4000])
        for place in random.integers(0, 44, 4):
            hurt[place] = random.integers(256)
        paths.append(tmp_path / f"{number}.wav")
        paths[-1].write_bytes(hurt)
    found = dict(zip(paths, counted(*paths), strict=True))
    assert found[good] == counted(good)[0]
    assert found[tmp_path / "nowhere.wav"] is found[tmp_path] is None


def test_known_content_is_not_opened_again(write: Any, steps: Any, tmp_path: Path) -> None:
    paths = [
        write("a.wav", steps(24)),
        write("float.wav", steps(24) / 2.0**31, subtype="FLOAT"),
        write("nine.wav", steps(16, 9), subtype="PCM_16"),
        write("late.wav", steps(32), subtype="PCM_32"),
        write("cut.wav", steps(24)),
    ]
    paths[-1].write_bytes(paths[-1].read_bytes()[:9000])
    files = [(path.name, path, f"{number:064x}") for number, path in enumerate(paths)]
    with Cache(tmp_path / "cache.sqlite3") as cache:
        first = flac_sizes(files, cache, QUIET)
    assert [name for name, taken in first.items() if taken] == ["a.wav"]
    for path in paths:
        path.unlink()
    shown: list[Progress] = []
    with Cache(tmp_path / "cache.sqlite3") as cache:
        assert flac_sizes(files, cache, Watch(shown.append, every=0)) == first
    assert shown == []


def test_the_same_bytes_are_packed_once(write: Any, steps: Any) -> None:
    path = write("a.wav", steps(24))
    shown: list[Progress] = []
    with Cache(None) as cache:
        files = [("a.wav", path, SHA), ("b.wav", path, SHA), ("no hash.wav", path, "")]
        found = flac_sizes(files, cache, Watch(shown.append, every=0))
    assert len(set(found.values())) == 1
    assert list(found) == ["a.wav", "b.wav", "no hash.wav"]
    assert shown[-1].done == shown[-1].total == 2 * path.stat().st_size
    assert shown[-1].unit == "bytes"


def test_what_changed_meanwhile_is_not_remembered(write: Any, steps: Any) -> None:
    files = [(name, write(name, steps(24)), sha * 32) for name, sha in (("moved.wav", "aa"), ("still.wav", "bb"))]
    with Cache(None) as cache:
        assert None not in flac_sizes(files, cache, QUIET, still="still.wav".__eq__).values()
        assert set(cache.everything(TABLE)) == {bytes.fromhex("bb" * 32)}


def test_what_could_not_be_read_today_is_tried_again(write: Any, steps: Any, tmp_path: Path) -> None:
    with Cache(None) as cache:
        assert counted(tmp_path / "a.wav", cache=cache, sha=SHA) == [None]
        path = write("a.wav", steps(24))
        assert counted(path, cache=cache, sha=SHA) != [None]


def test_stopped_in_the_middle_of_a_file(write: Any, steps: Any) -> None:
    long, short = write("long.wav", steps(16, 1, 900_000), subtype="PCM_16"), write("short.wav", steps(24))
    watch = Watch(lambda progress: watch.cancel() if progress.done else None, every=0)
    with Cache(None) as cache, pytest.raises(Cancelled):
        flac_sizes([("long.wav", long, SHA), ("short.wav", short, "cd" * 32)], cache, watch, workers=1)
    with Cache(None) as cache:
        last: list[Progress] = []
        watch = Watch(last.append, every=0)
        flac_sizes([("short.wav", short, "cd" * 32)], cache, watch)
        watch = Watch(lambda progress: watch.cancel() if progress.done else None, every=0)
        with pytest.raises(Cancelled):
            flac_sizes([("short.wav", short, "cd" * 32), ("long.wav", long, SHA)], cache, watch, workers=1)
        assert set(cache.everything(TABLE)) == {bytes.fromhex("cd" * 32)}, "what was counted stays, and no more"
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("flac")]


def test_an_interrupt_waits_for_no_long_file(write: Any, steps: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    files = [
        ("long.wav", write("long.wav", steps(16, 1, 4_000_000), subtype="PCM_16"), SHA),
        ("short.wav", write("short.wav", steps(16), subtype="PCM_16"), "cd" * 32),
    ]
    interrupted, real = threading.Event(), soundfile.SoundFile.read
    reads: list[str] = []
    reading = threading.local()

    def read(self: Any, *arguments: Any, **more: Any) -> Any:
        reading.name = Path(os.fsdecode(self.name)).name
        reads.append(reading.name)
        return real(self, *arguments, **more)

    monkeypatch.setattr(soundfile.SoundFile, "read", read)

    def show(progress: Progress) -> None:
        if getattr(reading, "name", "") == "long.wav" and progress.done:
            assert interrupted.wait(30)

    def still(path: str) -> bool:
        interrupted.set()
        raise KeyboardInterrupt

    with Cache(None) as cache, pytest.raises(KeyboardInterrupt):
        flac_sizes(files, cache, Watch(show, every=0), workers=2, still=still)
    assert 1 <= reads.count("long.wav") < 8, "of 16 blocks"


def test_progress_goes_on_within_a_file(write: Any, steps: Any) -> None:
    path = write("long.wav", steps(24, 2, 400_000))
    shown: list[Progress] = []
    with Cache(None) as cache:
        flac_sizes([("long.wav", path, "")], cache, Watch(shown.append, every=0))
    done = [progress.done for progress in shown]
    assert done == sorted(done)
    assert {131_072 * 6, 2 * 131_072 * 6, 3 * 131_072 * 6} < set(done), "6 bytes a frame, a block at a time"
    assert done[-1] == path.stat().st_size
