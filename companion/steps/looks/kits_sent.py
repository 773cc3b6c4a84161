"""The kits that were sent: which wait, what came of the others, and what each settles of what is only stated."""

from __future__ import annotations

from typing import Literal

import msgspec

from companion.core.evidence import AwayTest
from companion.core.text import listed, plural, visible
from companion.steps.checks.needs import next_test, settles
from companion.steps.desk import Desk
from companion.steps.grounds import away_marks
from companion.trials.kit_files import KitRecord, kits_in

Came = Literal["waiting", "passed", "failed", "ended"]


class SentKit(msgspec.Struct, frozen=True, kw_only=True):
    """A kit that was sent. came: what became of it; ``ended``: it came back and told nothing that counts.

    here: whether it is of exactly the content there is now, and of the engine that the facts name. settles: what it
    settles by itself, in a few words each; empty where it does not pass, or is of other content.
    """

    kit: KitRecord
    came: Came
    here: bool
    settles: tuple[str, ...] = ()


class SentKits(msgspec.Struct, frozen=True, kw_only=True):
    """All kits of a folder, the latest last. next: which away test would settle most, in a sentence; may be empty."""

    kits: tuple[SentKit, ...] = ()
    next: str = ""

    @property
    def line(self) -> str:
        """How many there are of each, in a sentence; empty where none was sent."""
        counts = [(sum(one.came == came for one in self.kits), came) for came in ("waiting", "passed", "failed")]
        ended = sum(one.came == "ended" for one in self.kits)
        told = [f"{count:,} {came}" for count, came in counts if count] + ([f"{ended:,} ended early"] if ended else [])
        return f"{plural(len(self.kits), 'kit')} sent: {listed(told, 4)}." if self.kits else ""


def sent_kits(desk: Desk) -> SentKits:
    """Return the kits of a folder as they stand for its content now."""
    mark, engine = away_marks(desk.marks)["another player"], _plain(desk.facts.engine.name)
    found = []
    for kit in kits_in(desk.places):
        here = kit.content == mark and _plain(kit.engine) == engine
        passed = kit.outcome == "pass"
        test = AwayTest(
            kind="another player",
            result="pass",
            engine_version=kit.engine_version,
            edition=kit.edition,
            system=kit.system,
            played="kit",
        )
        settled = settles(desk.facts, test) if here and passed else ()
        found.append(SentKit(kit=kit, came=_came(kit), here=here, settles=tuple(map(visible, settled))))
    return SentKits(kits=tuple(found), next=next_test(desk.facts, desk.away_here))


def _came(kit: KitRecord) -> Came:
    if not kit.returned:
        return "waiting"
    return {"pass": "passed", "fail": "failed"}.get(kit.outcome, "ended")  # type: ignore[return-value]


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()
