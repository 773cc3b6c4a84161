"""What is heard of a sight: the place a finding is about, a seam, a part in view, and what it is compared with."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from companion.core.errors import CompanionError
from companion.core.findings import WARNS, At, Finding
from companion.steps.drawn.asked import asked_hearing
from companion.steps.drawn.heard import part_of
from companion.steps.drawn.sights import Sights
from companion.steps.drawn.which import Sight
from companion.workshop import Workshop, copy_demo

STRUCK = "Samples/Struck/struck_C3_v110_rr1.wav"
OTHER = "Samples/Struck/struck_C4_v110_rr1.wav"
SEAM = "Samples/Hummed/hummed_E3_v80_rr1.wav"
RATE = 48_000


def at(start: int, end: int, rate: int | None = RATE) -> Finding:
    return Finding(rule="click-inside", severity=WARNS, path="a.wav", at=At(frames=(start, end), rate=rate))


@pytest.mark.parametrize(
    ("finding", "part"),
    [
        (None, (0, 0)),
        (at(2 * RATE, 2 * RATE + 1), (1.5, 1.0)),  # a second around it
        (at(0, 1), (0, 0.625)),  # nothing lies before the beginning
        (at(RATE, 3 * RATE), (0.75, 2.5)),  # a longer fault, with a margin
        (at(RATE, 60 * RATE), (0.75, 10.0)),  # of a very long one the beginning
        (at(100, 50), (0, 0.627)),
        (at(RATE, RATE + 1, None), (0, 0)),
        (at(RATE, RATE + 1, 0), (0, 0)),
        (at(-5, 10), (0, 0)),
    ],
)
def test_a_place_is_heard_with_a_second_around_it(finding: Finding | None, part: tuple[float, float]) -> None:
    assert part_of(finding) == pytest.approx(part, abs=1e-3)


def test_what_is_in_view_is_heard_but_at_least_a_second() -> None:
    finding = at(2 * RATE, 2 * RATE + 1)
    assert part_of(finding, 4 * RATE, 4 * RATE + 16, RATE) == pytest.approx((3.5, 1.0), abs=1e-3)
    assert part_of(finding, 0, 30 * RATE, RATE) == (0, 30.0)
    assert part_of(None, 100, 200, 0) == (0.0, 0.0)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Workshop]:
    """The demo, its sounds looked at, two snapshots: before one file was changed, and after another was."""
    folder = tmp_path_factory.mktemp("heard") / "slate"
    copy_demo(folder)
    for path in folder.glob("Samples/*/*.wav"):
        if path.relative_to(folder).as_posix() not in (STRUCK, OTHER, SEAM):
            path.unlink()
    one = Workshop.open(folder)
    one.check(["sound"])
    one.snapshot("as it came")
    shutil.copyfile(folder / OTHER, folder / STRUCK)
    one.snapshot("another recording")
    (folder / "note.txt").write_text("x", encoding="utf-8")
    one.snapshot("a note")
    one.check(["sound"])
    yield one
    one.close()


@pytest.fixture
def sights(shop: Workshop) -> Iterator[Sights]:
    with shop.sights() as opened:
        yield opened


def test_a_file_is_heard_whole_and_as_it_was_before(sights: Sights, shop: Workshop) -> None:
    now, before = sights.hearing(Sight(path=STRUCK)).takes
    assert (now.path, now.name, now.start_s, now.seconds) == (os.fsencode(shop.folder / STRUCK), STRUCK, 0, 0)
    assert before.name == f"{STRUCK}, as in snapshot 1", "the newest in which it was otherwise"
    kept = Path(os.fsdecode(before.path))
    assert kept.read_bytes() != (shop.folder / STRUCK).read_bytes()
    assert not kept.is_relative_to(shop.folder)
    sights.close()
    assert not kept.exists()


def test_a_file_that_never_changed_has_nothing_beside_it(sights: Sights) -> None:
    assert len(sights.hearing(Sight(path=OTHER)).takes) == 1


def test_takes_are_compared_in_order_and_only_sounds(sights: Sights) -> None:
    takes = sights.hearing(Sight(path=OTHER), (OTHER, SEAM, "Slate Choir.eeng", "gone.wav", SEAM)).takes
    assert [take.name for take in takes] == [OTHER, SEAM]


def test_what_a_finding_names_is_heard_beside_it(sights: Sights) -> None:
    finding = Finding(rule="duplicate", severity=WARNS, path=OTHER, at=At(others=(SEAM, STRUCK)))
    assert [take.name for take in sights.hearing(Sight(finding=finding, path=OTHER)).takes] == [OTHER, SEAM]
    other = Finding(rule="level-step", severity=WARNS, path=OTHER, at=At(others=(SEAM,)))
    assert [take.name for take in sights.hearing(Sight(finding=other, path=OTHER)).takes] == [OTHER]


def test_a_seam_goes_over_and_over(sights: Sights) -> None:
    found = sights.hearing(Sight(path=SEAM, kind="seam"))
    assert found.again
    assert found.takes[0].seam
    assert not sights.hearing(Sight(path=SEAM, kind="waveform")).again
    finding = next(one for one in sights.findings(SEAM) if one.rule == "loop-seam")
    assert sights.hearing(Sight(finding=finding, path=SEAM)).takes[0].seam == found.takes[0].seam


@pytest.mark.parametrize(
    ("sight", "says"),
    [
        (Sight(), "no file under the cursor"),
        (Sight(path="Slate Choir.eeng"), "no sound file"),
        (Sight(path="gone.wav"), "no such file"),
        (Sight(path=OTHER, kind="seam"), "no loop"),
        (Sight(kind="bounce"), "No bounce"),
    ],
)
def test_what_cannot_be_heard_is_one_line(sights: Sights, sight: Sight, says: str) -> None:
    with pytest.raises(CompanionError, match=says):
        sights.hearing(sight)


# -- in words --------------------------------------------------------------------------------------------------------


def test_a_part_a_loop_and_a_snapshot_are_asked_for_by_words(sights: Sights) -> None:
    part = asked_hearing(sights, OTHER, start=0.25, seconds=0.5)
    assert (part.takes[0].start_s, part.takes[0].seconds, part.again) == (0.25, 0.5, False)
    assert asked_hearing(sights, OTHER, seconds=0.5, loop=True).again
    assert asked_hearing(sights, OTHER, seconds=0.5, loop=True).takes[0].seam is None
    assert asked_hearing(sights, SEAM, loop=True).takes[0].seam
    assert asked_hearing(sights, SEAM, start=0.1, loop=True).takes[0].seam is None
    before = asked_hearing(sights, STRUCK, snapshot=1)
    assert [take.name for take in before.takes] == [f"{STRUCK}, as in snapshot 1"]
    same = asked_hearing(sights, STRUCK, snapshot=2)
    assert Path(os.fsdecode(same.takes[0].path)).read_bytes() == (sights.desk.folder / STRUCK).read_bytes()


def test_what_a_rule_found_is_heard(sights: Sights) -> None:
    found = asked_hearing(sights, SEAM, "loop-seam")
    assert (found.again, bool(found.takes[0].seam)) == (True, True)
    with pytest.raises(CompanionError, match="No finding of “clipped”"):
        asked_hearing(sights, SEAM, "clipped")


@pytest.mark.parametrize("snapshot", [0, 99])
def test_a_snapshot_there_is_none_of_is_one_line(sights: Sights, snapshot: int) -> None:
    with pytest.raises(CompanionError):
        asked_hearing(sights, STRUCK, snapshot=snapshot)
