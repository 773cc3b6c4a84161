"""The one shape of every complaint, and the rules that complaints come from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from enum import StrEnum
from typing import Final

import msgspec

from companion.core.at import NOWHERE, At


class Severity(StrEnum):
    """How much a finding weighs: it stops the release, deserves a look, or is worth knowing."""

    BLOCKS = "blocks"
    WARNS = "warns"
    NOTES = "notes"

    @property
    def weight(self) -> int:
        """0 for blocks, 1 for warns, 2 for notes: the order findings are shown in."""
        return ("blocks", "warns", "notes").index(self.value)


BLOCKS: Final = Severity.BLOCKS
WARNS: Final = Severity.WARNS
NOTES: Final = Severity.NOTES


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that is wrong, or that could not be told, with what a person needs to act on it.

    path: relative to the working folder with forward slashes; empty when the finding is about the whole.
    at: the place inside the file as data; where: the same as people read it, such as ``byte 1,204``.
    value / bound: what was found and what it was held against, both in ``unit``; value may be text.
    measured / limit: the same as people read them.
    unknown: the check looked and could not tell; it is neither fine nor broken.
    waived: the reason given, when a waiver covers this finding.
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
    at: At = NOWHERE
    value: int | float | str | None = None
    unit: str = ""
    bound: float | None = None

    @property
    def blocks(self) -> bool:
        """Whether this finding stops the release as it stands."""
        return self.severity is Severity.BLOCKS and not self.waived


class Rule(msgspec.Struct, frozen=True, kw_only=True):
    """What a check looks for: the part that is the same for every finding it makes.

    id: the name in the fault catalogue. step: the id of the step that catches it.
    means: the fault in one sentence. why: what a player would suffer. mend: how to put it right.
    limit: the default limit with its unit, or empty. source: where rule and limit come from, or
    ``common practice, no source``. unknown: its findings say "could not tell" rather than "wrong".
    """

    id: str
    step: str
    severity: Severity
    means: str
    why: str
    mend: str
    limit: str = ""
    source: str = "common practice, no source"
    unknown: bool = False

    def finding(
        self,
        path: str = "",
        *,
        measured: str = "",
        where: str = "",
        limit: str | None = None,
        mend: str | None = None,
        severity: Severity | None = None,
    ) -> Finding:
        """Return a finding of this rule; ``limit``, ``mend`` and ``severity`` replace the rule's own where given."""
        return Finding(
            rule=self.id,
            severity=severity or self.severity,
            path=path,
            where=where,
            measured=measured,
            limit=self.limit if limit is None else limit,
            why=self.why,
            mend=self.mend if mend is None else mend,
            unknown=self.unknown,
        )


def ordered(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings as they are shown: blocking first, waived ones after the rest, then by rule, path and place."""
    return tuple(sorted(findings, key=lambda f: (bool(f.waived), f.severity.weight, f.rule, f.path, f.where)))


def tally(findings: Iterable[Finding]) -> dict[str, int]:
    """Return how many findings there are of each severity, with the waived ones counted apart."""
    counts: Counter[str] = Counter("waived" if f.waived else f.severity.value for f in findings)
    return {name: counts[name] for name in ("blocks", "warns", "notes", "waived")}
