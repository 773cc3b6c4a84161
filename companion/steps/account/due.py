"""When a snapshot is due: when the folder has moved on so far that losing it would hurt. Pure.

The rule, in the order it is asked:

1. There is no snapshot yet, of a folder in which there is something to lose. One costs seconds, and the first mistake
   may be the next thing done.
2. As many samples moved as one would not care to record or edit again: 20, or a twentieth of them all where that is
   fewer, but 3 at least. One or two are done again sooner than a snapshot has its label.
3. A patch, a script or the facts moved and nothing has been kept for an hour: what was turned and typed longer ago than
   that is not done again from memory. Asking after each time the patch is saved would only teach to look away.
4. Anything of the maker's moved and nothing has been kept for a day.

Common practice, no source. Whatever is not kept yet is kept without asking before a restore and by a release.
"""

from datetime import UTC, datetime
from typing import Final

import msgspec

from companion.steps.account.moved import Moved
from companion.steps.model import Status

MANY: Final = 20
SHARE: Final = 20
"""One sample in this many is many in a small instrument."""
FEW: Final = 3
HOUR: Final = 3600
DAY: Final = 24 * HOUR

FIRST: Final = "first snapshot"


class Unkept(msgspec.Struct, frozen=True, kw_only=True):
    """What of a folder no snapshot holds.

    snapshot: number of the newest snapshot; 0 while there is none. at: when that was taken, ISO 8601, as the clock
    then said. samples: how many there are, or were then. moved: counts since then; all zero while there is none.
    """

    snapshot: int = 0
    at: str = ""
    samples: int = 0
    moved: Moved = Moved()

    @property
    def text(self) -> str:
        """What is not kept, in a few words; empty when everything is."""
        if not self.snapshot:
            return "no snapshot of this folder yet"
        return f"{self.moved.text} since snapshot {self.snapshot}" if self.moved.any else ""


class Due(msgspec.Struct, frozen=True, kw_only=True):
    """A snapshot is due. because: in a few words. label: one to offer for it. since: when the newest was taken."""

    because: str
    label: str
    since: str = ""


class Standing(Status, frozen=True, kw_only=True):
    """How a folder stands: its checklist, what no snapshot holds (None: not known), and whether one is due."""

    unkept: Unkept | None = None
    due: Due | None = None


def many(samples: int) -> int:
    """Return how many moved samples make a snapshot due, of so many."""
    return max(FEW, min(MANY, -(-samples // SHARE)))


def age_of(at: str, now: datetime) -> float | None:
    """Return the seconds since ``at``; None where that cannot be told.

    A time that cannot be read tells nothing, nor does one that is still to come: one of the two clocks was wrong.
    """
    try:
        then = datetime.fromisoformat(at)
    except ValueError:
        return None
    seconds = (now - (then if then.tzinfo else then.replace(tzinfo=UTC))).total_seconds()
    return seconds if seconds >= 0 else None


def due_of(unkept: Unkept, now: datetime) -> Due | None:
    """Return why a snapshot is due, or None. One whose age cannot be told counts as old: asking costs a line."""
    if not unkept.snapshot:
        return Due(because=unkept.text, label=FIRST)
    moved = unkept.moved
    age = age_of(unkept.at, now)
    worked = moved.worked and (age is None or age >= HOUR)
    left = moved.any and (age is None or age >= DAY)
    if not (moved.samples.total >= many(unkept.samples) or worked or left):
        return None
    return Due(because=unkept.text, label=moved.text, since=unkept.at)
