"""How long work tells where it is, and how it is stopped."""

import math
import threading
import time
from collections.abc import Callable

import msgspec

from companion.core.errors import Cancelled
from companion.core.units import decimal_bytes, duration


class Progress(msgspec.Struct, frozen=True, kw_only=True):
    """Where a piece of work is: ``done`` of ``total`` ``unit``s (total 0: not known) after ``seconds``.

    ``unit`` is ``bytes``, ``files`` or another plural noun. ``note`` is a further rate worth showing, such as
    ``410 × real time``.
    """

    what: str
    done: int
    total: int
    unit: str
    seconds: float
    note: str = ""

    @property
    def fraction(self) -> float:
        """0 to 1; 0 while the total is not known."""
        return min(1.0, self.done / self.total) if self.total else 0.0

    @property
    def seconds_left(self) -> float | None:
        """Seconds until the end at the rate so far; None while nothing can be said."""
        if not self.total or not self.done or self.seconds < 0.5:
            return None
        return max(0.0, self.seconds * (self.total - self.done) / self.done)

    @property
    def line(self) -> str:
        """One line for a person: what, how far, rate, time left."""
        if self.unit == "bytes":
            count = f"{decimal_bytes(self.done)}" + (f" of {decimal_bytes(self.total)}" if self.total else "")
        else:
            count = f"{self.done:,}" + (f" of {self.total:,}" if self.total else "") + f" {self.unit}"
        parts = [f"{self.what}: {count}"]
        if self.seconds >= 0.5 and self.done:
            rate = self.done / self.seconds
            parts.append(f"{decimal_bytes(int(rate))}/s" if self.unit == "bytes" else f"{rate:,.0f} {self.unit}/s")
        if self.note:
            parts.append(self.note)
        if self.seconds_left is not None:
            parts.append(f"{duration(self.seconds_left)} left")
        return ", ".join(parts)


class Watch:
    """Handed down into long work: the work reports to it and asks it whether to go on.

    Safe to use from several threads. ``show`` is called at most every ``every`` seconds, and at each stage's end.
    """

    def __init__(self, show: Callable[[Progress], None] | None = None, every: float = 0.1) -> None:
        self._show = show
        self._every = every
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._last = -math.inf
        self._what, self._unit, self._note = "", "files", ""
        self._done = self._total = 0
        self._began = time.monotonic()

    def stage(self, what: str, total: int = 0, unit: str = "files") -> None:
        """Begin a stage of the work and forget the counts of the one before."""
        with self._lock:
            self._what, self._total, self._unit, self._note, self._done = what, total, unit, "", 0
            self._began, self._last = time.monotonic(), -math.inf
        self.step(0)

    def step(self, count: int = 1, note: str = "") -> None:
        """Count ``count`` more units as done; raise :class:`Cancelled` when the person has asked to stop."""
        self.check()
        with self._lock:
            self._done += count
            self._note = note or self._note
            now = time.monotonic()
            due = now - self._last >= self._every or (self._total and self._done >= self._total)
            if not due or self._show is None:
                return
            self._last = now
            progress = Progress(
                what=self._what,
                done=self._done,
                total=self._total,
                unit=self._unit,
                seconds=now - self._began,
                note=self._note,
            )
        self._show(progress)

    def cancel(self) -> None:
        """Ask the work to stop; it does so at its next step."""
        self._stop.set()

    @property
    def cancelled(self) -> bool:
        """Whether a stop has been asked for."""
        return self._stop.is_set()

    def check(self) -> None:
        """Raise :class:`Cancelled` when a stop has been asked for."""
        if self._stop.is_set():
            raise Cancelled


QUIET = Watch()
"""A watch nobody looks at and nobody cancels, for short work and tests."""
