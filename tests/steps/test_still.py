"""Evidence is for exactly the content that was hashed, even when a file changes between hashing and measuring."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import companion.sound.measures.batch as measuring
from companion.core.errors import Cancelled, CompanionError
from companion.core.progress import Watch
from companion.steps.desk import CHANGES
from companion.steps.model import State
from companion.steps.table import BY_ID
from companion.workshop import Workshop

SAMPLE = "Samples/Struck/struck_C4_v40_rr1.wav"


@pytest.fixture
def mended(demo_folder: Path, mend_demo: Callable[..., None]) -> Path:
    mend_demo(demo_folder)
    return demo_folder


def silenced(path: Path, frames: int = 1000) -> None:
    soundfile.write(path, np.zeros(frames, np.int16), 22_050)


def while_measuring(monkeypatch: pytest.MonkeyPatch, act: Callable[[], object], times: int) -> None:
    """Let ``act`` happen after the folder was hashed and before its sound is measured, the first ``times`` times."""
    real, left = measuring.measure_files, [times]

    def measure(*arguments: Any, **more: Any) -> Any:
        if left[0]:
            left[0] -= 1
            act()
        return real(*arguments, **more)

    monkeypatch.setattr(measuring, "measure_files", measure)


def test_what_was_measured_of_other_content_is_never_taken_for_the_good_sample(
    mended: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = mended / SAMPLE
    good = path.read_bytes()
    while_measuring(monkeypatch, lambda: silenced(path), 1)
    sound = Workshop.open(mended).check(("sound",)).step("sound")
    assert [f.path for f in sound.findings if f.rule == "silent"] == [SAMPLE], "judged as what it is now"
    path.write_bytes(good)
    assert Workshop.open(mended).status().step("sound").state is State.STALE
    assert Workshop.open(mended).check(("sound",)).step("sound").state is State.PROVEN


def test_a_bad_sample_is_never_proven_by_what_lay_there_for_a_moment(
    mended: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = mended / SAMPLE
    good = path.read_bytes()
    silenced(path)
    while_measuring(monkeypatch, lambda: path.write_bytes(good), 1)
    assert Workshop.open(mended).check(("sound",)).step("sound").state is State.PROVEN, "of the good one, by its hash"
    silenced(path)
    sound = Workshop.open(mended).check(("sound",)).step("sound")
    assert [f.path for f in sound.findings if f.rule == "silent"] == [SAMPLE]


def test_a_file_that_never_holds_still_costs_itself_and_blocks(mended: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    frames = iter(range(1000, 2000))
    while_measuring(monkeypatch, lambda: silenced(mended / SAMPLE, next(frames)), 99)
    sound = Workshop.open(mended).check(("sound",)).step("sound")
    assert [(f.rule, f.path, f.measured) for f in sound.findings if f.blocks] == [("file-unreadable", SAMPLE, CHANGES)]


def test_a_folder_in_which_everything_moves_is_refused_in_one_line(
    mended: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = iter(sorted(mended.glob("Samples/*/*.wav")))
    while_measuring(monkeypatch, lambda: silenced(next(paths)), 99)
    with pytest.raises(CompanionError, match="keeps changing while it is being checked"):
        Workshop.open(mended).check(("sound",))


@pytest.mark.parametrize(
    ("steps", "told"), [(("contents",), "nothing was changed"), (("contents", "sound"), "found until then is kept")]
)
def test_a_check_that_is_stopped_says_whether_anything_of_it_is_kept(
    mended: Path, steps: tuple[str, ...], told: str
) -> None:
    last = BY_ID[steps[-1]].title
    watch = Watch(lambda progress: watch.cancel() if progress.what == last else None)
    shop = Workshop.open(mended)
    with pytest.raises(Cancelled, match=told):
        shop.check(steps, watch)
    assert [step.state is State.PROVEN for step in (shop.status().step("contents"), shop.status().step("sound"))] == [
        len(steps) == 2,
        False,
    ]
    shop.close()
