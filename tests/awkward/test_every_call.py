"""The Nth call to the system fails, for N = 1, 2, 3 … until a run is not hit, in every command that writes."""

from __future__ import annotations

import errno
import os
import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.cli.modules import NAMES
from tests.awkward.test_pack_faults import FULL, RELEASE, UPDATE
from tests.awkward.writing import READS, WRITES, live_in, prepare

CALLS = ("write", "fsync", "replace", "open", "mkdir", "unlink", "rename", "link")
ERRORS = (errno.ENOSPC, errno.EIO)


class Layer:
    """Stands between the code and the system and makes the Nth call of one kind that writes fail."""

    def __init__(self, root: Path) -> None:
        self.root, self.count, self.at, self.code, self.hit = str(root), 0, 0, errno.EIO, False

    def arm(self, call: str, at: int, code: int, patch: pytest.MonkeyPatch) -> None:
        self.count, self.at, self.code, self.hit = 0, at, code, False
        patch.setattr(os, call, self._asking(getattr(os, call)))

    def _asking(self, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any, **named: Any) -> Any:
            if self._ours(arguments, named):
                self.count += 1
                if self.count == self.at:
                    self.hit = True
                    raise OSError(self.code, os.strerror(self.code), *arguments[:1])
            return real(*arguments, **named)

        return call

    def _ours(self, arguments: tuple[Any, ...], named: dict[str, Any]) -> bool:
        """Only what concerns the folder under test, and of opening only what writes: reading costs that file alone."""
        first = arguments[0] if arguments else ""
        if len(arguments) > 1 and isinstance(arguments[1], int) and not isinstance(first, int):
            if not arguments[1] & (os.O_WRONLY | os.O_RDWR):
                return False
            if os.fspath(first).endswith(".lock"):
                return False  # what locks is not ours, and opens again by itself
        inside = isinstance(first, int) or any(value is not None for name, value in named.items() if "dir_fd" in name)
        return inside or self.root in os.fspath(first)


@pytest.fixture
def lived_in(instrument: Path, companion: Any, standin: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder in which everything was written once, changed since, in a place of its own."""
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    return live_in(instrument, companion, standin)


def test_no_command_that_writes_is_forgotten_here() -> None:
    """A new command is tried here, or is said to write nothing."""
    writes = {one.arguments[0] for one in WRITES.values()}
    assert writes | READS == NAMES.keys()
    assert not writes & READS
    assert {"pack", "release"} == {FULL[0], UPDATE[0], RELEASE[0]}, "each of their calls fails in tests of their own"


def _everything(place: Path, makers: Any) -> dict[str, Any]:
    """What is a maker's in the folder and in the one that adopts."""
    found = {f"{name}/{path}": one for name in ("Slate Choir", "fresh") for path, one in makers(place / name).items()}
    return {path: one for path, one in found.items() if not path.endswith(".part")}


def _campaign(
    verb: str, lived_in: Path, tmp_path: Path, companion: Any, makers: Any, fsck: Any, calls: tuple[str, ...], step: int
) -> Counter[str]:
    counts = Counter[str]()
    kept, work = lived_in.parent, tmp_path / "work"

    def anew() -> Path:
        shutil.rmtree(work, ignore_errors=True)
        shutil.copytree(kept, work, symlinks=True)
        prepare(verb, work / lived_in.name, companion)
        return work / lived_in.name

    folder = anew()
    before = _everything(work, makers)
    done = companion(*WRITES[verb].on(folder))
    assert done.code in WRITES[verb].codes, done
    after = _everything(work, makers)
    companion(*WRITES[verb].on(folder))
    twice = _everything(work, makers)  # a text may tell how many files there are, itself among them
    for call in calls:
        for at in range(1, 300, step):
            folder, layer = anew(), Layer(work)
            with pytest.MonkeyPatch.context() as patch:
                layer.arm(call, at, ERRORS[at % 2], patch)
                result = companion(*WRITES[verb].on(folder))
            if not layer.hit:
                break
            counts[call] += 1
            told = f"{verb}: {call} {at}: {result}"
            assert result.code in (0, 1, 2), told
            assert "Traceback" not in result.err, told
            assert result.code != 2 or len(result.err.splitlines()) == 1 or "not restored" in result.out, told
            found = _everything(work, makers)
            for path in before.keys() | after.keys() | found.keys():
                assert found.get(path) in (before.get(path), after.get(path)), f"{told}: {path}"
            again = companion(*WRITES[verb].on(folder))
            if again.code not in WRITES[verb].codes:  # it was done after all, and says so
                assert again.code == 2, told
                assert found == after, told
            assert _everything(work, makers) in (after, twice), told
            for place in (folder, *((work / "fresh",) if verb == "adopt" else ())):
                assert companion("snapshots", place, "--verify").code == 0, told
                fsck(place)
            if verb.startswith("mirror"):
                target = WRITES[verb].on(folder)[2]
                assert companion("snapshots", target, "--verify").code == 0, told
            left = [path.name for path in work.rglob("*.part") if "cache" not in path.name]
            assert not left or call == "unlink", told
        else:
            pytest.fail(f"{verb}: more calls of {call} than were thought possible")
    return counts


@pytest.mark.parametrize("verb", ["waive", "mirror again", "adopt"])
def test_a_failure_leaves_the_old_state_or_the_new_one(
    verb: str, lived_in: Path, tmp_path: Path, companion: Any, makers: Any, fsck: Any
) -> None:
    counts = _campaign(verb, lived_in, tmp_path, companion, makers, fsck, ("replace", "fsync"), 3)
    assert counts.total() >= 2, "a layer that never fails anything proves nothing"


@pytest.mark.campaign
@pytest.mark.parametrize("verb", [name for name in WRITES if name not in ("pack", "release")])
def test_every_call_of_every_command_that_writes(
    verb: str, lived_in: Path, tmp_path: Path, companion: Any, makers: Any, fsck: Any
) -> None:
    counts = _campaign(verb, lived_in, tmp_path, companion, makers, fsck, CALLS, 1)
    print(f"\n{verb}: {counts.total()} failures: {dict(counts)}")
    assert counts.total() >= 1
