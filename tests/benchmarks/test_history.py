"""The history against plain git, paired in one run. Run: pytest tests/benchmarks/test_history.py -m benchmark -n 0 -s.

Whole commands, Python's start included, on a generated library of 1 GB (24-bit stereo, 1,246 files); a quicker look:
``COMPANION_BENCH_BYTES=100000000``. Ratios of processor time are printed beside those of the clock, since a machine
that does other things meanwhile moves the one and hardly the other.
"""

from __future__ import annotations

import os
import resource
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import NamedTuple

import pytest
from git import Repo

from companion.history import listing
from companion.history.history import History
from companion.history.store import snapshot_list

pytestmark = pytest.mark.benchmark

BYTES = int(os.environ.get("COMPANION_BENCH_BYTES", "1000000000"))
FILES = 1246 if BYTES >= 500_000_000 else 250
ROUNDS = int(os.environ.get("COMPANION_BENCH_ROUNDS", "3"))
GIT = {
    **{name: value for name, value in os.environ.items() if not name.startswith("GIT_")},
    "GIT_CONFIG_GLOBAL": os.devnull,
    "GIT_CONFIG_NOSYSTEM": "1",
    "GIT_AUTHOR_NAME": "Bench",
    "GIT_AUTHOR_EMAIL": "bench@localhost",
    "GIT_COMMITTER_NAME": "Bench",
    "GIT_COMMITTER_EMAIL": "bench@localhost",
}
OURS = (
    "import sys; from pathlib import Path; from companion.history.history import History; "
    "h = History(Path(sys.argv[1])); "
)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, write_library: Callable[[Path, int, int], None]) -> Iterator[Path]:
    root = tmp_path_factory.mktemp("library")
    write_library(root / "library", BYTES, FILES)
    yield root
    shutil.rmtree(root)


class Spent(NamedTuple):
    clock: float
    processor: float


def spent(*command: str, cwd: Path) -> Spent:
    """Run one command on a quiet disk and return its seconds."""
    os.sync()
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(command, cwd=cwd, env=GIT, check=True, stdout=subprocess.DEVNULL)
    clock, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    return Spent(clock, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)


def ours(folder: Path, code: str) -> Spent:
    return spent(sys.executable, "-c", OURS + code, str(folder), cwd=folder)


def plain(folder: Path, command: str) -> Spent:
    return spent("sh", "-c", command, cwd=folder)


def told(what: str, pairs: list[tuple[Spent, Spent]], limit: float) -> float:
    """Print the median ratio of the pairs and return it."""
    clock = statistics.median(a.clock / b.clock for a, b in pairs)
    work = statistics.median(a.processor / b.processor for a, b in pairs)
    best = min(a.clock for a, _ in pairs), min(b.clock for _, b in pairs)
    print(
        f"\n{what}: {clock:.3f} of plain git's time (at most {limit}); {best[0]:.2f} s against {best[1]:.2f} s; "
        f"processor {work:.3f}"
    )
    return clock


def weight(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def fresh(made: Path, name: str) -> Path:
    shutil.rmtree(made / name, ignore_errors=True)
    shutil.copytree(made / "library", made / name)
    return made / name


def test_first_snapshot_and_disk(made: Path) -> None:
    pairs = []
    for _ in range(ROUNDS):
        git, us = fresh(made, "git"), fresh(made, "ours")
        spent("git", "init", "-q", cwd=git)
        pairs.append((ours(us, "h.take('first')"), plain(git, "git add -A && git commit -q -m first")))
    disk = weight(us / ".companion/history.git") / weight(git / ".git")
    print(
        f"\ndisk: {disk:.4f} of plain git's (at most 1.02); plain git: {weight(git / '.git') / BYTES:.3f} of the files"
    )
    ratio = told("first snapshot, synced", pairs, 0.15)
    assert disk <= 1.02
    assert ratio <= 0.15


def test_full_restore(made: Path) -> None:
    git, us = fresh(made, "git"), fresh(made, "ours")
    plain(git, "git init -q && git add -A && git commit -q -m first")
    ours(us, "h.take('first')")
    pairs = []
    for _ in range(ROUNDS):
        shutil.rmtree(git / "Samples")
        shutil.rmtree(us / "Samples")
        pairs.append((ours(us, "assert not h.restore(1).failed"), plain(git, "git checkout -q -f .")))
    ratio = told("full restore, synced", pairs, 0.35)
    for path in (made / "library").rglob("*.wav"):
        assert (us / path.relative_to(made / "library")).read_bytes() == path.read_bytes()
    assert ratio <= 0.35


def _touch_one_in_a_hundred(folder: Path, seed: int) -> None:
    for path in sorted(folder.rglob("*.wav"))[:: len(sorted(folder.rglob("*.wav"))) // 12]:
        data = bytearray(path.read_bytes())
        data[1000 : 1000 + 32] = seed.to_bytes(32, "little")
        path.write_bytes(data)


def _timed(act: Callable[[], object]) -> float:
    began = time.perf_counter()
    act()
    return time.perf_counter() - began


def test_second_snapshot_in_process(made: Path) -> None:
    git, us = fresh(made, "git"), fresh(made, "ours")
    plain(git, "git init -q && git add -A && git commit -q -m first")
    ratios, best = [], []
    with History(us) as history:
        history.take("first")
        time.sleep(2.5)
        history.take("settled")
        plain(git, "git update-index -q --refresh")
        for number in range(1, 6):
            _touch_one_in_a_hundred(git, number)
            _touch_one_in_a_hundred(us, number)
            os.sync()
            mine = _timed(partial(history.take, f"n{number}"))
            theirs = plain(git, f"git add -A && git commit -q -m n{number}").clock
            ratios.append(mine / theirs)
            best.append((mine, theirs))
    ratio = statistics.median(ratios)
    print(f"\nsecond snapshot, 1 % changed: {ratio:.3f} of plain git's time (at most 0.5); {min(best)[0]:.3f} s")
    assert ratio <= 0.5


def test_list_500_snapshots(tmp_path: Path) -> None:
    (tmp_path / "s").mkdir()
    with History(tmp_path) as history, pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _handle: None)
        for number in range(500):
            (tmp_path / "s" / "n.txt").write_text(str(number), "utf-8")
            history.take(f"snapshot {number}")
    asked = "import sys; from pathlib import Path; from companion.history.listing import snapshots; "
    mine = asked + "assert len(snapshots(Path(sys.argv[1]))) == 500"
    theirs = (
        "import sys, git; r = git.Repo(sys.argv[1] + '/.companion/history.git', expand_vars=False); "
        "assert len([(c.hexsha, c.message, c.committed_date) for c in r.iter_commits(all=True)]) == 500"
    )

    def run(*arguments: str) -> Spent:
        return spent(sys.executable, *arguments, str(tmp_path), cwd=tmp_path)

    rounds = [
        (run("-c", mine), run("-c", theirs), run("-c", "import pathlib"), run("-m", "companion", "snapshots"))
        for _ in range(15)
    ]
    ratio = told("list 500 snapshots, against GitPython's iter_commits", [one[:2] for one in rounds], 0.25)
    start, command = (statistics.median(one[at].clock / one[1].clock for one in rounds) for at in (2, 3))
    print(f"Python's start with pathlib alone: {start:.3f} of it; companion snapshots, click and all: {command:.3f}")
    inner = statistics.median(_timed(partial(_list_anew, tmp_path)) for _ in range(11))
    repository = Repo(tmp_path / ".companion/history.git", expand_vars=False)
    theirs_in = statistics.median(_timed(partial(_iterate, repository)) for _ in range(11))
    print(f"in one process, all imported: {inner / theirs_in:.3f} ({inner * 1e3:.1f} ms)")
    (tmp_path / ".companion/history.git" / snapshot_list.FILE).unlink()
    cold = statistics.median(_timed(partial(_list_anew, tmp_path)) for _ in range(11))
    print(f"the same with nothing remembered: {cold / theirs_in:.3f} ({cold * 1e3:.0f} ms)")
    assert ratio <= 0.25


def _list_anew(folder: Path) -> None:
    assert len(listing.snapshots(folder)) == 500


def _iterate(repository: Repo) -> None:
    assert len([(c.hexsha, c.message, c.committed_date) for c in repository.iter_commits(all=True)]) == 500


def _bare_walk(folder: Path) -> int:
    return sum(
        os.stat(os.path.join(place, name)).st_size  # noqa: PTH116, PTH118
        for place, _, names in os.walk(folder)
        for name in names
    )


def test_second_look_at_20_000_small_files(tmp_path: Path) -> None:
    """Not in the table: what a snapshot costs when nothing changed, against a bare walk that stats every file."""
    for number in range(20_000):
        path = tmp_path / f"d{number // 100:03d}" / f"{number:05d}.wav"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(number.to_bytes(4, "little") * 20)
    with History(tmp_path) as history:
        first = _timed(lambda: history.take("first"))
        time.sleep(2.5)
        history.take("settled")
        again = min(_timed(lambda: history.take("again")) for _ in range(3))
        bare = min(_timed(partial(_bare_walk, tmp_path)) for _ in range(3))
    print(f"\n20,000 files: first {first:.2f} s, again {again:.3f} s, {again / bare:.1f} × a bare walk ({bare:.3f} s)")
    assert again / bare < 8
