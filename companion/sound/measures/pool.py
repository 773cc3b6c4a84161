"""Worker processes that decode and measure, so that a file that crashes or stalls the reader costs that file only.

They are children of our own, see :mod:`companion.core.children`.
"""

from __future__ import annotations

import contextlib
import os
import queue
import subprocess
import threading
import time
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final, NamedTuple

import msgspec

from companion.core import children
from companion.core.progress import Watch
from companion.core.single import VARIABLES

GRACE_SECONDS: Final = 30.0
SLOWEST_BYTES: Final = 5_000_000
"""A file may take ``GRACE_SECONDS`` plus a second for each ``SLOWEST_BYTES``: some fifty times what it needs."""

_KEPT_MEMORY: Final = 64 << 20
_TICK: Final = 0.05
_INSIDE: Final = "companion.sound.measures.worker"
_TRIES: Final = 3
"""Workers in a row that may fail to begin before that is told."""


class Request(NamedTuple):
    """One file to measure. arguments: plain values for ``worker.measure``; size: bytes to be read."""

    key: int
    arguments: tuple[Any, ...]
    size: int = 0

    @property
    def seconds(self) -> float:
        """The time it may take."""
        return GRACE_SECONDS + self.size / SLOWEST_BYTES


class Reply(NamedTuple):
    """What came of a request: its result as bytes, or why there is none."""

    key: int
    value: bytes
    failure: str = ""


def default_workers() -> int:
    """One for each processor this process may use, at most eight: more only wait for the disk."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min(8, usable))


def _environment() -> dict[str, str]:
    # One thread a worker: the work is spread by file, and thread pools of a maths library only take memory.
    single = dict.fromkeys(VARIABLES, "1")
    # Arrays of a few megabytes come and go with every measure. glibc gives each back to the system and asks anew,
    # a sixth of all the time; told to keep them (mallopt(3)), a worker holds no more at its highest than it did before.
    keeping = dict.fromkeys(("MALLOC_TRIM_THRESHOLD_", "MALLOC_MMAP_THRESHOLD_"), str(_KEPT_MEMORY))
    return {**os.environ, **single, **keeping}


class _Worker:
    """One child process, the requests it has been given, and the thread that waits for its answers."""

    def __init__(self, answers: queue.SimpleQueue[tuple[_Worker, bytes | None]]) -> None:
        self.process = children.begun(children.command(_INSIDE), _environment())
        self.requests: deque[Request] = deque()
        self.begun = False
        self.due = time.monotonic() + children.START_SECONDS
        self.answered = False
        self._answers = answers
        self._thread = threading.Thread(target=self._listen, name="sound worker", daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        stream = self.process.stdout
        assert stream is not None
        with contextlib.suppress(OSError, ValueError):
            while (body := children.read_frame(stream)) is not None:
                self._answers.put((self, body))
        self._answers.put((self, None))

    def give(self, request: Request) -> None:
        """Send ``request``. A worker that is dead by now is noticed by its silence, not here."""
        if self.begun and not self.requests:
            self.due = time.monotonic() + request.seconds
        self.requests.append(request)
        body = msgspec.msgpack.encode((request.key, request.arguments))
        stream = self.process.stdin
        assert stream is not None
        with contextlib.suppress(OSError, ValueError):
            stream.write(children.framed(body))
            stream.flush()

    def begin(self) -> None:
        """Count it as begun, and start the clock of the first request."""
        self.begun = True
        if self.requests:
            self.due = time.monotonic() + self.requests[0].seconds

    def done(self) -> None:
        """Take the first request off and start the clock of the next."""
        self.answered = True
        self.requests.popleft()
        if self.requests:
            self.due = time.monotonic() + self.requests[0].seconds

    def stop(self) -> None:
        """End the process at once; it holds nothing that could be lost."""
        with contextlib.suppress(OSError):
            self.process.kill()

    def reap(self) -> None:
        """Wait for the end of a stopped process and close its pipes."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(2.0)
        self._thread.join(1.0)
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None and not self._thread.is_alive():
                with contextlib.suppress(OSError):
                    stream.close()


class _Pool:
    """Hands out requests in order, two to a worker so that none waits for the next; replaces workers that die."""

    def __init__(self, requests: Iterable[Request], workers: int) -> None:
        self.waiting = deque(requests)
        self.answers: queue.SimpleQueue[tuple[_Worker, bytes | None]] = queue.SimpleQueue()
        self.stillborn = self.unbegun = 0
        self.workers: list[_Worker] = []
        self.gone: list[_Worker] = []
        self.wanted = min(workers, len(self.waiting))

    def start(self) -> None:
        """Start the workers. Raises :class:`CompanionError` where the system will not have one."""
        while len(self.workers) < self.wanted:
            self.workers.append(_Worker(self.answers))

    def busy(self) -> bool:
        return bool(self.waiting) or any(worker.requests for worker in self.workers)

    def feed(self) -> None:
        for depth in (1, 2):
            for worker in self.workers:
                if self.waiting and len(worker.requests) < depth:
                    worker.give(self.waiting.popleft())

    def overdue(self) -> Iterator[Reply]:
        now = time.monotonic()
        for worker in list(self.workers):
            if worker.requests and now > worker.due:
                seconds = worker.requests[0].seconds
                yield from self.replace(worker, f"reading it took longer than {seconds:.0f} s and was stopped")

    def replace(self, worker: _Worker, reason: str) -> Iterator[Reply]:
        """Take ``worker`` out; its first request is to blame, the others are done by the next worker.

        Of one that has not begun no request is to blame. Raises :class:`CompanionError` when that goes on.
        """
        if worker not in self.workers:
            return
        if not worker.begun:
            self.unbegun += 1
            if self.unbegun >= _TRIES:
                raise children.not_begun()
        worker.stop()
        self.workers.remove(worker)
        self.gone.append(worker)
        # A worker that dies before its first answer may be the fault of the machine: try its file once elsewhere.
        fresh = not worker.begun or (not worker.answered and self.stillborn < 2 and "longer" not in reason)
        self.stillborn += fresh and worker.begun
        if worker.requests and not fresh:
            yield Reply(worker.requests.popleft().key, b"", reason)
        self.waiting.extendleft(reversed(worker.requests))
        worker.requests.clear()
        if self.waiting:
            self.workers.append(_Worker(self.answers))

    def close(self) -> None:
        everyone = self.workers + self.gone
        for worker in everyone:
            worker.stop()
        for worker in everyone:
            worker.reap()


def run_requests(requests: Sequence[Request], watch: Watch, workers: int | None = None) -> Iterator[Reply]:
    """Yield the outcome of each request as it comes, in no order; each request has exactly one.

    Raises :class:`companion.core.errors.Cancelled` within a tenth of a second of being asked to stop, and
    :class:`~companion.core.errors.CompanionError` where no worker begins. Whatever way it ends, none is left running.
    """
    with contextlib.closing(_Pool(requests, max(1, workers or default_workers()))) as pool:
        pool.start()
        while pool.busy():
            watch.check()
            pool.feed()
            yield from pool.overdue()
            try:
                worker, body = pool.answers.get(timeout=_TICK)
            except queue.Empty:
                continue
            if body is None:
                yield from pool.replace(worker, "the decoder crashed on it")
            elif not worker.begun:
                if body != children.HELLO:
                    raise children.not_begun()
                worker.begin()
                pool.unbegun = 0
            elif worker.requests:
                reply = msgspec.msgpack.decode(body, type=Reply)
                if worker.requests[0].key == reply.key:
                    worker.done()
                    yield reply
