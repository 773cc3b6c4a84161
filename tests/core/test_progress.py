"""Progress: true rates, an honest end, and a stop that is obeyed at the next step."""

from __future__ import annotations

import threading

import pytest

from companion.core import progress as module
from companion.core.errors import Cancelled
from companion.core.progress import QUIET, Progress, Watch


class Clock:
    """A clock that the test turns."""

    def __init__(self) -> None:
        self.now = 1000.0

    def monotonic(self) -> float:
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(module, "time", clock)
    return clock


def progress(done: int, total: int, seconds: float, unit: str = "files", note: str = "") -> Progress:
    return Progress(what="Measuring", done=done, total=total, unit=unit, seconds=seconds, note=note)


def test_the_time_left_is_that_at_the_rate_so_far() -> None:
    assert progress(25, 100, 10).seconds_left == pytest.approx(30)
    assert progress(100, 100, 10).seconds_left == 0
    assert progress(120, 100, 10).seconds_left == 0, "more came than was counted on"


@pytest.mark.parametrize("one", [progress(0, 100, 10), progress(5, 0, 10), progress(5, 100, 0.4)])
def test_nothing_is_said_of_the_time_left_while_nothing_can_be(one: Progress) -> None:
    assert one.seconds_left is None
    assert "left" not in one.line


def test_the_fraction_stays_between_none_and_all() -> None:
    assert [progress(n, 100, 1).fraction for n in (0, 25, 100, 120)] == [0, 0.25, 1, 1]
    assert progress(5, 0, 1).fraction == 0


@pytest.mark.parametrize(
    ("one", "line"),
    [
        (progress(0, 0, 0), "Measuring: 0 files"),
        (progress(1234, 20000, 2), "Measuring: 1,234 of 20,000 files, 617 files/s, 30 s left"),
        (progress(1234, 0, 2), "Measuring: 1,234 files, 617 files/s"),
        (
            progress(10**9, 4 * 10**9, 10, "bytes"),
            "Measuring: 1.00 GB of 4.00 GB, 100 MB/s, 30 s left",
        ),
        (
            progress(50, 100, 10, "samples", "410 × real time"),
            "Measuring: 50 of 100 samples, 5 samples/s, 410 × real time, 10 s left",
        ),
    ],
)
def test_the_line(one: Progress, line: str) -> None:
    assert one.line == line


def test_what_is_shown_is_what_was_counted(clock: Clock) -> None:
    seen: list[Progress] = []
    watch = Watch(seen.append, every=0.1)
    watch.stage("Hashing", 10, "files")
    for _ in range(10):
        clock.now += 0.06
        watch.step(note="fast")
    assert [(one.done, round(one.seconds, 2)) for one in seen] == [
        (0, 0.0),
        (2, 0.12),
        (4, 0.24),
        (6, 0.36),
        (8, 0.48),
        (10, 0.6),
    ]
    assert seen[-1].fraction == 1
    assert seen[-1].note == "fast"
    assert {(one.what, one.total, one.unit) for one in seen} == {("Hashing", 10, "files")}


def test_the_first_is_shown_also_where_the_clock_began_just_now(clock: Clock) -> None:
    clock.now = 0.0
    seen: list[Progress] = []
    Watch(seen.append).stage("Hashing", 10)
    assert [one.done for one in seen] == [0]


def test_the_end_of_a_stage_is_shown_however_soon(clock: Clock) -> None:
    seen: list[Progress] = []
    watch = Watch(seen.append)
    watch.stage("Hashing", 3)
    for _ in range(3):
        watch.step()
    assert [one.done for one in seen] == [0, 3]


def test_a_new_stage_counts_and_times_anew(clock: Clock) -> None:
    seen: list[Progress] = []
    watch = Watch(seen.append)
    watch.stage("Hashing", 2)
    watch.step(2, "fast")
    clock.now += 60
    watch.stage("Measuring", 5, "samples")
    assert (seen[-1].what, seen[-1].done, seen[-1].total, seen[-1].unit) == ("Measuring", 0, 5, "samples")
    assert (seen[-1].seconds, seen[-1].note) == (0, "")


def test_a_stop_is_obeyed_at_the_next_step_check_or_stage() -> None:
    watch = Watch()
    watch.stage("Hashing", 2)
    watch.step()
    before = watch.cancelled
    watch.cancel()
    assert (before, watch.cancelled) == (False, True)
    for go_on in (watch.step, watch.check, lambda: watch.stage("Next")):
        with pytest.raises(Cancelled):
            go_on()


def test_after_a_stop_nothing_more_is_counted_or_shown() -> None:
    seen: list[Progress] = []
    watch = Watch(seen.append, every=0)
    watch.stage("Hashing", 2)
    watch.cancel()
    with pytest.raises(Cancelled):
        watch.step()
    assert [one.done for one in seen] == [0]


def test_a_stop_from_another_thread_ends_work_that_knows_nothing_of_it() -> None:
    watch, started = Watch(), threading.Event()
    ended: list[bool] = []

    def work() -> None:
        try:
            while True:
                watch.step()
                started.set()
        except Cancelled:
            ended.append(True)

    thread = threading.Thread(target=work)
    thread.start()
    assert started.wait(10)
    watch.cancel()
    thread.join(10)
    assert ended == [True]


def test_steps_of_many_threads_are_all_counted() -> None:
    seen: list[Progress] = []
    watch = Watch(seen.append, every=3600)
    watch.stage("Hashing", 4 * 500)

    def work() -> None:
        for _ in range(500):
            watch.step()

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert seen[-1].done == 2000
    assert len(seen) == 2, "shown at the start and the end, and no oftener than asked"


def test_the_quiet_watch_says_nothing_and_goes_on() -> None:
    QUIET.stage("x", 1)
    QUIET.step(5)
    assert not QUIET.cancelled
