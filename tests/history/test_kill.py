"""kill -9 at random points: the old history or the new one, every earlier snapshot whole, nothing in the way."""

from __future__ import annotations

import hashlib
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.history.history import History

WORKER = """
import hashlib, sys
from pathlib import Path
from companion.core.errors import CompanionError
from companion.core import census
from companion.history.history import History

census.PAUSE_NS = 0  # the kills are for the writes, not for the wait before a file just written is read once more
folder, log, step = Path(sys.argv[1]), open(sys.argv[2], "a", buffering=1), int(sys.argv[3])
history = History(folder)

def content(step, name):
    return hashlib.sha256(f"{step} {name}".encode()).digest() * (20 + step % 7 * 300)

print("ready", flush=True)
while True:
    step += 1
    log.write(f"change {step}\\n")
    for name in range(12):
        path = folder / "Samples" / f"{name}.wav"
        if (name + step) % 3 == 0 or not path.exists():
            path.write_bytes(content(step, name))
    made = {p.name: hashlib.sha1(p.read_bytes()).hexdigest() for p in sorted((folder / "Samples").iterdir())}
    mark = hashlib.sha1(repr(made).encode()).hexdigest()
    log.write(f"take {step} {mark}\\n")
    number = history.take(mark).number
    log.write(f"taken {number}\\n")
    numbers = [one.number for one in history.snapshots() if one.kind == "asked"]
    if step % 3 == 0 and len(numbers) > 2:
        chosen = numbers[step % len(numbers)]
        log.write(f"restore {chosen}\\n")
        history.restore(chosen)
    if len(numbers) > 3:
        gone = numbers[1:-1:2]
        log.write(f"forget {gone}\\n")
        history.forget(gone)
"""


def _mark(folder: Path) -> str:
    samples = folder / "Samples"
    made = {path.name: hashlib.sha1(path.read_bytes()).hexdigest() for path in sorted(samples.iterdir())}
    return hashlib.sha1(repr(made).encode()).hexdigest()


def _campaign(tmp_path: Path, kills: int, seed: int, fsck: Callable[[Path], None], *, every: bool) -> Counter[str]:
    folder, log, script = tmp_path / "w", tmp_path / "log", tmp_path / "worker.py"
    (folder / "Samples").mkdir(parents=True)
    script.write_text(WORKER, "utf-8")
    chance, counts = random.Random(seed), Counter[str]()
    for kill in range(kills):
        child = subprocess.Popen(
            [sys.executable, str(script), str(folder), str(log), str(kill * 1000)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert child.stdout is not None
        assert child.stdout.readline() == b"ready\n", child.stderr.read() if child.stderr else ""
        # A kill may come before the first change, in any write after it, or while nothing is done at all; a restore and
        # a forget are short beside the rest, so every other kill waits for one of those.
        if aim := ("", "restore", "", "forget")[kill % 4]:
            _wait_for(log, aim)
            time.sleep(chance.uniform(0, 0.02))
        else:
            time.sleep(chance.uniform(0, 0.4))
        child.kill()
        _, said = child.communicate()
        assert not said, said.decode()
        last = log.read_text("utf-8").splitlines()[-1].split() if log.exists() else ["nothing"]
        counts[last[0]] += 1
        _check(folder, last, tmp_path / "out", kill, fsck if kill % 5 == 4 else None, every)
    return counts


def _wait_for(log: Path, what: str) -> None:
    """Wait until a run begins something, as its log tells."""
    begun, until = len(_begun(log, what)), time.monotonic() + 20
    while len(_begun(log, what)) == begun and time.monotonic() < until:
        time.sleep(0.0005)


def _begun(log: Path, what: str) -> list[str]:
    return [line for line in log.read_text("utf-8").splitlines() if line.startswith(what)] if log.exists() else []


def _check(
    folder: Path, last: list[str], out: Path, kill: int, fsck: Callable[[Path], None] | None, every: bool
) -> None:
    with History(folder) as history:
        before = {one.number: one for one in history.snapshots()}
        recovered = history.recover()
        if recovered:
            assert recovered.failed == ()
            assert _mark(folder) == history.snapshot(recovered.number).label, "the restore was finished"
        elif last[0] == "restore":
            assert _mark(folder) in {one.label for one in before.values()}, "it had not begun, or was done"
        assert history.verify().damaged == ()
        asked = [number for number, snapshot in sorted(before.items()) if snapshot.kind == "asked"]
        for number in asked if every else {*asked[:1], *asked[-1:]}:
            snapshot = before[number]
            place = out / f"{kill}-{number}"
            history.restore(number, into=place)
            assert _mark(place) == snapshot.label, "an earlier snapshot restores byte for byte"
        assert history.take("after the kill").number >= max(before, default=0), "nothing stands in the way"
        numbers = [one.number for one in history.snapshots()]
        assert len(numbers) == len(set(numbers))
        history.forget([one.number for one in history.snapshots() if len(one.label) != 40])
        if len(numbers) > 12:
            history.forget([one.number for one in history.snapshots()[6:]])
    if fsck:
        fsck(folder)


def test_twenty_kills(tmp_path: Path, fsck: Callable[[Path], None]) -> None:
    counts = _campaign(tmp_path, 20, 1, fsck, every=False)
    assert counts["take"] >= 3, counts


@pytest.mark.campaign
def test_two_hundred_kills(tmp_path: Path, fsck: Callable[[Path], None]) -> None:
    counts: Any = _campaign(tmp_path, 200, 2, fsck, every=True)
    print(f"\n200 kills, while: {dict(counts)}")
    assert min(counts["take"], counts["restore"], counts["forget"]) >= 10
