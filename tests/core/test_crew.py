"""Threads that share one list of work: everything is done once, and the first error ends it."""

from __future__ import annotations

import collections
import os
import threading
from collections.abc import Iterator

import pytest

from companion.core import crew


@pytest.mark.parametrize("threads", [0, 1, 4])
def test_each_item_is_handed_out_once_and_in_order(threads: int) -> None:
    by_thread: dict[str, list[int]] = {}

    def work(given: Iterator[int]) -> None:
        mine = by_thread[threading.current_thread().name] = list[int]()
        for item in given:
            mine.append(item)

    crew.share(range(1000), work, threads, "test")
    assert sorted(item for mine in by_thread.values() for item in mine) == list(range(1000))
    assert all(mine == sorted(mine) for mine in by_thread.values())
    assert len(by_thread) == max(1, threads)


def test_the_threads_work_at_once() -> None:
    met = threading.Barrier(3, timeout=10)
    crew.share(range(3), lambda given: collections.deque((met.wait() for _ in given), maxlen=0).clear(), 3, "test")
    assert not met.broken


def test_the_first_error_stops_the_handing_out_and_is_raised_when_all_have_ended() -> None:
    done: list[int] = []
    failed = threading.Event()

    def work(given: Iterator[int]) -> None:
        for item in given:
            if item == 1:
                failed.set()
                raise ValueError("the second")
            if item == 0:
                assert failed.wait(10)
            done.append(item)

    with pytest.raises(ValueError, match="the second"):
        crew.share(range(100), work, 2, "test")
    assert 0 in done, "what was begun is ended"
    assert len(done) < 99
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("test-")]


@pytest.mark.parametrize(("there", "used"), [(None, 1), (1, 1), (2, 2), (64, crew.MOST)])
def test_a_thread_for_each_processor_up_to_a_few(monkeypatch: pytest.MonkeyPatch, there: int | None, used: int) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: there)
    assert crew.processors() == used


def test_an_error_of_the_list_itself_is_raised() -> None:
    def broken() -> Iterator[int]:
        yield 1
        raise OSError("the list ends badly")

    with pytest.raises(OSError, match="ends badly"):
        crew.share(broken(), lambda given: collections.deque(given, maxlen=0).clear(), 2, "test")
