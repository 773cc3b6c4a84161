"""Waivers that let nothing pass: what they were given for is gone, or no reason could make it pass."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

import msgspec

from companion.core.facts import Waiver
from companion.core.findings import NOTES, At, Finding
from companion.core.rules import Rule, rule


class IdleWaiver(msgspec.Struct, frozen=True, kw_only=True):
    """A waiver that lets nothing pass, and why, in a few words."""

    waiver: Waiver
    why: str


@rule(
    "waiver-idle",
    NOTES,
    step="facts",
    means="A waiver in the facts lets nothing pass: what it was given for is not found any more.",
    why="Whoever reads the facts takes it for a flaw that is still there. Were it found again, it would be asked anew.",
    mend="Take the waiver back.",
)
def waiver_idle(idle: Iterable[IdleWaiver]) -> Iterator[Finding]:
    """Each waiver lets something pass. ``where`` names its rule, ``at.fact`` its place: by these it is taken back."""
    for one in idle:
        waiver = one.waiver
        at = f' "{waiver.path}"' if waiver.path else ""
        at += f' --where "{waiver.where}"' if waiver.where else ""
        yield waiver_idle.finding(
            waiver.path,
            at=At(fact=waiver.where),
            where=waiver.rule,
            value=waiver.reason,
            says=f"“{{value}}”: {one.why}",
            mend=f"Take it back: press v on it, or run: companion waive FOLDER {waiver.rule}{at} --back",
        )


RULES: Final[tuple[Rule[Iterable[IdleWaiver]], ...]] = (waiver_idle,)
