"""Rot in any file of a history or of a mirror: never called whole where it is not, and nothing else lost by it."""

from __future__ import annotations

import os
import random
import shutil
from collections import Counter
from pathlib import Path

import pytest

from companion.core.errors import CompanionError
from companion.history.history import History
from tests.history.test_names import SAMPLE, three

WORTHLESS = ("listing", "doubted")
"""What is made anew or passed over where it is damaged: nothing is lost with it, so that all is whole without it."""


def rot(path: Path, chance: random.Random) -> str:
    """Damage a file as disks, cables and other programs do; return how."""
    data = bytearray(path.read_bytes())
    how = chance.choice(("bit", "bit", "bit", "block", "cut", "emptied", "gone", "longer", "zeros at the end"))
    at = chance.randrange(len(data)) if data else 0
    if how == "gone":
        path.unlink()
        return how
    if how == "bit" and data:
        data[at] ^= 1 << chance.randrange(8)
    elif how == "block":
        data[at : at + 512] = chance.randbytes(len(data[at : at + 512]))
    elif how == "cut":
        data = data[: max(0, len(data) - chance.randrange(1, 200))]
    elif how == "emptied":
        data = bytearray()
    elif how == "longer":
        data += chance.randbytes(chance.randrange(1, 200))
    elif how == "zeros at the end":
        data[-64:] = bytes(len(data[-64:]))
    path.write_bytes(bytes(data))
    return how


def _files(place: Path) -> list[Path]:
    return sorted(path for path in place.rglob("*") if path.is_file() and path.suffix not in (".lock", ".holder"))


def _kind(path: Path) -> str:
    return path.suffix if path.suffix in (".pack", ".idx") else path.name


def _readable(folder: Path, contents: list[bytes]) -> int:
    """How many of the three snapshots are listed and give their sample back; fail for one that gives another."""
    found = 0
    with History(folder) as again:
        for number, content in enumerate(contents, 1):
            try:
                if again.read(number, SAMPLE) == content:
                    found += 1
                else:
                    pytest.fail(f"snapshot {number} gives back what was never kept")
            except CompanionError:
                pass
    return found


def _campaign(tmp_path: Path, folder: Path, trials: int, seed: int) -> Counter[str]:
    counts, chance = Counter[str](), random.Random(seed)
    with History(folder) as history:
        contents = three(folder, history)
        history.mirror(tmp_path / "copy.git")
    kept = {"history": tmp_path / "kept", "mirror": tmp_path / "kept.git"}
    shutil.copytree(folder, kept["history"], symlinks=True)
    shutil.copytree(tmp_path / "copy.git", kept["mirror"])
    for trial in range(trials):
        which = ("history", "mirror")[trial % 2]
        work = tmp_path / "work"
        shutil.rmtree(work, ignore_errors=True)
        shutil.copytree(kept[which], work, symlinks=True)
        place = work / ".companion/history.git" if which == "history" else work
        files = _files(place)
        victim = files[trial // 2 % len(files)]
        before = victim.read_bytes()
        how = rot(victim, chance)
        changed = not victim.exists() or victim.read_bytes() != before
        with History(work) as again:
            try:
                found = again.verify()
                whole = found.whole and found.snapshots == 3
                assert found.whole <= (found.snapshots == 3), f"{which} {victim.name} {how}"
            except CompanionError:
                whole = False
        counts[f"{which}: {'called whole' if whole else 'told'}"] += 1
        counts[f"{_kind(victim)}"] += 1
        assert not (whole and changed) or victim.name in WORTHLESS, f"{which}: {victim.name}, {how}: called whole"
        if which == "history":
            _after_the_next_snapshot(work, contents, counts)
        else:
            _after_mirroring_again(kept["history"], work, contents, tmp_path, counts)
    return counts


def _after_the_next_snapshot(work: Path, contents: list[bytes], counts: Counter[str]) -> None:
    """The folder still holds the newest sample: that is kept anew, and nothing that could be read is lost by it."""
    readable = _readable(work, contents)
    with History(work) as again:
        (work / "more.txt").write_text("more", "utf-8")
        taken = again.take("next").number
        again.forget([taken])
    after = _readable(work, contents)
    assert after >= readable, "mending costs nothing"
    counts["snapshots still there"] += after
    counts["snapshots lost to the damage"] += 3 - after


def _after_mirroring_again(source: Path, work: Path, contents: list[bytes], out: Path, counts: Counter[str]) -> None:
    with History(source) as history:
        done = history.mirror(work)
    assert (done.broken, done.target) == ((), str(work))
    with History(work) as again:
        assert again.verify().whole
    fresh = out / "fresh"
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir()
    with History(fresh) as adopted:
        back = adopted.adopt(work)
    assert (back.snapshots, back.broken, back.problem) == (3, (), "")
    assert _readable(fresh, contents) == 3
    counts["mirrors mended"] += 1


def test_rot_in_every_file_of_a_history_and_a_mirror(folder: Path, tmp_path: Path, quick: None) -> None:
    counts = _campaign(tmp_path, folder, 44, 1)
    assert counts["mirrors mended"] == 22
    assert counts[".pack"] >= 8
    assert counts["packed-refs"] >= 2


@pytest.mark.campaign
def test_five_hundred_rot_trials(folder: Path, tmp_path: Path, quick: None) -> None:
    counts = _campaign(tmp_path, folder, int(os.environ.get("COMPANION_RUNS", "500")), 2)
    print(f"\nrot: {dict(counts)}")
