"""Large files stream: memory stays bounded whatever their size, and a disk that fills up harms nothing."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from companion.core.errors import CompanionError
from companion.history.history import History

MEASURE = """
import sys
from pathlib import Path
from companion.history.history import History
with History(Path(sys.argv[1])) as history:
    history.take("first")
    history.restore(1, into=Path(sys.argv[2]))
    assert history.verify().damaged == ()
    history.forget([])
peak = [line.split()[1] for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM")]
print(int(peak[0]) * 1024)
"""


def _peak(folder: Path, out: Path) -> int:
    done = subprocess.run([sys.executable, "-c", MEASURE, str(folder), str(out)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


# The peak is read from /proc: what getrusage tells of a child begins with the size of the process that started it.
pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc and mounts a tmpfs")


def _sample(path: Path, size: int) -> None:
    """A sparse sample with something in it at the start, in the middle and at the end."""
    with path.open("wb") as stream:
        for at in (0, size // 2, size - 1_000_000):
            stream.seek(at)
            stream.write(os.urandom(1_000_000))


@pytest.mark.slow
def test_a_sample_of_300_mb_takes_little_memory(folder: Path, tmp_path: Path) -> None:
    for number in range(6):  # of the size that is still handled whole, on every thread at once
        (folder / f"whole{number}.wav").write_bytes(os.urandom((8 << 20) - number))
    _sample(folder / "long.wav", 300_000_000)
    _sample(folder / "other.wav", 300_000_001)
    peak = _peak(folder, tmp_path / "out")
    print(f"\npeak memory with two samples of 300 MB: {peak / 1e6:.0f} MB (at most 150)")
    assert peak < 150_000_000
    assert subprocess.run(["cmp", folder / "long.wav", tmp_path / "out" / "long.wav"]).returncode == 0


@pytest.mark.slow
def test_a_sample_of_five_gigabytes(folder: Path, tmp_path: Path) -> None:
    """Sizes and offsets over 32 bits, and git's own tools read the result."""
    _sample(folder / "long.wav", 5_000_000_000)
    peak = _peak(folder, tmp_path / "out")
    print(f"\npeak memory with a sample of 5 GB: {peak / 1e6:.0f} MB (at most 150)")
    assert peak < 150_000_000
    assert subprocess.run(["cmp", folder / "long.wav", tmp_path / "out" / "long.wav"]).returncode == 0
    with History(folder) as history:
        kept = history.files(1)["long.wav"]
    assert kept.size == 5_000_000_000
    place = folder / ".companion/history.git"
    size = subprocess.run(["git", "-C", place, "cat-file", "-s", kept.blob], capture_output=True, text=True, check=True)
    assert int(size.stdout) == 5_000_000_000
    assert not subprocess.run(["git", "-C", place, "fsck", "--full"], capture_output=True, check=True).stdout


@pytest.mark.slow
def test_thirty_thousand_files(folder: Path, tmp_path: Path, fsck: Callable[[Path], None]) -> None:
    """Taken, brought back over what changed and elsewhere, and compared byte for byte."""
    chance, contents = random.Random(5), dict[str, bytes]()
    for number in range(30_000):
        path = f"Samples/{number % 60:02}/{chance.choice('abc')}/take {number:05}.wav"
        contents[path] = chance.randbytes(chance.randrange(0, 3000))
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(contents[path])
    with History(folder) as history:
        taken = history.take("first")
        assert (taken.files, taken.left_out, taken.changed_while_read) == (30_008, (), ())
        for number, path in enumerate(contents):
            if number % 100 == 0:
                (folder / path).write_bytes(b"another")
            elif number % 100 == 1:
                (folder / path).unlink()
        assert len(history.compare(1).changed) == len(history.compare(1).removed) == 300
        done = history.restore(1)
        assert (len(done.written), done.failed) == (600, ())
        assert len(history.restore(1, into=tmp_path / "out").written) == 30_008
        assert history.verify().whole
    for place in (folder, tmp_path / "out"):
        wrong = [path for path, content in contents.items() if (place / path).read_bytes() != content]
        assert not wrong, wrong[:3]
    fsck(folder)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A real file system of 3 MB; skipped where this process may not mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "none", str(place)], capture_output=True)
    if done.returncode:
        pytest.skip("no right to mount a tmpfs here")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def _full(error: CompanionError) -> int:
    assert "No space left" in error.what
    assert "free some space" in error.do
    return 1


@pytest.mark.campaign
def test_a_disk_that_fills_up_harms_nothing(small_disk: Path, fsck: Callable[[Path], None]) -> None:
    """Ten passes of random content until nothing fits any more; then everything is read back."""
    chance, full, taken = random.Random(3), 0, {}
    folder = small_disk / "w"
    folder.mkdir()
    for _ in range(10):
        for step in range(30):
            content = chance.randbytes(chance.randrange(1000, 300_000))
            try:
                (folder / "sample.wav").write_bytes(content)
            except OSError:
                (folder / "sample.wav").unlink()
                break
            with History(folder) as history:
                try:
                    taken[history.take(f"n{step}").number] = content
                except CompanionError as error:
                    full += _full(error)
        with History(folder) as history:
            assert history.verify().damaged == ()
            listed = [one.number for one in history.snapshots()]
            assert sorted(taken) == sorted(listed)
            for number in listed:
                assert history.read(number, "sample.wav") == taken[number]
            (folder / "sample.wav").write_bytes(b"small")
            for number in listed[2:]:
                try:
                    history.forget([number])
                    del taken[number]
                except CompanionError as error:
                    full += _full(error)
    fsck(folder)
    print(f"\nthe disk was full {full} times")
    assert full > 10
