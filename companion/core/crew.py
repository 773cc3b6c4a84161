"""A few threads that share one list of work, the caller's own among them."""

import os
import threading
from collections.abc import Callable, Iterable, Iterator
from typing import Final, TypeVar

T = TypeVar("T")

MOST: Final = 4
"""More threads than this wait for the disk and for one another."""


def processors() -> int:
    """Return how many threads are worth starting for work that a processor and a disk share: 1 to ``MOST``."""
    return min(os.cpu_count() or 1, MOST)


def share(items: Iterable[T], work: Callable[[Iterator[T]], None], threads: int, name: str) -> None:
    """Run ``work`` in ``threads`` threads at once; each takes its items, in order, from one iterator.

    The first error stops the handing out, and is raised once every thread has ended with the item it has.
    """
    waiting = iter(items)
    lock = threading.Lock()
    failures: list[BaseException] = []

    def handed_out() -> Iterator[T]:
        while not failures:
            with lock:
                try:
                    item = next(waiting)
                except StopIteration:
                    return
            yield item

    def run() -> None:
        try:
            work(handed_out())
        except BaseException as error:
            failures.append(error)

    crew = [threading.Thread(target=run, name=f"{name}-{number}") for number in range(1, threads)]
    for thread in crew:
        thread.start()
    run()
    for thread in crew:
        thread.join()
    if failures:
        raise failures[0]
