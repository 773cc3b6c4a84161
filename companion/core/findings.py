"""The one shape of every complaint, and of the place it was made at."""

from collections import Counter
from collections.abc import Iterable
from enum import StrEnum
from typing import Final

import msgspec


class Severity(StrEnum):
    """How much a finding weighs: it stops the release, deserves a look, or is worth knowing."""

    BLOCKS = "blocks"
    WARNS = "warns"
    NOTES = "notes"

    @property
    def weight(self) -> int:
        """0 for blocks, 1 for warns, 2 for notes: the order findings are shown in."""
        return _WEIGHTS[self]


BLOCKS: Final = Severity.BLOCKS
WARNS: Final = Severity.WARNS
NOTES: Final = Severity.NOTES
_WEIGHTS: Final = {BLOCKS: 0, WARNS: 1, NOTES: 2}


class At(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, gc=False):
    """The place of a finding: any of these, as far as they are known.

    frames: [start, end) in the file's own frames; rate: frames per second, to turn them into seconds. channel: counted
    from 0. byte: offset from the start of the file. line: counted from 1. key, velocity: MIDI numbers, 0 to 127. take:
    counted from 1. control: its name in the facts. fact: a dotted key of ``release.toml``. others: further paths that
    belong to the finding, relative to the working folder.
    """

    frames: tuple[int, int] | None = None
    rate: int | None = None
    channel: int | None = None
    byte: int | None = None
    line: int | None = None
    key: int | None = None
    velocity: int | None = None
    take: int | None = None
    control: str = ""
    fact: str = ""
    others: tuple[str, ...] = ()


NOWHERE = At()
"""A finding about the whole."""


class Finding(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One thing that is wrong, or that could not be told, with what a person needs to act on it.

    path: relative to the working folder with forward slashes; empty when the finding is about the whole.
    at: the place inside the file as data; where: the same as people read it, such as ``byte 1,204``.
    value / bound: what was found and what it was held against, both in ``unit``; value may be text.
    measured / limit: the same as people read them.
    unknown: the check looked and could not tell; it is neither fine nor broken.
    waived: the reason given, when a waiver covers this finding; or what settles it.
    lapsed: what a waiver of this rule and place covered, and why it does not cover this; empty where there is none.
    settled: an away test has answered what the check could not tell: it is no waiver, and ``waived`` names the test.

    Neither this nor its place can hold itself, and there may be tens of thousands: the collector passes them over.
    """

    rule: str
    severity: Severity
    path: str = ""
    where: str = ""
    measured: str = ""
    limit: str = ""
    why: str = ""
    mend: str = ""
    unknown: bool = False
    waived: str = ""
    settled: bool = False
    lapsed: str = ""
    at: At = NOWHERE
    value: int | float | str | None = None
    unit: str = ""
    bound: float | None = None

    @property
    def blocks(self) -> bool:
        """Whether this finding stops the release as it stands."""
        return self.severity is Severity.BLOCKS and not self.waived


def ordered(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings as they are shown: blocking first, waived ones after the rest, then by rule, path and place."""
    return tuple(sorted(findings, key=lambda f: (bool(f.waived), f.severity.weight, f.rule, f.path, f.where)))


def tally(findings: Iterable[Finding]) -> dict[str, int]:
    """Return how many findings there are of each severity, with the waived ones counted apart."""
    counts: Counter[str] = Counter("waived" if f.waived else f.severity for f in findings)
    return {name: counts[name] for name in ("blocks", "warns", "notes", "waived")}
